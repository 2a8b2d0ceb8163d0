"""Families of slope errors, and what the choice among them leaves open."""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy.interpolate import PchipInterpolator

from beamreduce.infinity.fold import Described, MeasuredRings, describe
from beamreduce.infinity.slope_ladder import SlopeLadder

# Mean errors at first, of the scatter.
_COARSE = np.outer([-1, 1], [0.25, 0.5, 0.8, 1.2, 1.6, 2.0]).ravel()
_AS_LOW, _MOST_LEAST = 30.0, 2  # of χ² where the best fits; how many are followed
_FINER = 5
_ABOUT_LEAST = np.array([-1.5, -0.5, 0.5, 1.5])  # standard deviations
_DENSE = 1.1  # of a standard deviation from one mean to the next: dense enough
_PARTS = 64
STAGES = ("primary", "secondary")


@dataclass(frozen=True, kw_only=True)
class Family:
    """One family fitted to the data.

    Parameters
    ----------
    stage
        Which stage has a mean error, ``none`` for neither.
    mean_rad
        That mean slope error: an error of the cone angle common to all reflectors.
    described
        Its fit.
    """

    stage: str
    mean_rad: float
    described: Described

    @property
    def chi_square(self) -> float:
        """Sum of squared residuals of its fit."""
        return self.described.mixture.chi_square


@dataclass(frozen=True, kw_only=True)
class ConeError:
    """A mean error of the cones that other measurements of the mirror allow.

    Parameters
    ----------
    stage
        Which stage has it, ``none`` for neither.
    mean_rad
        Its size.
    weight
        How likely those measurements make it.
    """

    stage: str
    mean_rad: float
    weight: float


@dataclass(frozen=True, kw_only=True)
class Surfaces:
    """What other measurements of the mirror tell of its surfaces.

    Parameters
    ----------
    cone_errors
        Mean errors that they allow.
    scatter_rad
        Standard deviation of the angle of scattered light.
    """

    cone_errors: tuple[ConeError, ...]
    scatter_rad: float


def with_mean(ladder: SlopeLadder, stage: str, mean_rad: float) -> SlopeLadder:
    """Return a ladder whose steps all have a mean error on one stage."""
    return replace(
        ladder,
        primary_mean_rad=mean_rad if stage == "primary" else 0.0,
        secondary_mean_rad=mean_rad if stage == "secondary" else 0.0,
    )


def fitted_families(
    rings: Sequence[MeasuredRings],
    ladder: SlopeLadder,
    progress: Callable[[int, int], None] | None = None,
) -> tuple[Family, ...]:
    """Describe the data without a mean error, and with one on either stage.

    Mean errors are tried on a coarse grid, in units of the scatter that the data show
    without one, and then finer and finer about the best of each stage, and about a second
    one that is about as good.
    """
    first = describe(rings, ladder)
    families = [_family(first, ("none", 0.0))]
    # The others begin about the center that this one has found.
    rings = first.rings
    for stage in STAGES:
        means = _COARSE * first.scatter_rad
        for _ in range(_FINER):
            families += [
                _family(describe(rings, with_mean(ladder, stage, mean)), (stage, mean))
                for mean in means.tolist()
            ]
            of_stage = sorted(
                (f for f in families if f.stage in (stage, "none")),
                key=lambda f: f.mean_rad,
            )
            least = _least_ones(np.array([f.chi_square for f in of_stage]), first)
            means = np.concatenate([_finer(of_stage, k) for k in least])
            if not means.size:
                break
        if progress is not None:
            progress(STAGES.index(stage) + 1, len(STAGES))
    return tuple(families)


def families_with(
    rings: Sequence[MeasuredRings],
    ladder: SlopeLadder,
    known: Sequence[ConeError],
    progress: Callable[[int, int], None] | None = None,
) -> tuple[tuple[Family, ...], np.ndarray]:
    """Describe the data with mean errors that are known already; returns weights too.

    Weights are those given, times how likely each makes these data.
    """
    families: list[Family] = []
    for one in known:
        mean = with_mean(ladder, one.stage, one.mean_rad)
        described = describe(rings, mean)
        families.append(_family(described, (one.stage, one.mean_rad)))
        # The others begin about the center that this one has found.
        rings = described.rings
        if progress is not None:
            progress(len(families), len(known))
    before = np.array([one.weight for one in known])
    weight = before * np.exp(-0.5 * _above(families))
    return tuple(families), weight / weight.sum()


