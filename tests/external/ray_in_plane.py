"""One ray in the plane of the axis, by plain algebra."""

import math


def follow_in_plane(prescription, launch, source):
    """Trace one ray in the plane of the axis; true when it comes through. Plain algebra.

    ``launch`` is its radius in the reference plane. Shares nothing with the trace but
    the prescription.
    """
    slope = launch / source
    z_in = -prescription.nestings[0].primary_length_mm
    z_out = prescription.nestings[0].secondary_length_mm
    entrance = launch + slope * z_in

    def surface(k, z):
        n = prescription.nestings[k]
        angle = n.primary_angle_rad if z <= 0 else n.secondary_angle_rad
        return n.radius_mm - z * math.tan(angle)

    def back(k, z):
        if k == 0:
            return -math.inf
        return surface(k - 1, z) + prescription.nestings[k - 1].thickness_mm

    channels = range(len(prescription.nestings))
    own = [k for k in channels if back(k, z_in) < entrance <= surface(k, z_in)]
    if not own:
        return False
    k = own[0]
    n = prescription.nestings[k]
    steep = math.tan(n.primary_angle_rad)
    z = (n.radius_mm - launch) / (slope + steep)
    if not z_in <= z <= 0:
        return False
    place = launch + slope * z
    slope = math.tan(-2 * n.primary_angle_rad - math.atan(slope))
    if place - slope * z <= back(k, 0.0):
        return False
    steep = math.tan(n.secondary_angle_rad)
    at_zero = place - slope * z
    z = (n.radius_mm - at_zero) / (slope + steep)
    if not 0 <= z <= z_out:
        return False
    place = at_zero + slope * z
    slope = math.tan(-2 * n.secondary_angle_rad - math.atan(slope))
    return place + slope * (z_out - z) > back(k, z_out)
