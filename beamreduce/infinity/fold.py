"""From rings measured with a diverging beam to a mixture of slope errors.

The measured rings of one configuration (all detector distances and energies) are
described as one mixture of slope errors, each pair traced with the source at its distance;
the same mixture of the pairs traced with a parallel beam is the image of a star.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from beamreduce.infinity.mixture import Mixture, RingData, fit_mixture, whiten
from beamreduce.infinity.slope_ladder import SeenTargets, SlopeLadder
from beamreduce.infinity.view import View, predicted_center, ring_columns, seen_in_rings

_RECENTERINGS = 2
_LIKE = 1.0  # of chi-square, for primary and secondary unlike by a factor of e
_CHANGE = 0.3, 10.0  # of a variance, at most
_SETTLED = 0.1  # of a bin of signed offset


@dataclass(frozen=True, kw_only=True)
class MeasuredRings:
    """Net photons of one measurement in rings coarse enough to be fitted.

    Parameters
    ----------
    id
        Measurement.
    view
        How light comes to its image.
    radii_mm
        Outer radii, shape (rings,).
    photons, covariance
        Net photons and their covariance, what repeats have in common included.
    modes
        Changes of the photons by one standard uncertainty of the background that repeats
        would have in common, (modes, rings).
    mode_kinds
        ``model`` or ``systematic`` for each.
    poisson
        Variance of each ring that its photons bring, shape (rings,): the fit replaces it
        by what the model expects, since photons that came by chance few would weigh more.
    seen
        The rings as light sees them, from :func:`~beamreduce.infinity.view.seen_in_rings`;
        large, and not kept once they are described.
    """

    id: str
    view: View
    radii_mm: np.ndarray
    photons: np.ndarray
    covariance: np.ndarray
    poisson: np.ndarray
    modes: np.ndarray
    mode_kinds: tuple[str, ...]
    seen: tuple[SeenTargets, ...]

    def seen_as(self, view: View) -> "MeasuredRings":
        """Return the same photons with another view of the light."""
        return replace(self, view=view, seen=seen_in_rings(view, self.radii_mm))


@dataclass(frozen=True, kw_only=True)
class Described:
    """How one family of slope errors describes a configuration.

    Parameters
    ----------
    ladder
        The family: steps, mean errors, scatter.
    mixture
        Shares of its pairs.
    rings
        What was fitted, each about the center that the mixture's own image has.
    data
        The same, with the noise that the mixture expects.
    cost
        What decided between mixtures that the rings do not tell apart, shape (pairs,).
    """

    ladder: SlopeLadder
    mixture: Mixture
    rings: tuple[MeasuredRings, ...]
    data: tuple[RingData, ...]
    cost: np.ndarray

    @property
    def scatter_rad(self) -> float:
        """Root mean square slope error of one reflection, mean errors aside."""
        squares = np.array([(p * p + s * s) / 2 for p, s in self.ladder.pairs])
        return float(np.sqrt(self.mixture.weights @ squares))

    def center_mm(self, identity: str) -> tuple[float, float]:
        """Return where the mixture puts the center of one image.

        From where the mirror's axis or, off it, the ray through the middle of the mirror
        meets the plane; in the frame of the mirror's azimuths.
        """
        return next(one for one in self.rings if one.id == identity).view.center_mm


def describe(rings: Sequence[MeasuredRings], ladder: SlopeLadder) -> Described:
    """Fit one family of slope errors, the second time with the noise it expects.

    Rings hardly tell one law of error on both stages from half the mirror with a good
    primary and a bad secondary and the other half the other way round, as long as the sum
    of squares is the same; the image of a star does (0.3 % of the HPD). One detector
    distance does not even tell which stage is the better one (1 % of the HPD). Both stages
    are made alike, so that mixtures are preferred where their errors are: each share costs
    the square of the logarithm of the ratio of its two errors, one of chi-square for a
    factor of e, which gives way to what rings say. How much the preference decides is a
    model uncertainty, see :func:`~beamreduce.infinity.replicates.uneven_weights`.

    Images of a part of the mirror, or off the axis, are measured about a center that the
    errors themselves displace; theirs is found again from each fit, until rings and light
    agree about it.
    """
    described = _described(rings, ladder)
    if all(one.view.balanced for one in rings):
        return described
    for _ in range(_RECENTERINGS):
        moved = [_recentered(one, described) for one in described.rings]
        if all(one is before for one, before in zip(moved, described.rings, strict=True)):
            break
        described = _described(moved, ladder)
    return described


def _described(rings: Sequence[MeasuredRings], ladder: SlopeLadder) -> Described:
    data = tuple(
        RingData(
            photons=one.photons,
            covariance=one.covariance,
            columns=ring_columns(one.seen, ladder),
        )
        for one in rings
    )
    photons = [one.photons for one in rings]
    mixture = fit_mixture(whiten(data), photons)
    data = expected_noise(rings, data, mixture)
    whitened = whiten(data)
    cost = unlike(ladder)
    mixture = fit_mixture(replace(whitened, cost=cost), photons)
    return Described(
        ladder=ladder, mixture=mixture, rings=tuple(rings), data=data, cost=cost
    )


def unlike(ladder: SlopeLadder, log_ratio: float = 0.0) -> np.ndarray:
    """Return the cost of each pair: how unlike a ratio that of its two errors is.

    Parameters
    ----------
    ladder
        The pairs.
    log_ratio
        Logarithm of primary over secondary error that costs nothing.
    """
    ratio = np.array([np.log(p / s) for p, s in ladder.pairs])
    return _LIKE * (ratio - log_ratio) ** 2


def _recentered(one: MeasuredRings, described: Described) -> MeasuredRings:
    weights = described.mixture.weights
    center = predicted_center(one.view, described.ladder, weights, one.radii_mm[-1])
    if np.hypot(*center) < _SETTLED * one.view.planes[0].table.grid.step_mm:
        return one
    return one.seen_as(one.view.about(*center))


def expected_noise(
    rings: Sequence[MeasuredRings], data: Sequence[RingData], mixture: Mixture
) -> tuple[RingData, ...]:
    """Return the data with the counting variance that the mixture expects."""
    corrected = []
    for one, seen, scale in zip(rings, data, mixture.photons_per_mm2, strict=True):
        expected = scale * (seen.columns @ mixture.weights)
        common = one.modes.T @ one.modes
        counting = one.covariance - common
        variance = counting.diagonal()
        ratio = np.clip(one.poisson / np.maximum(one.photons, 1.0), 0.0, 3.0)
        larger = 1 + ratio * (expected - one.photons) / variance
        # Pixels that neighbours share keep their part: errors grow, correlations stay.
        growth = np.sqrt(np.clip(larger, *_CHANGE))
        covariance = growth[:, None] * counting * growth + common
        corrected.append(replace(seen, covariance=covariance))
    return tuple(corrected)
