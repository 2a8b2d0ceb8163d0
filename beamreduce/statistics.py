"""Counting intervals, ratios and resampling."""

import numpy as np
from numba import njit
from scipy import stats

from beamreduce.errors import SettingsError


def poisson_interval(
    counts: np.ndarray | float, *, sigma: float = 1.0
) -> tuple[np.ndarray, np.ndarray]:
    """Return the central confidence interval of a Poisson mean, given the counts seen.

    Exact limits from chi-square quantiles (Garwood 1936; Gehrels 1986, ApJ 303, 336,
    eqs. 1, 2): each tail holds what a normal law holds beyond ``sigma``.

    Parameters
    ----------
    counts
        Counts seen, not below zero.
    sigma
        Half-width in units of the normal law's standard deviation.
    """
    n = np.asarray(counts, dtype=float)
    if np.any(n < 0) or not np.all(np.isfinite(n)):
        raise SettingsError("counts must be finite and not below zero")
    tail = stats.norm.sf(sigma)
    lower = np.where(n > 0, stats.chi2.ppf(tail, 2 * np.maximum(n, 1e-300)) / 2, 0.0)
    upper = stats.chi2.isf(tail, 2 * (n + 1)) / 2
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

    The covariance is factored column by column; directions whose variance is zero (or
    negative by rounding) are not drawn. The arithmetic does not depend on the number
    of threads, so the same generator gives the same numbers.
    """
    factor = np.zeros_like(covariance)
    _factor(np.ascontiguousarray(covariance), factor)
    normals = rng.standard_normal((draws, covariance.shape[0]))
    vectors = np.empty_like(normals)
    _multiply(factor, normals, vectors)
    return vectors


@njit(cache=True, nogil=True)
def _factor(covariance: np.ndarray, factor: np.ndarray) -> None:
    """Lower triangle ``F`` with ``F Fᵀ`` = covariance; zero columns where singular."""
    n = covariance.shape[0]
    first = np.zeros(n, dtype=np.int64)  # first entry of each row that is not zero
    for i in range(n):
        while first[i] < i and covariance[i, first[i]] == 0.0:
            first[i] += 1
        for j in range(first[i], i + 1):
            total = covariance[i, j]
            for k in range(max(first[i], first[j]), j):
                total -= factor[i, k] * factor[j, k]
            if i == j:
                factor[i, i] = np.sqrt(total) if total > 0 else 0.0
            elif factor[j, j] > 0.0:
                factor[i, j] = total / factor[j, j]


@njit(cache=True, nogil=True)
def _multiply(factor: np.ndarray, normals: np.ndarray, vectors: np.ndarray) -> None:
    n = factor.shape[0]
    first = np.zeros(n, dtype=np.int64)
    for i in range(n):
        while first[i] < i and factor[i, first[i]] == 0.0:
            first[i] += 1
    for draw in range(normals.shape[0]):
        for i in range(n):
            total = 0.0
            for k in range(first[i], i + 1):
                total += factor[i, k] * normals[draw, k]
            vectors[draw, i] = total
