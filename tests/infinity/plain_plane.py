"""Rays in a plane through the axis, one NumPy array each, written from the geometry.

An oracle for the fold: no quadrature, no ladder; every ray has its own slope errors.
"""

from dataclasses import dataclass

import numpy as np

ARCSEC = np.pi / 180 / 3600


@dataclass(frozen=True)
class Landed:
    """Signed offsets of the rays that arrive, their weights, and the effective area."""

    offset: np.ndarray
    weight: np.ndarray
    area: float

    def diameter(self, reference, share):
        radius = np.abs(self.offset)
        kept = radius < reference
        order = np.argsort(radius[kept])
        growth = np.cumsum(self.weight[kept][order])
        at = np.searchsorted(growth, share * growth[-1])
        return 2 * radius[kept][order][at]


def trace(prescription, source, distance, errors, *, rays, rng):
    """Follow rays; ``errors`` gives (primary, secondary) slope errors for a count."""
    nest = prescription.nestings
    which = rng.integers(0, len(nest), rays)
    r = np.array([n.radius_mm for n in nest])[which]
    a = np.array([n.primary_angle_rad for n in nest])[which]
    length, thick = nest[0].primary_length_mm, nest[0].thickness_mm
    first, second = errors(rays, rng)
    z1 = -length * rng.random(rays)
    rho1 = r - np.tan(a) * z1
    rise = np.zeros(rays) if np.isinf(source) else rho1 / (source + z1)
    near = 1.0 if np.isinf(source) else (source / (source + z1)) ** 2
    weight = 2 * np.pi * rho1 * (np.tan(a) + rise) * near * length
    angle1 = -2 * (a + first) - np.arctan(rise)
    slope1 = np.tan(angle1)
    z2 = (r - rho1 + slope1 * z1) / (slope1 + np.tan(3 * a))
    angle2 = -2 * (3 * a) + 2 * second - angle1
    rho2 = r - np.tan(3 * a) * z2
    good = (z2 > 0) & (z2 < length)
    back = np.where(which > 0, np.array([n.radius_mm for n in nest])[which - 1] + thick, 0)
    steep = np.where(which > 0, np.array([n.primary_angle_rad for n in nest])[which - 1], 0)
    inner = which == 0
    good &= inner | (rho1 + rise * (-length - z1) > back + np.tan(steep) * length)
    good &= inner | (rho1 - slope1 * z1 > back)
    good &= inner | (
        rho2 + np.tan(angle2) * (length - z2) > back - np.tan(3 * steep) * length
    )
    landed = rho2 + np.tan(angle2) * (distance - z2)
    return Landed(landed[good], weight[good], weight[good].sum() / rays * len(nest))
