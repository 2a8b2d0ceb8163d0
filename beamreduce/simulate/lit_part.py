"""Which part of the primaries the beam of a made campaign exercises, by plain algebra."""

import numpy as np

from beamreduce.raytrace import MirrorState

_POINTS = 4000  # on each primary


def exercised_fraction(mirror: MirrorState, source_mm: float) -> float:
    """Return from which part of their length primaries send light to the detector.

    Parameters
    ----------
    mirror
        Its prescription and pre-collimator; errors and bars are left out.
    source_mm
        Distance of a point source on the axis.

    Notes
    -----
    One ray in the plane of the axis for each of 4 000 points evenly along each primary,
    which must pass the foil inside at both ends of both stages and meet the secondary.
    The mean over nestings is by the area of the primary as seen along the axis.
    """
    rows = mirror.prescription.nestings
    radius, first, second, gap = (
        np.array([[getattr(n, name)] for n in rows])
        for name in ("radius_mm", "primary_angle_rad", "secondary_angle_rad", "gap_mm")
    )
    front = np.array([[-n.gap_mm / 2 - n.primary_length_mm] for n in rows])
    rear = np.array([[n.gap_mm / 2 + n.secondary_length_mm] for n in rows])
    thickness = np.array([[n.thickness_mm] for n in rows])

    def inside(angle: np.ndarray, z: np.ndarray) -> np.ndarray:
        """Radius of the back of the next foil inward; nothing inside the innermost."""
        back = radius + thickness - np.tan(angle) * z
        return np.concatenate([[[-np.inf]], back[:-1]])

    steps = (np.arange(_POINTS) + 0.5) / _POINTS
    z = front + (-gap / 2 - front) * steps
    place = radius - np.tan(first) * z
    slope = place / (source_mm + z)
    blade = front - mirror.pre_collimator_mm
    lit = place + slope * (front - z) > inside(first, front)
    lit &= place + slope * (blade - z) > inside(first, front)
    slope = -np.tan(2 * first + np.arctan(slope))
    lit &= place + slope * (-gap / 2 - z) > inside(first, -gap / 2)
    lit &= place + slope * (gap / 2 - z) > inside(second, gap / 2)
    meeting = (radius - place + slope * z) / (slope + np.tan(second))
    lit &= (meeting >= gap / 2) & (meeting <= rear)
    place = radius - np.tan(second) * meeting
    slope = -np.tan(2 * second + np.arctan(slope))
    lit &= place + slope * (rear - meeting) > inside(second, rear)
    outer, inner = (radius - np.tan(first) * end for end in (front, -gap / 2))
    return float(np.average(lit.mean(axis=1), weights=(outer**2 - inner**2)[:, 0]))
