"""Families of slope errors, and what the choice among them leaves open."""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy.interpolate import PchipInterpolator
from scipy.stats import chi2

from beamreduce.infinity.fold import Described, MeasuredRings, describe
from beamreduce.infinity.slope_ladder import SlopeLadder

ACCEPTED = 0.001  # chance of a larger chi-square below which a fit is not accepted
# Mean errors at first, of the scatter.
_COARSE = np.outer([-1, 1], [0.25, 0.5, 0.8, 1.2, 1.6, 2.0]).ravel()
_AS_LOW, _MOST_LEAST = 30.0, 2  # of χ² where the best fits; how many are followed
_FINER = 5
_ABOUT_LEAST = np.array([-1.5, -0.5, 0.5, 1.5])  # standard deviations
_DENSE = 1.1  # of a standard deviation from one mean to the next: dense enough
_PARTS = 64
STAGES = ("primary", "secondary")
# Stage, and whether reflectors err either way rather than all alike.
Kind = tuple[str, bool]
ALIKE: tuple[Kind, ...] = tuple((stage, False) for stage in STAGES)
EITHER: tuple[Kind, ...] = tuple((stage, True) for stage in STAGES)


@dataclass(frozen=True, kw_only=True)
class Family:
    """One family fitted to the data.

    Parameters
    ----------
    stage
        Which stage has a mean error, ``none`` for neither.
    mean_rad
        That mean slope error: an error of the cone angle common to all reflectors.
    either_rad
        Size of mean errors that half of the reflectors have, the other half the opposite.
    described
        Its fit.
    """

    stage: str
    mean_rad: float
    described: Described
    either_rad: float = 0.0

    @property
    def size_rad(self) -> float:
        """The mean error, common or of either sign."""
        return self.mean_rad or self.either_rad

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
    either_sign
        Half of the reflectors have it, the other half the opposite.
    """

    stage: str
    mean_rad: float
    weight: float
    either_sign: bool = False


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


def with_mean(
    ladder: SlopeLadder, stage: str, mean_rad: float, *, either_sign: bool = False
) -> SlopeLadder:
    """Return a ladder whose steps all have a mean error on one stage."""
    return replace(
        ladder,
        either_sign=either_sign,
        primary_mean_rad=mean_rad if stage == "primary" else 0.0,
        secondary_mean_rad=mean_rad if stage == "secondary" else 0.0,
    )


def fitted_families(
    rings: Sequence[MeasuredRings],
    ladder: SlopeLadder,
    progress: Callable[[int, int], None] | None = None,
    kinds: Sequence[Kind] = ALIKE,
) -> tuple[Family, ...]:
    """Describe the data without a mean error, and with one of each kind.

    Mean errors are tried on a coarse grid, in units of the scatter that the data show
    without one, and then finer and finer about the best of each kind, and about a second
    one that is about as good.

    Parameters
    ----------
    rings, ladder
        The data, and the ladder without a mean error.
    progress
        Called with what is done, and of how many parts.
    kinds
        Stage that errs, and whether reflectors err either way rather than all alike.
    """
    first = describe(rings, ladder)
    families = [_family(first, ConeError(stage="none", mean_rad=0.0, weight=0.0))]
    # The others begin about the center that this one has found.
    rings = first.rings
    for done, (stage, either) in enumerate(kinds, start=1):
        means = _COARSE * first.scatter_rad
        for _ in range(_FINER):
            cones = [
                ConeError(stage=stage, mean_rad=mean, weight=0.0, either_sign=either)
                for mean in (sorted(set(np.abs(means))) if either else means.tolist())
            ]
            families += [_described_with(rings, ladder, cone) for cone in cones]
            members = [f for f in families if _belongs(f, stage, either)]
            members.sort(key=lambda f: f.size_rad)
            least = _least_ones(np.array([f.chi_square for f in members]), first)
            means = np.concatenate([_finer(members, k) for k in least])
            if not means.size:
                break
        if progress is not None:
            progress(done, len(kinds))
    return tuple(families)


def _belongs(family: Family, stage: str, either: bool) -> bool:
    """True for a mean error of one kind on one stage, and for none."""
    if family.stage == "none":
        return True
    return family.stage == stage and bool(family.either_rad) == either


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
        described = _describe(rings, ladder, one)
        families.append(_family(described, one))
        # The others begin about the center that this one has found.
        rings = described.rings
        if progress is not None:
            progress(len(families), len(known))
    before = np.array([one.weight for one in known])
    weight = before * np.exp(-0.5 * above_least(families))
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


def likelihoods(families: Sequence[Family], lumps: float = 1.0) -> np.ndarray:
    """Return the weight of every family: even mean errors, each stage counting half.

    ``exp(-χ²/2)`` times the stretch of mean error that a family stands for; where not even
    the best describes the data, χ² is divided by the best χ² a degree of freedom
    (Birge 1932, Phys. Rev. 40, 207), so that the spread grows with the misfit.

    Where errors of either sign were tried, they and errors common to all count half each as
    long as each describes the data: what tells them apart by χ² is as small as what a
    limited number of reflectors, each with an error of its own, does to the rings.

    Parameters
    ----------
    families
        All that were tried.
    lumps
        χ² a degree of freedom up to which errors of either sign describe the data, for the
        photons that one reflector sends into a ring come together.
    """
    alike = _of_kinds(families, ALIKE)
    if not any(f.either_rad for f in families):
        return alike
    either = _of_kinds(families, EITHER)
    of_all, of_either = (
        min(
            (f.described.mixture for f in families if not f.size_rad or one(f)),
            key=lambda mixture: mixture.chi_square,
        )
        for one in (lambda f: not f.either_rad, lambda f: bool(f.either_rad))
    )
    common = chi2.sf(of_all.chi_square, of_all.degrees_of_freedom) >= ACCEPTED
    apart = of_either.chi_square <= lumps * of_either.degrees_of_freedom
    if common == apart:
        return (alike + either) / 2
    return alike if common else either


def _of_kinds(families: Sequence[Family], kinds: Sequence[Kind]) -> np.ndarray:
    """Weights of the families of some kinds, 0 for others; a kind not tried has none."""
    weight = np.zeros(len(families))
    groups = [
        [k for k, f in enumerate(families) if _belongs(f, stage, either)]
        for stage, either in kinds
        if any((f.stage, bool(f.either_rad)) == (stage, either) for f in families)
    ]
    own = sorted(set().union(*groups))
    above = np.full(len(families), np.inf)
    above[own] = above_least([families[k] for k in own])
    for members in groups:
        members.sort(key=lambda k: families[k].size_rad)
        means = np.array([families[k].size_rad for k in members])
        weight[members] += _integrals(means, above[members])
    return weight / weight.sum()


def above_least(families: Sequence[Family]) -> np.ndarray:
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


def _describe(
    rings: Sequence[MeasuredRings], ladder: SlopeLadder, cone: ConeError
) -> Described:
    mean = with_mean(ladder, cone.stage, cone.mean_rad, either_sign=cone.either_sign)
    return describe(rings, mean)


def _described_with(
    rings: Sequence[MeasuredRings], ladder: SlopeLadder, cone: ConeError
) -> Family:
    return _family(_describe(rings, ladder, cone), cone)


def _family(described: Described, cone: ConeError) -> Family:
    """One family, without what was only needed to fit it."""
    rings = tuple(replace(one, seen=()) for one in described.rings)
    return Family(
        stage=cone.stage,
        mean_rad=0.0 if cone.either_sign else cone.mean_rad,
        either_rad=cone.mean_rad if cone.either_sign else 0.0,
        described=replace(described, rings=rings),
    )


def _finer(of_stage: Sequence[Family], best: int) -> np.ndarray:
    """Means about the best: where a parabola has its least, as far as χ² tells them apart.

    Thirds of the way to either neighbour where χ² hardly changes between them; none where
    means lie dense enough.
    """
    near = of_stage[max(best - 1, 0) : best + 2]
    means = np.array([f.size_rad for f in near])
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
    here = of_stage[best].size_rad
    return np.concatenate(
        [here + (side - here) * np.array([1 / 3, 2 / 3]) for side in means if side != here]
    )
