"""Non-negative least squares from normal equations, fast enough for thousands of fits."""

import numpy as np
from numba import njit


def solve_nonnegative(
    gram: np.ndarray, projections: np.ndarray, start: np.ndarray | None = None
) -> np.ndarray:
    """Return the non-negative x with the least ``xᵀ G x - 2 bᵀ x``.

    Active sets as of Lawson & Hanson 1974 (Solving Least Squares Problems, chapter 23) on
    the normal equations (Bro & de Jong 1997, J. Chemom. 11, 393). The same input gives
    the same bytes, whatever the number of threads.

    Parameters
    ----------
    gram
        ``G = AᵀA``, shape (n, n); may be singular.
    projections
        ``b = Aᵀy``, shape (n,).
    start
        Where positive entries are taken to be at first; none when None.
    """
    size = np.sqrt(np.maximum(np.diag(gram), 1e-300))
    scaled = np.ascontiguousarray(gram / size / size[:, None])
    scaled[np.diag_indices_from(scaled)] += 1e-10
    used = np.zeros(size.size, dtype=np.bool_) if start is None else start > 0
    return _active_set(scaled, projections / size, used) / size


def solve_many(gram: np.ndarray, projections: np.ndarray, start: np.ndarray) -> np.ndarray:
    """Solve for many right-hand sides, shape (problems, n), all from one start."""
    size = np.sqrt(np.maximum(np.diag(gram), 1e-300))
    scaled = np.ascontiguousarray(gram / size / size[:, None])
    scaled[np.diag_indices_from(scaled)] += 1e-10
    return _each(scaled, projections / size, start > 0) / size


@njit(cache=True, nogil=True)
def _each(gram: np.ndarray, projections: np.ndarray, used: np.ndarray) -> np.ndarray:
    solved = np.empty_like(projections)
    for k in range(projections.shape[0]):
        solved[k] = _active_set(gram, projections[k], used.copy())
    return solved


@njit(cache=True, nogil=True)
def _solve(gram: np.ndarray, b: np.ndarray, used: np.ndarray) -> np.ndarray:
    """Solve for the entries in use, by Cholesky; zero elsewhere."""
    index = np.nonzero(used)[0]
    k = index.size
    lower = np.zeros((k, k))
    y = np.zeros(k)
    for i in range(k):
        for j in range(i + 1):
            total = gram[index[i], index[j]]
            for m in range(j):
                total -= lower[i, m] * lower[j, m]
            if i == j:
                lower[i, i] = np.sqrt(max(total, 1e-14))
            else:
                lower[i, j] = total / lower[j, j]
        total = b[index[i]]
        for m in range(i):
            total -= lower[i, m] * y[m]
        y[i] = total / lower[i, i]
    x = np.zeros(b.size)
    for i in range(k - 1, -1, -1):
        total = y[i]
        for m in range(i + 1, k):
            total -= lower[m, i] * x[index[m]]
        x[index[i]] = total / lower[i, i]
    return x


@njit(cache=True, nogil=True)
def _active_set(gram: np.ndarray, b: np.ndarray, used: np.ndarray) -> np.ndarray:
    n = b.size
    x = np.zeros(n)
    scale = np.max(np.abs(b))
    if used.any():
        x = np.maximum(_solve(gram, b, used), 0.0)
        used[:] = x > 0
    for _ in range(3 * n):
        # Make the entries in use optimal and not negative.
        while True:
            trial = _solve(gram, b, used)
            step = 1.0
            for i in range(n):
                if used[i] and trial[i] <= 0.0:
                    step = min(step, x[i] / (x[i] - trial[i] + 1e-300))
            x = x + step * (trial - x)
            if step >= 1.0:
                break
            for i in range(n):
                if used[i] and (trial[i] <= 0.0 and x[i] <= 1e-12 * scale):
                    used[i] = False
                    x[i] = 0.0
        best, gain = -1, 1e-9 * scale
        for i in range(n):
            if not used[i]:
                slope = b[i]
                for j in range(n):
                    if used[j]:
                        slope -= gram[i, j] * x[j]
                if slope > gain:
                    best, gain = i, slope
        if best < 0:
            return x
        used[best] = True
    return x
