"""How finely slope errors are told apart: steps of a ladder, and intervals of a table."""

import math

import numpy as np

from beamreduce.errors import SettingsError
from beamreduce.raytrace.meridian import ErrorGrid


def ladder_steps(slope_rad: float) -> tuple[float, ...]:
    """Return steps about a slope error, from a fifth of it to eight times it.

    Within a factor of two each step is 1.2 times the one before, so that a normal law
    half way between two steps is described well enough for a million photons (with 1.4
    it is not: chi-square 222 for 173, HPD 0.16 % low); beyond, 1.45 times.
    """
    if not slope_rad > 0:
        raise SettingsError(f"slope_rad must be above zero; got {slope_rad}")
    near = np.geomspace(0.5, 2.0, 9)
    small = np.geomspace(0.2, 0.5, 4)[:-1]
    large = np.geomspace(2.0, 8.0, 5)[1:]
    return tuple((slope_rad * np.concatenate([small, near, large])).tolist())


def error_edges(largest_rad: float, smallest_rad: float, count: int = 240) -> np.ndarray:
    """Return edges of primary-error intervals out to five times the largest step.

    Intervals grow in proportion to the error beyond a third of the smallest step.
    """
    fine = smallest_rad / 3
    reach = math.asinh(5 * largest_rad / (fine * count / 12))
    spread = np.sinh(np.linspace(-reach, reach, count + 1))
    return spread / spread[-1] * 5 * largest_rad


def error_grid(steps_rad: tuple[float, ...], count: int = 240) -> ErrorGrid:
    """Return intervals and limits of slope error for a ladder of steps.

    Rays that need a secondary error of more than twice the middle step to get out at all
    are left out.
    """
    middle = steps_rad[len(steps_rad) // 2]
    low = np.geomspace(5 * steps_rad[-1], 0.25 * middle, 10)
    high = np.linspace(0.0, 2 * middle, 7)
    return ErrorGrid(
        primary_rad=error_edges(steps_rad[-1], steps_rad[0], count),
        limit_rad=np.concatenate([-low, high]),
    )
