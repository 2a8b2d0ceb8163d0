"""Rings coarse enough to be fitted: enough photons in each, fine where light changes."""

import numpy as np

from beamreduce.encircled_energy import NetRings, join_rings

_RINGS = 40
_LEAST_PHOTONS = 25.0
_INNERMOST = 0.1


def coarse_rings(net: NetRings) -> NetRings:
    """Join rings into about forty of like light, each with enough photons.

    The innermost tenth of the light is one ring: in-plane errors make a cusp there, which
    whatever is a little out of place (foils, quadrants, the center) takes off first, and
    no diameter depends on it. Then even steps of encircled energy up to 0.96, and finer
    ones beyond, so that the wings have rings of their own.
    """
    growth = np.maximum.accumulate(net.growth) / net.growth[-1]
    inner = np.linspace(_INNERMOST, 0.96, _RINGS - 8)
    wanted = np.concatenate([inner, 1 - 0.04 * np.geomspace(0.75, 0.02, 8)])
    ends = np.searchsorted(growth, wanted).clip(max=growth.size - 1)
    ends = np.unique(np.append(ends, growth.size - 1))
    return join_rings(net, _with_photons(net, ends))


def _with_photons(net: NetRings, ends: np.ndarray) -> np.ndarray:
    """Leave out ends until every ring has photons enough."""
    counted = np.maximum.accumulate(net.growth)
    kept: list[int] = []
    before = 0.0
    for end in ends:
        if counted[end] - before >= _LEAST_PHOTONS:
            kept.append(int(end))
            before = counted[end]
    if not kept or kept[-1] != ends[-1]:
        if kept:
            kept[-1] = int(ends[-1])
        else:
            kept = [int(ends[-1])]
    return np.array(kept)
