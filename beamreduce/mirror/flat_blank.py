"""The flat sheet that a conical reflector is rolled from, and how many fit on a sheet."""

import math
from dataclasses import dataclass

import astropy.units as u
from astropy.units import Quantity

from beamreduce.errors import GeometryError
from beamreduce.mirror.prescription import Nesting
from beamreduce.units import positive_in, value_in


@dataclass(frozen=True, kw_only=True)
class FlatBlank:
    """Developed surface of a piece of a cone: a sector of a ring.

    Parameters
    ----------
    inner_radius_mm, outer_radius_mm
        Of the sector: distances from the tip of the cone along its surface.
    angle_rad
        Between its straight sides.
    width_mm, height_mm
        Sides of the smallest upright rectangle around it, its middle line upright: across
        the middle line and along it.
    area_mm2
        Of the sheet that is used.
    """

    inner_radius_mm: float
    outer_radius_mm: float
    angle_rad: float
    width_mm: float
    height_mm: float
    area_mm2: float

    @property
    def inner_arc_mm(self) -> float:
        """Length of the inner arc."""
        return self.inner_radius_mm * self.angle_rad

    @property
    def outer_arc_mm(self) -> float:
        """Length of the outer arc."""
        return self.outer_radius_mm * self.angle_rad

    @property
    def sagitta_mm(self) -> float:
        """Height of the inner arc over the chord between its ends, up to a half turn."""
        return self.inner_radius_mm * (1 - math.cos(min(self.angle_rad / 2, math.pi)))


def flat_blank(
    *, small_radius: Quantity, large_radius: Quantity, length: Quantity, azimuth: Quantity
) -> FlatBlank:
    """Develop a piece of a cone into the plane.

    Parameters
    ----------
    small_radius, large_radius
        Of the cone at its two ends, measured from the axis.
    length
        Along the axis.
    azimuth
        How far the piece reaches around the axis.

    Notes
    -----
    Slant length ``s = √(ℓ² + (R − r)²)``, half angle ``sin β = (R − r)/s``; sector radii
    ``r/sin β`` and ``R/sin β``, angle ``φ sin β``: arcs keep their lengths,
    ``ρθ = rφ`` (any book on sheet-metal layout; exact).

    Raises
    ------
    GeometryError
        When it is no cone, or more than once around.
    """
    small = positive_in(small_radius, u.mm, name="small_radius")
    large = positive_in(large_radius, u.mm, name="large_radius")
    along = positive_in(length, u.mm, name="length")
    around = positive_in(azimuth, u.rad, name="azimuth")
    if large <= small:
        raise GeometryError(
            f"large_radius must exceed small_radius; got {large:g} mm and {small:g} mm"
        )
    if around > 2 * math.pi * (1 + 1e-12):
        raise GeometryError(f"azimuth must not exceed 360 deg; got {azimuth}")
    slant = math.hypot(along, large - small)
    sine = (large - small) / slant
    inner, outer, angle = small / sine, large / sine, around * sine
    half = angle / 2
    reach = math.sin(half) if half < math.pi / 2 else 1.0
    # The lowest point is an end of the inner arc up to a half turn, else of the outer one.
    lowest = inner * math.cos(half) if half <= math.pi / 2 else outer * math.cos(half)
    return FlatBlank(
        inner_radius_mm=inner,
        outer_radius_mm=outer,
        angle_rad=angle,
        width_mm=2 * outer * reach,
        height_mm=outer - lowest,
        area_mm2=angle / 2 * (outer**2 - inner**2),
    )


def blanks_of_nesting(
    nesting: Nesting, *, azimuth: Quantity
) -> tuple[FlatBlank, FlatBlank]:
    """Return the blanks of the primary and the secondary of a nesting.

    The developed surface is the reflecting one; half the gap lies between each reflector
    and the reference plane.
    """
    half_gap = nesting.gap_mm / 2
    blanks = []
    for sign, angle, length in (
        (1, nesting.primary_angle_rad, nesting.primary_length_mm),
        (-1, nesting.secondary_angle_rad, nesting.secondary_length_mm),
    ):
        near = nesting.radius_mm + sign * half_gap * math.tan(angle)
        far = nesting.radius_mm + sign * (half_gap + length) * math.tan(angle)
        blanks.append(
            flat_blank(
                small_radius=min(near, far) * u.mm,
                large_radius=max(near, far) * u.mm,
                length=length * u.mm,
                azimuth=azimuth,
            )
        )
    return blanks[0], blanks[1]


@dataclass(frozen=True, kw_only=True)
class SheetLayout:
    """Equal blanks stacked along a sheet.

    Parameters
    ----------
    rows
        Stacks side by side across the sheet.
    pitch_mm
        Along the sheet from blank to blank: they lie inside each other's arcs.
    lengthwise
        True when the middle line of the blank lies along the sheet.
    first_mm
        Length that the first blank of a stack takes.
    used_fraction
        Share of the sheet that becomes blanks, of a long stack.
    """

    rows: int
    pitch_mm: float
    lengthwise: bool
    first_mm: float
    used_fraction: float

    def length_mm(self, blanks: int) -> float:
        """Length of sheet for a number of blanks."""
        deep = math.ceil(blanks / self.rows)
        return 0.0 if deep <= 0 else self.first_mm + (deep - 1) * self.pitch_mm


def layout_on_sheet(
    blank: FlatBlank, *, sheet_width: Quantity, spacing: Quantity = 0 * u.mm
) -> SheetLayout:
    """Stack equal blanks on a sheet of a given width.

    Blanks lie with their middle lines along the sheet, stacked into each other's arcs as
    closely as they do not overlap, or across it as rectangles; what leaves less waste.

    Raises
    ------
    GeometryError
        When the blank fits neither way.
    """
    sheet = positive_in(sheet_width, u.mm, name="sheet_width")
    between = value_in(spacing, u.mm, name="spacing")
    if between < 0:
        raise GeometryError(f"spacing must not be below zero; got {spacing}")
    layouts = []
    for lengthwise in (True, False):
        across, along = (
            (blank.width_mm, blank.height_mm)
            if lengthwise
            else (blank.height_mm, blank.width_mm)
        )
        rows = int((sheet + between) // (across + between) + 1e-9)
        if rows < 1:
            continue
        pitch = (_stack_pitch(blank) if lengthwise else along) + between
        layouts.append(
            SheetLayout(
                rows=rows,
                pitch_mm=pitch,
                lengthwise=lengthwise,
                first_mm=along,
                used_fraction=rows * blank.area_mm2 / (sheet * pitch),
            )
        )
    if not layouts:
        raise GeometryError(
            f"sheet_width must be at least {min(blank.width_mm, blank.height_mm):.4g} mm "
            f"for this blank; got {sheet:g} mm"
        )
    return max(layouts, key=lambda layout: (layout.used_fraction, layout.lengthwise))


def _stack_pitch(blank: FlatBlank) -> float:
    """Least shift along the middle line after which two equal blanks do not overlap.

    At a distance x from the middle line a blank reaches from its inner arc, or beyond the
    ends of that from its straight side, to its outer arc. That is most at the ends of the
    inner arc, ``√(R² − r² sin²h) − r cos h`` with h half the angle.
    """
    half = blank.angle_rad / 2
    if half > math.pi / 2:
        return blank.height_mm
    edge = blank.inner_radius_mm * math.sin(half)
    top = math.sqrt(blank.outer_radius_mm**2 - edge**2)
    return top - blank.inner_radius_mm * math.cos(half)
