"""The wing fitted from several start radii, and what differs beyond chance."""

import math
from dataclasses import dataclass

from beamreduce.background.blocks import excess_scatter
from beamreduce.background.wing_fit import fit_wing
from beamreduce.background.wing_model import WingModel
from beamreduce.background.wing_rings import WingRings
from beamreduce.record.uncertain import Uncertain

LEAST_REACH = 1.4  # outermost ring over start; below, level and wing are not told apart
LEAST_PHOTONS = 50  # beyond the start; fewer cannot tell a wing from a level
_STARTS = (1.0, 1.4, 2.0)  # in units of the start radius asked for
_LEAST_RINGS = 8


@dataclass(frozen=True, kw_only=True)
class WingFits:
    """The wing as fitted from several start radii.

    Parameters
    ----------
    chosen
        From the innermost start that a sensible shape describes.
    others
        From starts farther out, for the spread.
    """

    chosen: WingModel
    others: tuple[WingModel, ...]


def fit_from_starts(rings: WingRings, start_px: float) -> WingFits:
    """Fit the wing from several start radii and choose the innermost that fits."""
    fits = [
        fit_wing(rings, factor * start_px)
        for factor in _STARTS
        if factor == 1.0 or _may_fit(rings, factor * start_px)
    ]
    for k, fit in enumerate(fits):
        if not excess_scatter(fit.chi_square, fit.degrees_of_freedom):
            return WingFits(chosen=fit, others=tuple(fits[k + 1 :]))
    return WingFits(chosen=fits[-1], others=())


def combined(chosen: Uncertain, others: tuple[Uncertain, ...]) -> Uncertain:
    """Add to the model uncertainty what other start radii differ by beyond chance.

    A fit to part of the data differs from that to all of them by chance with the
    difference of the two variances (Hausman 1978, Econometrica 46, 1251).
    """
    beyond_chance = [
        max(
            0.0,
            (other.value - chosen.value) ** 2
            - abs(other.uncertainty**2 - chosen.uncertainty**2),
        )
        for other in others
    ]
    spread = math.sqrt(sum(beyond_chance) / len(others)) if others else 0.0
    return Uncertain(
        value=chosen.value,
        statistical=chosen.statistical,
        systematic=chosen.systematic,
        model=math.hypot(chosen.model, spread),
    )


def _may_fit(rings: WingRings, start_px: float) -> bool:
    if rings.radius_px[-1] < LEAST_REACH * start_px:
        return False
    far = rings.beyond(start_px)
    return (
        far.photons.sum() + far.known.sum() >= LEAST_PHOTONS
        and far.joined().size >= _LEAST_RINGS
    )
