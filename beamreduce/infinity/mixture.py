"""The mixture of slope errors that describes measured rings: least squares, no minus."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from beamreduce.errors import MeasurementError
from beamreduce.infinity.nonnegative import solve_nonnegative

_ROUNDS = 40
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
    """

    factors: tuple[np.ndarray, ...]
    columns: tuple[np.ndarray, ...]
    grams: tuple[np.ndarray, ...]


def whiten(data: Sequence[RingData]) -> Whitened:
    """Turn ring errors into independent errors of unit size.

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
    )


def fit_mixture(whitened: Whitened, photons: Sequence[np.ndarray]) -> Mixture:
    """Find the mixture that describes all measurements of one configuration at once.

    The shares of slope errors are common; how many photons a measurement has a mm² is its
    own. Both are linear given the other, so they are fitted in turn until they stand still;
    the shares by non-negative least squares.

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
    projections = [c.T @ w for c, w in zip(whitened.columns, white, strict=True)]
    weights = np.zeros(whitened.columns[0].shape[1])
    scale = np.array([p.max() / g.diagonal().max() for p, g in
                      zip(projections, whitened.grams, strict=True)])  # fmt: skip
    for _ in range(_ROUNDS):
        gram = sum(s * s * g for s, g in zip(scale, whitened.grams, strict=True))
        target = sum(s * p for s, p in zip(scale, projections, strict=True))
        weights = solve_nonnegative(gram, target, weights)
        if not weights.any():
            raise MeasurementError("no mixture of slope errors describes the rings")
        new = np.array([
            (weights @ p) / (weights @ g @ weights)
            for g, p in zip(whitened.grams, projections, strict=True)
        ])  # fmt: skip
        settled = np.max(np.abs(new / scale - 1)) < _SETTLED
        scale = np.maximum(new, 1e-300)
        if settled or len(white) == 1:
            break
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
