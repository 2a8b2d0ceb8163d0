"""What can become of a ray, by number (kernels) and by name (results)."""

FOCUSED = 0  # reflected by primary and secondary; the kernel's "nothing wrong so far"
PRIMARY_ONLY = 1
SECONDARY_ONLY = 2
STRAIGHT = 3
PRE_COLLIMATOR = 4
BAR = 5
BACK_AT_ENTRANCE = 6  # of the foil of the next nesting inward
BACK_AT_MIDDLE = 7
BACK_AT_EXIT = 8
SECONDARY_EDGE = 9  # or past it on the outside
INTO_SURFACE = 10  # a slope error or scatter turns the ray below the surface

FATES = (
    "focused",
    "primary_only",
    "secondary_only",
    "straight",
    "pre_collimator",
    "bar",
    "back_at_entrance",
    "back_at_middle",
    "back_at_exit",
    "secondary_edge",
    "into_surface",
)
BEHIND_THE_MIRROR = FATES[:4]  # those that come out of it
