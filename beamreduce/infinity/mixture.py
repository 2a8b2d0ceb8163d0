"""The mixture of slope errors that describes measured rings: least squares, no minus."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from beamreduce.errors import MeasurementError
from beamreduce.infinity.nonnegative import solve_many, solve_nonnegative

_ROUNDS = 12
_SETTLED = 1e-6


@dataclass(frozen=True, kw_only=True)
class RingData:
    """Net photons of one measurement in rings, and what each pair of errors would give.

    Parameters
    ----------
    photons
        Net photons in each ring, shape (rings,).
    covariance
        Their covariance, shape (rings, rings).
    columns
        What each pair of slope errors puts into the rings, in mm² of effective area,
        shape (rings, pairs).
    """

    photons: np.ndarray
    covariance: np.ndarray
    columns: np.ndarray


@dataclass(frozen=True, kw_only=True)
class Mixture:
    """Shares of the pairs of slope errors.

    Parameters
    ----------
    weights
        Share of each pair, shape (pairs,), not below zero, sum 1.
    photons_per_mm2
        Photons that each measurement has for a mm² of effective area, shape
        (measurements,); nothing is assumed of them.
    chi_square
        Sum of squared independent residuals.
    degrees_of_freedom
        Rings less measurements less pairs in use, plus one for their sum.
    residuals
        Independent residuals of each measurement, in standard deviations.
    """

    weights: np.ndarray
    photons_per_mm2: np.ndarray
    chi_square: float
    degrees_of_freedom: int
    residuals: tuple[np.ndarray, ...]


@dataclass(frozen=True, kw_only=True)
class Whitened:
    """Measurements in units of their independent errors, ready to be fitted many times.

    Parameters
    ----------
    factors
        Inverse Cholesky factor of each covariance.
    columns
        Whitened columns of each measurement, shape (rings, pairs).
    grams
        ``columnsᵀ columns`` of each, shape (pairs, pairs).
    cost
        What is added to chi-square when all light is in a pair, shape (pairs,); decides
        between mixtures that the measurements do not tell apart.
    """

    factors: tuple[np.ndarray, ...]
    columns: tuple[np.ndarray, ...]
    grams: tuple[np.ndarray, ...]
    cost: np.ndarray


def whiten(data: Sequence[RingData], cost: np.ndarray | None = None) -> Whitened:
    """Turn ring errors into independent errors of unit size.

    Parameters
    ----------
    data
        Measurements of one configuration.
    cost
        Cost of each pair, see :class:`Whitened`; none when None.

    Raises
    ------
    MeasurementError
        When a covariance is not positive definite: rings without photons or noise.
    """
    factors = []
    for one in data:
        try:
            factor = np.linalg.cholesky(one.covariance)
        except np.linalg.LinAlgError:
            raise MeasurementError(
                "the rings have no positive definite covariance; expected noise in every "
                "ring; join rings with few photons"
            ) from None
        factors.append(np.linalg.inv(factor))
    columns = tuple(f @ one.columns for f, one in zip(factors, data, strict=True))
    return Whitened(
        factors=tuple(factors),
        columns=columns,
        grams=tuple(c.T @ c for c in columns),
        cost=np.zeros(columns[0].shape[1]) if cost is None else cost,
    )


def fit_mixture(whitened: Whitened, photons: Sequence[np.ndarray]) -> Mixture:
    """Find the mixture that describes all measurements of one configuration at once.

    The shares of slope errors are common; how many photons a measurement has a mm² is its
    own, and nothing is assumed of it.

    Parameters
    ----------
    whitened
        From :func:`whiten`.
    photons
        Net photons in the rings of each measurement.

    Raises
    ------
    MeasurementError
        When no mixture gives any light where the photons are.
    """
    white = [f @ p for f, p in zip(whitened.factors, photons, strict=True)]
    weights, scale = solve_mixture(whitened, white)
    residuals = tuple(
        w - s * (c @ weights)
        for w, s, c in zip(white, scale, whitened.columns, strict=True)
    )
    total = weights.sum()
    used = int(np.count_nonzero(weights))
    return Mixture(
        weights=weights / total,
        photons_per_mm2=scale * total,
        chi_square=float(sum((r**2).sum() for r in residuals)),
        degrees_of_freedom=max(sum(r.size for r in residuals) - len(white) - used + 1, 1),
        residuals=residuals,
    )


def solve_mixture(
    whitened: Whitened, white: Sequence[np.ndarray], start: np.ndarray | None = None
) -> tuple[np.ndarray, np.ndarray]:
    """Return weights (not normalised) and photons a mm² that describe whitened photons.

    Given the photons a mm² the shares are a non-negative least squares problem. Each round
    lets the photons a mm² of all measurements but the first follow the shares to first
    order (Gauss–Newton on them, by projecting out what a change of theirs would do), so
    that a few rounds do.

    Parameters
    ----------
    whitened
        From :func:`whiten`.
    white
        Photons in units of their independent errors.
    start
        Weights to start from; None to start from nothing.
    """
    projections = [c.T @ w for c, w in zip(whitened.columns, white, strict=True)]
    pairs = list(zip(whitened.grams, projections, strict=True))
    if start is None or not start.any():
        scale = np.array([p.max() / g.diagonal().max() for g, p in pairs])
        weights = _shares(pairs, scale, whitened.cost, None, None)
    else:
        weights = start
    scale = _scale(pairs, weights)
    for _ in range(_ROUNDS):
        weights = _shares(pairs, scale, whitened.cost, weights, weights)
        new = _scale(pairs, weights)
        settled = np.max(np.abs(new / new[0] * scale[0] / scale - 1)) < _SETTLED
        scale = new
        if settled:
            break
    return weights, scale


def refit_near(
    whitened: Whitened, mixture: Mixture, white: Sequence[np.ndarray]
) -> np.ndarray:
    """Return the weights that describe photons not far from those of a mixture.

    Photons a mm² follow the shares to first order about the mixture's own, so that every
    set of photons is one non-negative least squares problem with the same normal equations.

    Parameters
    ----------
    whitened
        From :func:`whiten`.
    mixture
        The fit that the photons are near to.
    white
        For each measurement, photons in units of independent errors, (sets, rings).

    Returns
    -------
    numpy.ndarray
        Weights, not normalised, shape (sets, pairs).
    """
    pairs = [(g, w @ c) for g, c, w in
             zip(whitened.grams, whitened.columns, white, strict=True)]  # fmt: skip
    scale = mixture.photons_per_mm2
    gram, target = _normal_equations(pairs, scale, whitened.cost, mixture.weights)
    return solve_many(gram, np.atleast_2d(target), mixture.weights)


def _shares(
    pairs: Sequence[tuple[np.ndarray, np.ndarray]],
    scale: np.ndarray,
    cost: np.ndarray,
    about: np.ndarray | None,
    start: np.ndarray | None,
) -> np.ndarray:
    """Fit shares; photons a mm² follow them to first order about given ones."""
    weights = solve_nonnegative(*_normal_equations(pairs, scale, cost, about), start)
    if not weights.any():
        raise MeasurementError("no mixture of slope errors describes the rings")
    return weights


def _normal_equations(
    pairs: Sequence[tuple[np.ndarray, np.ndarray]],
    scale: np.ndarray,
    cost: np.ndarray,
    about: np.ndarray | None,
) -> tuple[np.ndarray, np.ndarray]:
    """Gram matrix and projections (..., pairs) for shares common to all measurements.

    Costs, of shares whose sum is that of given ones, are linear: they lower projections.
    """
    gram = scale[0] ** 2 * pairs[0][0]
    target = scale[0] * pairs[0][1]
    for s, (g, p) in zip(scale[1:], pairs[1:], strict=True):
        gram = gram + s * s * g
        target = target + s * p
        if about is not None:
            light = g @ about
            norm = about @ light
            gram -= np.outer(s * light, s * light / norm)
            target = target - (p @ about)[..., None] * (s * light / norm)
    if about is not None:
        target = target - cost / (2 * about.sum())
    return gram, target


def _scale(
    pairs: Sequence[tuple[np.ndarray, np.ndarray]], weights: np.ndarray
) -> np.ndarray:
    """Photons a mm² of each measurement, given shares."""
    scale = [(weights @ p) / (weights @ g @ weights) for g, p in pairs]
    return np.maximum(scale, 1e-300)
