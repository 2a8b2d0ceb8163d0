"""Rings coarse enough to be fitted: enough photons in each, fine where light changes."""

import numpy as np

from beamreduce.encircled_energy import NetRings, join_rings

_RINGS = 40
_LEAST_PHOTONS = 25.0
_INNERMOST = 0.1
# A pixel's light is taken as even within it, which it is not near the cusp: rings thinner
# than a pixel, and all within three pixels of the center, depend on where the center lies
# in its pixel. With these limits that adds less than 1 to chi-square for 40 000 photons
# and a half-power diameter of 11 pixels; without them, thousands.
_INNERMOST_PIXELS = 3.0
_WIDTH_PIXELS = 1.0


def coarse_rings(net: NetRings, pixel_mm: float) -> NetRings:
    """Join rings into about forty of like light, each with enough photons.

    The innermost tenth of the light is one ring: in-plane errors make a cusp there, which
    whatever is a little out of place (foils, quadrants, the center) takes off first, and
    no diameter depends on it. Then even steps of encircled energy up to 0.96, and finer
    ones beyond, so that the wings have rings of their own. No ring is thinner than a pixel
    of side ``pixel_mm``, and the innermost has a radius of three at least.
    """
    growth = np.maximum.accumulate(net.growth) / net.growth[-1]
    inner = np.linspace(_INNERMOST, 0.96, _RINGS - 8)
    wanted = np.concatenate([inner, 1 - 0.04 * np.geomspace(0.75, 0.02, 8)])
    ends = np.searchsorted(growth, wanted).clip(max=growth.size - 1)
    ends = np.unique(np.append(ends, growth.size - 1))
    return join_rings(net, _worth_fitting(net, ends, pixel_mm))


def _worth_fitting(net: NetRings, ends: np.ndarray, pixel_mm: float) -> np.ndarray:
    """Leave out ends until every ring has photons and pixels enough."""
    counted = np.maximum.accumulate(net.growth)
    kept: list[int] = []
    before, least_mm = 0.0, _INNERMOST_PIXELS * pixel_mm
    for end in ends:
        wide = net.radius_mm[end] >= least_mm
        if wide and counted[end] - before >= _LEAST_PHOTONS:
            kept.append(int(end))
            before = counted[end]
            least_mm = net.radius_mm[end] + _WIDTH_PIXELS * pixel_mm
    if not kept or kept[-1] != ends[-1]:
        if kept:
            kept[-1] = int(ends[-1])
        else:
            kept = [int(ends[-1])]
    return np.array(kept)
