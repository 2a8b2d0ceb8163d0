"""Where the center of the image is, and how large the image is about it."""

import math
from dataclasses import dataclass

import numpy as np
from numba import njit

from beamreduce.errors import MeasurementError


@dataclass(frozen=True, kw_only=True)
class Center:
    """A center in pixels and its standard uncertainty.

    Parameters
    ----------
    x, y
        Pixels; the first pixel has its center at (0, 0).
    x_uncertainty, y_uncertainty
        Statistical standard uncertainty in pixels.
    half_power_radius
        Radius in pixels about this center that holds half the net photons; how large the
        image is, for choosing rings.
    rule
        How it was found: ``centroid``, ``gaussian``, ``least_hpd`` or ``given``.
    xy_covariance
        Covariance of x and y in square pixels; 0 where the rule does not give it.
    """

    x: float
    y: float
    x_uncertainty: float
    y_uncertainty: float
    half_power_radius: float
    rule: str
    xy_covariance: float = 0.0

    @property
    def xy(self) -> tuple[float, float]:
        """Center as a pair."""
        return self.x, self.y


def largest_radius(shape: tuple[int, int], center_xy: tuple[float, float]) -> float:
    """Return the radius in pixels of the largest circle about a center inside the image."""
    ny, nx = shape
    x, y = center_xy
    return min(x + 0.5, nx - 0.5 - x, y + 0.5, ny - 0.5 - y)


def fitting_radius(
    shape: tuple[int, int], center_xy: tuple[float, float], reference_px: float | None
) -> float:
    """Return the reference radius, or the largest circle where that is smaller; pixels."""
    fits = max(largest_radius(shape, center_xy), 2.0)
    return fits if reference_px is None else min(reference_px, fits)


def half_power_radius(
    net: np.ndarray, center_xy: tuple[float, float], reference_px: float
) -> float:
    """Return the radius that holds half the net photons inside a reference radius.

    Quick form for centering, good to a fraction of a pixel, from
    :func:`growth_near_center`. The exact curve is in ``encircled_energy``.

    Raises
    ------
    MeasurementError
        When the net photons inside the reference radius are not above zero.
    """
    total = _sum_inside(net, *center_xy, reference_px)
    if not total > 0:
        raise MeasurementError(
            f"the net photons inside {reference_px:.1f} pixels about "
            f"({center_xy[0]:.1f}, {center_xy[1]:.1f}) are {total:.4g}; expected more "
            f"than zero; check that the beam was on and which background was taken off"
        )
    reach = min(16.0, reference_px)
    growth = growth_near_center(net, *center_xy, reach)
    while reach < reference_px and not np.any(growth >= total / 2):
        reach = min(2 * reach, reference_px)
        growth = growth_near_center(net, *center_xy, reach)
    step = reach / (growth.size - 1)
    k = int(np.argmax(growth >= total / 2))
    below = growth[k - 1]
    share = (total / 2 - below) / (growth[k] - below)
    return float(np.sqrt((k - 1) ** 2 + share * (2 * k - 1)) * step)


def rough_center(net: np.ndarray) -> tuple[float, float]:
    """Return the middle of the brightest part of an image, on a coarse grid.

    Blocks of pixels are summed and every block joined with its neighbours, so single
    bright pixels and sparse photons do not matter.
    """
    box = max(min(net.shape) // 32, 1)
    ny, nx = net.shape[0] // box, net.shape[1] // box
    blocks = net[: ny * box, : nx * box].reshape(ny, box, nx, box).sum(axis=(1, 3))
    padded = np.pad(blocks, 1)
    joined = sum(
        padded[1 + dy : 1 + dy + ny, 1 + dx : 1 + dx + nx]
        for dy in (-1, 0, 1)
        for dx in (-1, 0, 1)
    )
    y, x = np.unravel_index(int(np.argmax(joined)), joined.shape)
    return (x + 0.5) * box - 0.5, (y + 0.5) * box - 0.5


def given(
    net: np.ndarray, center_xy: tuple[float, float], *, reference_px: float | None = None
) -> Center:
    """Return a center that the user gave, with the size of the image about it."""
    x, y = float(center_xy[0]), float(center_xy[1])
    if not (math.isfinite(x + y) and largest_radius(net.shape, (x, y)) > 0):
        raise MeasurementError(
            f"the given center ({x:g}, {y:g}) lies outside the image of "
            f"{net.shape[1]} × {net.shape[0]} pixels"
        )
    return Center(
        x=x,
        y=y,
        x_uncertainty=0.0,
        y_uncertainty=0.0,
        half_power_radius=half_power_radius(
            net, (x, y), fitting_radius(net.shape, (x, y), reference_px)
        ),
        rule="given",
    )


@njit(cache=True, nogil=True, inline="always")
def pixels_within(center: float, reach: float, size: int) -> tuple[int, int]:
    """First and end index of the pixels whose centers lie within a reach of a center."""
    first = min(max(int(np.ceil(center - reach)), 0), size)
    return first, max(min(int(np.floor(center + reach)) + 1, size), first)


@njit(cache=True, nogil=True)
def growth_near_center(
    net: np.ndarray, x0: float, y0: float, reference: float
) -> np.ndarray:
    """Sum of the pixels inside equidistant radii from 0 to a reference radius.

    A pixel enters with a share that rises linearly over one pixel as its center comes
    inside, so the sums change without jumps as the center moves. The step is about a
    quarter of a pixel.
    """
    ny, nx = net.shape
    steps = int(np.ceil(4 * reference))
    step = reference / steps
    growth = np.zeros(steps + 1)
    reach = reference + 0.5
    for row in range(*pixels_within(y0, reach, ny)):
        half = np.sqrt(max(reach * reach - (row - y0) ** 2, 0.0))
        for column in range(*pixels_within(x0, half, nx)):
            start = np.hypot(column - x0, row - y0) - 0.5
            share = 0.0
            k = max(int(start / step), 0) + 1
            while share < 1.0 and k <= steps:
                before, share = share, min(max(k * step - start, 0.0), 1.0)
                growth[k] += (share - before) * net[row, column]
                k += 1
    return np.cumsum(growth)


@njit(cache=True, nogil=True, fastmath={"reassoc"})
def _sum_inside(net: np.ndarray, x0: float, y0: float, radius: float) -> float:
    """Last sum of :func:`growth_near_center` alone: whole runs where nothing is shared."""
    ny, nx = net.shape
    total = 0.0
    reach, whole = radius + 0.5, radius - 0.5
    for row in range(*pixels_within(y0, reach, ny)):
        dy = row - y0
        first, end = pixels_within(x0, np.sqrt(max(reach * reach - dy * dy, 0.0)), nx)
        run_first = run_end = first
        if abs(dy) < whole:
            run_first, run_end = pixels_within(x0, np.sqrt(whole * whole - dy * dy), nx)
        run = 0.0
        for column in range(run_first, run_end):
            run += net[row, column]
        for column in range(first, run_first):
            run += min(max(reach - np.hypot(column - x0, dy), 0.0), 1.0) * net[row, column]
        for column in range(run_end, end):
            run += min(max(reach - np.hypot(column - x0, dy), 0.0), 1.0) * net[row, column]
        total += run
    return total