def _least_ones(chi_square: np.ndarray, any_fit: Described) -> list[int]:
    """Where χ² is least, and where else it is about as low with higher values between.

    An image before its best focus looks much like one behind it, so that one distance
    is described by two mean errors apart from each other.
    """
    walled = np.concatenate([[np.inf], chi_square, [np.inf]])
    lower = (chi_square <= walled[:-2]) & (chi_square <= walled[2:])
    order = sorted(np.flatnonzero(lower).tolist(), key=lambda k: chi_square[k])
    freedom = any_fit.mixture.degrees_of_freedom
    misfit = max(chi_square.min() / freedom, 1.0)
    near = chi_square.min() + _AS_LOW * misfit
    return [k for k in order[:_MOST_LEAST] if chi_square[k] <= near]


def likelihoods(families: Sequence[Family]) -> np.ndarray:
    """Return the weight of every family: even mean errors, each stage counting half.

    ``exp(-χ²/2)`` times the stretch of mean error that a family stands for; where not even
    the best describes the data, χ² is divided by the best χ² a degree of freedom
    (Birge 1932, Phys. Rev. 40, 207), so that the spread grows with the misfit.
    """
    above = _above(families)
    weight = np.zeros(len(families))
    for stage in STAGES:
        members = [k for k, f in enumerate(families) if f.stage in (stage, "none")]
        members.sort(key=lambda k: families[k].mean_rad)
        means = np.array([families[k].mean_rad for k in members])
        weight[members] += _integrals(means, above[members])
    return weight / weight.sum()


def _above(families: Sequence[Family]) -> np.ndarray:
    """Return how far each χ² is above the least, for a likelihood of ``exp(-above/2)``."""
    chi = np.array([f.chi_square for f in families])
    best = int(np.argmin(chi))
    freedom = families[best].described.mixture.degrees_of_freedom
    return (chi - chi[best]) / max(chi[best] / freedom, 1.0)


def _integrals(means: np.ndarray, above: np.ndarray) -> np.ndarray:
    """Integrals of ``exp(-above/2)``, shared between the means on either side.

    Means lie densely where χ² is least, and far apart elsewhere: between them χ² is taken
    as a smooth curve without turns of its own.
    """
    if means.size == 1:
        return np.ones(1)
    curve = PchipInterpolator(means, above)
    integrals = np.zeros(means.size)
    part = (np.arange(_PARTS) + 0.5) / _PARTS
    for k, gap in enumerate(np.diff(means)):
        chance = np.exp(-0.5 * curve(means[k] + gap * part)) * gap / _PARTS
        integrals[k] += chance @ (1 - part)
        integrals[k + 1] += chance @ part
    return integrals


def _family(described: Described, choice: tuple[str, float]) -> Family:
    """One family, without what was only needed to fit it."""
    rings = tuple(replace(one, seen=()) for one in described.rings)
    stage, mean_rad = choice
    return Family(stage=stage, mean_rad=mean_rad, described=replace(described, rings=rings))


def _finer(of_stage: Sequence[Family], best: int) -> np.ndarray:
    """Means about the best: where a parabola has its least, as far as χ² tells them apart.

    Thirds of the way to either neighbour where χ² hardly changes between them; none where
    means lie dense enough.
    """
    near = of_stage[max(best - 1, 0) : best + 2]
    means = np.array([f.mean_rad for f in near])
    if len(near) == 3:
        curvature, slope, _ = np.polyfit(means - means[1], [f.chi_square for f in near], 2)
        fit = of_stage[best].described.mixture
        misfit = max(fit.chi_square / fit.degrees_of_freedom, 1.0)
        sigma = math.sqrt(misfit / max(curvature, 1e-300))
        if np.diff(means).max() < _DENSE * sigma:
            return np.empty(0)
        if sigma < np.diff(means).max() / 3:
            least = np.clip(means[1] - slope / 2 / curvature, means[0], means[2])
            return least + sigma * _ABOUT_LEAST
    here = of_stage[best].mean_rad
    return np.concatenate(
        [here + (side - here) * np.array([1 / 3, 2 / 3]) for side in means if side != here]
    )
