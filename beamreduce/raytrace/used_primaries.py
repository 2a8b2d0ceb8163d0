"""Which part of each primary is used in each plane through the axis, for a star."""

import math

import numpy as np
from numba import njit

from beamreduce.mirror import Prescription
from beamreduce.raytrace.meridian import _cones
from beamreduce.raytrace.meridian_kernel import _used


@njit(cache=True, nogil=True)
def _used_intervals(cones: np.ndarray, tilts: np.ndarray, blade_mm: float) -> np.ndarray:
    """First and last used place on each primary, shape (planes, nestings, 2)."""
    out = np.zeros((tilts.shape[0], cones.shape[0], 2))
    geometry = np.zeros(5)
    geometry[0] = math.inf
    geometry[2] = blade_mm
    for plane in range(tilts.shape[0]):
        geometry[1], geometry[4] = tilts[plane, 0], tilts[plane, 1]
        for i in range(cones.shape[0]):
            out[plane, i] = _used(cones, i, geometry, 0.0)
    return out


def used_area_mm2(
    prescription: Prescription, tilts_rad: np.ndarray, *, pre_collimator_mm: float = 0.0
) -> np.ndarray:
    """Return the area of a parallel beam that each nesting uses, a radian of azimuth.

    Parameters
    ----------
    prescription
        Perfect cones, nestings sorted by radius in the result.
    tilts_rad
        Inward and sideways slope of the rays in each plane, shape (planes, 2).
    pre_collimator_mm
        Length of the blades in front of the primaries.

    Returns
    -------
    numpy.ndarray
        mm² a radian, shape (planes, nestings): ``ρ Δz (tan α − tilt)`` over the interval
        of the primary whose rays meet the secondary and pass the next foil inward.
    """
    cones = _cones(prescription, (0.0, 0.0))
    tilts = np.ascontiguousarray(tilts_rad, dtype=float)
    used = _used_intervals(cones, tilts, float(pre_collimator_mm))
    first, last = used[..., 0], used[..., 1]
    radius = cones[:, 0] - cones[:, 8] * (first + last) / 2
    opening = cones[:, 8] - tilts[:, :1]
    return np.where(last > first, radius * (last - first) * opening, 0.0)
