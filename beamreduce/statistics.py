"""Counting intervals, ratios and resampling."""

from statistics import NormalDist

import numpy as np
from numba import njit

from beamreduce.errors import SettingsError

# Half-power diameter, in standard deviations, of a normal law along each azimuth.
IN_PLANE_HPD = 2 * NormalDist().inv_cdf(0.75)
_DROPPED = 1e-6  # of the largest variance


def poisson_interval(
    counts: np.ndarray | float, *, sigma: float = 1.0
) -> tuple[np.ndarray, np.ndarray]:
    """Return the central confidence interval of a Poisson mean, given the counts seen.

    Exact limits, quantiles of the gamma law (Garwood 1936; Gehrels 1986, ApJ 303, 336,
    eqs. 1, 2): each tail holds what a normal law holds beyond ``sigma``.

    Parameters
    ----------
    counts
        Counts seen, not below zero.
    sigma
        Half-width in units of the normal law's standard deviation.
    """
    from scipy.special import (  # noqa: PLC0415 - slow import, seldom needed
        gammainccinv,
        gammaincinv,
        ndtr,
    )

    n = np.asarray(counts, dtype=float)
    if np.any(n < 0) or not np.all(np.isfinite(n)):
        raise SettingsError("counts must be finite and not below zero")
    tail = ndtr(-sigma)
    lower = np.where(n > 0, gammaincinv(np.where(n > 0, n, 1.0), tail), 0.0)
    upper = gammainccinv(n + 1, tail)
    return lower, upper


def ratio_with_uncertainty(
    numerator: tuple[float, float], denominator: tuple[float, float]
) -> tuple[float, float]:
    """Return a ratio and its standard uncertainty from (value, uncertainty) pairs.

    First-order propagation for independent quantities (JCGM 100:2008, 5.1.2).
    """
    (a, sa), (b, sb) = numerator, denominator
    if b == 0:
        raise SettingsError("the denominator of a ratio must not be zero")
    ratio = a / b
    return ratio, float(np.hypot(sa / b, ratio * sb / b))


def correlated_normals(
    covariance: np.ndarray, draws: int, rng: np.random.Generator
) -> np.ndarray:
    """Draw vectors with mean zero and a given covariance, shape (draws, n).

    The covariance may be singular, and by noise slightly indefinite: directions with
    less than a millionth of the largest variance are not drawn. The arithmetic does not
    depend on the number of threads, so the same generator gives the same numbers.

    Notes
    -----
    Cholesky factor with the largest remaining variance taken first (Higham 2002, Accuracy
    and Stability of Numerical Algorithms, section 10.3): without that order a singular
    covariance gives a useless factor.
    """
    factor = _factor(np.ascontiguousarray(covariance))
    normals = rng.standard_normal((draws, factor.shape[0]))
    vectors = np.zeros((draws, covariance.shape[0]))
    _multiply(factor, normals, vectors)
    return vectors


@njit(cache=True, nogil=True)
def _factor(covariance: np.ndarray) -> np.ndarray:
    """Rows ``f`` with ``Σ f fᵀ`` = covariance, shape (rank, n)."""
    n = covariance.shape[0]
    rows = np.zeros((n, n))
    left = np.diag(covariance).copy()
    least = _DROPPED * left.max()
    for rank in range(n):
        pivot = np.argmax(left)
        if left[pivot] <= least:
            return rows[:rank]
        root = np.sqrt(left[pivot])
        row = covariance[pivot].copy()
        for k in range(rank):
            if rows[k, pivot] != 0.0:
                row -= rows[k, pivot] * rows[k]
        row /= root
        rows[rank] = row
        left -= row * row
        left[pivot] = 0.0
    return rows


@njit(cache=True, nogil=True)
def _multiply(factor: np.ndarray, normals: np.ndarray, vectors: np.ndarray) -> None:
    rank, n = factor.shape
    for k in range(rank):
        first, last = 0, n
        while factor[k, first] == 0.0:
            first += 1
        while factor[k, last - 1] == 0.0:
            last -= 1
        for draw in range(vectors.shape[0]):
            for i in range(first, last):
                vectors[draw, i] += normals[draw, k] * factor[k, i]


def poisson_ratio_interval(
    numerator: float, denominator: float, *, sigma: float = 1.0
) -> tuple[float, float]:
    """Return the central confidence interval of the ratio of two Poisson means.

    Given their sum, the first count is binomial with share ``p = ρ/(1 + ρ)``; the limits
    are those of Clopper & Pearson 1934, Biometrika 26, 404 (quantiles of the beta law;
    Przyborowski & Wilenski 1940, Biometrika 31, 313, condition on the sum; from memory).
    Counts need not be whole: net counts enter as the number that has their relative
    uncertainty.

    Parameters
    ----------
    numerator, denominator
        Counts seen, not below zero.
    sigma
        Half-width in units of the normal law's standard deviation.

    Raises
    ------
    SettingsError
        When a count is below zero or both are zero.
    """
    from scipy.special import betaincinv, ndtr  # noqa: PLC0415 - slow import

    a, b = float(numerator), float(denominator)
    if not (a >= 0 and b >= 0 and a + b > 0 and np.isfinite(a + b)):
        raise SettingsError(
            f"counts must not be below zero, nor both be zero; got {a}, {b}"
        )
    tail = ndtr(-sigma)
    low = betaincinv(a, b + 1, tail) if a > 0 else 0.0
    high = betaincinv(a + 1, b, 1 - tail) if b > 0 else 1.0
    return float(low / (1 - low)), float(high / (1 - high)) if high < 1 else np.inf
