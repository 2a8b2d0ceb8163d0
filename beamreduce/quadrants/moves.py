"""Steps of adjusters that make images coincide: bounded least squares in whole steps.

What is minimised is the squared distance of every image from where it is wanted, in units
of a tolerance, plus the squared moves in units of the adjuster's whole travel. The second
part decides only where the first leaves it open: of all moves that do as well, the least.
Displacements that the data cannot tell from something else (common to all images) cost
nothing and are left alone.
"""

import itertools
from dataclasses import dataclass

import numpy as np
from numba import njit
from scipy.optimize import lsq_linear

from beamreduce.quadrants.displacements import left_over

_MOST_NODES = 30_000_000
_BARELY = 1e-12


@dataclass(frozen=True, kw_only=True)
class Aim:
    """What moves shall do.

    Parameters
    ----------
    displaced
        Displacement of the images in units of the tolerance, shape (numbers,).
    effect
        What one step of each adjuster adds to it, (numbers, adjusters).
    free
        Displacements that are left alone, (numbers, directions); may have none.
    lower, upper
        Fewest and most whole steps, (adjusters,).
    travel_steps
        Whole travel of each adjuster in steps, (adjusters,).
    """

    displaced: np.ndarray
    effect: np.ndarray
    free: np.ndarray
    lower: np.ndarray
    upper: np.ndarray
    travel_steps: np.ndarray


@dataclass(frozen=True, kw_only=True)
class Moves:
    """Steps, and what they leave.

    Parameters
    ----------
    steps
        Whole steps of each adjuster, (adjusters,).
    exact_steps
        Where whole steps do not matter, within travel.
    residual
        What is left of the displacement, less what is left alone, (numbers,).
    cost
        What was minimised.
    proven
        True when no other whole steps within travel cost less.
    """

    steps: np.ndarray
    exact_steps: np.ndarray
    residual: np.ndarray
    cost: float
    proven: bool


def best_moves(aim: Aim) -> Moves:
    """Find the whole steps within travel that cost least.

    Bounded least squares without whole steps first (bounded-variable least squares, Stark
    & Parker 1995, Computational Statistics 10, 129); from the nearest whole steps, changes
    of one or two adjusters for as long as they help; then a search through whole steps
    from the nearest outwards, cut off where a part of them costs more than the best whole
    set so far (Schnorr & Euchner 1994, Mathematical Programming 66, 181). References from
    memory.
    """
    project = left_over(aim.free)
    rows = np.vstack([project @ aim.effect, np.diag(1 / np.maximum(aim.travel_steps, 1.0))])
    wanted = np.concatenate([-project @ aim.displaced, np.zeros(aim.effect.shape[1])])
    open_ = aim.upper > aim.lower
    exact = np.clip(np.zeros(open_.size), aim.lower, aim.upper).astype(float)
    steps = exact.astype(int)
    proven = True
    if open_.any():
        rest = wanted - rows[:, ~open_] @ exact[~open_]
        bounds = aim.lower[open_].astype(float), aim.upper[open_].astype(float)
        exact[open_] = lsq_linear(rows[:, open_], rest, bounds, method="bvls", tol=1e-12).x
        low, high = (b.astype(int) for b in bounds)
        near = np.clip(np.rint(exact[open_]), low, high).astype(int)
        near = _improved(near, rows[:, open_], rest, (low, high))
        steps[open_], proven = _whole_steps(rows[:, open_], rest, (low, high), near)
    residual = project @ (aim.displaced + aim.effect @ steps)
    cost = float(np.sum((rows @ steps - wanted) ** 2))
    return Moves(
        steps=steps, exact_steps=exact, residual=residual, cost=cost, proven=proven
    )


def _improved(
    steps: np.ndarray,
    rows: np.ndarray,
    wanted: np.ndarray,
    bounds: tuple[np.ndarray, np.ndarray],
) -> np.ndarray:
    """Change one or two adjusters at a time by whole steps for as long as it helps."""
    low, high = bounds
    left = wanted - rows @ steps
    tries = [np.array(c) for c in itertools.product(range(-2, 3), repeat=2) if any(c)]
    better = True
    while better:
        better = False
        for one, two in itertools.combinations_with_replacement(range(steps.size), 2):
            pair = [one, two] if one != two else [one]
            for change in (c[: len(pair)] for c in tries):
                after = steps[pair] + change
                if np.any(after < low[pair]) or np.any(after > high[pair]):
                    continue
                then = left - rows[:, pair] @ change
                if then @ then < (left @ left) * (1 - _BARELY):
                    steps, left, better = steps.copy(), then, True
                    steps[pair] = after
    return steps


def _whole_steps(
    rows: np.ndarray,
    wanted: np.ndarray,
    bounds: tuple[np.ndarray, np.ndarray],
    near: np.ndarray,
) -> tuple[np.ndarray, bool]:
    """Least squares over whole numbers within bounds; False when the search was cut."""
    # The strongest last: it is fixed first, and bad starts are cut off soonest.
    order = np.argsort(np.linalg.norm(rows, axis=0))
    low, high = (b[order] for b in bounds)
    orthogonal, upper = np.linalg.qr(rows[:, order])
    found, nodes = _search(
        np.ascontiguousarray(upper), orthogonal.T @ wanted, (low, high), near[order]
    )
    steps = np.empty(order.size, dtype=int)
    steps[order] = found
    return steps, bool(nodes < _MOST_NODES)


@njit(cache=True)
def _search(
    upper: np.ndarray,
    target: np.ndarray,
    bounds: tuple[np.ndarray, np.ndarray],
    start: np.ndarray,
) -> tuple[np.ndarray, int]:
    """Depth first through whole numbers of a triangular system, nearest first.

    A branch ends where it costs as much as the best whole set so far: those further out
    on its level cost more.
    """
    low, high = bounds
    n = start.size
    best, now = start.copy(), np.zeros(n, dtype=np.int64)
    least = (1 + _BARELY) * np.sum((target - upper @ start.astype(np.float64)) ** 2)
    cost, rest, middle = np.zeros(n + 1), np.zeros(n), np.zeros(n)
    below, above = np.zeros(n, dtype=np.int64), np.zeros(n, dtype=np.int64)
    level, fresh, nodes = n - 1, True, 0
    while level < n and nodes < _MOST_NODES:
        if fresh:
            rest[level] = target[level]
            for k in range(level + 1, n):
                rest[level] -= upper[level, k] * now[k]
            size = upper[level, level]
            middle[level] = rest[level] / size if abs(size) > _BARELY else 0.0
            inside = min(max(middle[level], float(low[level])), float(high[level]))
            above[level] = int(np.rint(inside))
            below[level] = above[level] - 1
            fresh = False
        further, nearer = above[level] <= high[level], below[level] >= low[level]
        if not further and not nearer:
            level += 1
            continue
        if further and nearer:
            further = above[level] - middle[level] <= middle[level] - below[level]
        now[level] = above[level] if further else below[level]
        above[level] += 1 if further else 0
        below[level] -= 0 if further else 1
        nodes += 1
        here = cost[level + 1] + (rest[level] - upper[level, level] * now[level]) ** 2
        if here >= least:
            level += 1
        elif level == 0:
            best, least = now.copy(), here
            level += 1
        else:
            level -= 1
            cost[level + 1] = here
            fresh = True
    return best, nodes
