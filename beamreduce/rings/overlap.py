"""Exact sums of an image inside circles: many radii about one center in one pass.

Every pixel counts with the area that it shares with the circle. Rows are walked outward
from the center; in a row, pixels wholly inside a circle are summed once as runs between
consecutive circles, and only pixels that a circle crosses get the exact overlap.
"""

import numpy as np
from numba import njit

from beamreduce.errors import SettingsError
from beamreduce.rings.shares import arc_area

# Sums may be taken in any order (SIMD); NaN and infinity keep their meaning.
_FAST = {"reassoc", "contract", "nsz"}


def overlap_sums(
    image: np.ndarray, center_xy: tuple[float, float], radii_px: np.ndarray
) -> np.ndarray:
    """Return the sum of an image inside each of many circles about one center.

    Parameters
    ----------
    image
        Shape (ny, nx); finite. Give 0 to pixels that shall not count, and call this
        again with the mask as the image to get the area that was covered.
    center_xy
        Center in pixels; the first pixel has its center at (0, 0). It may lie outside.
    radii_px
        Radii in pixels, not below zero, in rising order.

    Returns
    -------
    numpy.ndarray
        One sum a radius. Circles may reach beyond the image; nothing is there.

    Raises
    ------
    SettingsError
        When the radii do not rise, or the image is not two-dimensional.
    """
    radii = checked_radii(radii_px)
    if image.ndim != 2:
        raise SettingsError(f"image must have two axes; got shape {image.shape}")
    if not np.all(np.isfinite(center_xy)):
        raise SettingsError(f"center_xy must be finite; got {center_xy}")
    pixels = np.ascontiguousarray(image, dtype=np.float64)
    sums = np.zeros(radii.size)
    _sum_circles(pixels, float(center_xy[0]), float(center_xy[1]), radii, sums)
    return sums


def checked_radii(radii_px: np.ndarray) -> np.ndarray:
    """Return radii as a float array after checking that they rise from zero or more."""
    radii = np.ascontiguousarray(radii_px, dtype=np.float64)
    if radii.ndim != 1 or radii.size == 0:
        raise SettingsError(f"radii must be a list of numbers; got shape {radii.shape}")
    if not np.all(np.isfinite(radii)) or radii[0] < 0 or np.any(np.diff(radii) <= 0):
        raise SettingsError("radii must be finite, not below zero and in rising order")
    return radii


@njit(cache=True, nogil=True)
def _crossings(radii: np.ndarray, height: float, x: np.ndarray) -> None:
    """Fill in where each circle crosses a height; 0 where it does not reach it."""
    h2 = height * height
    for k in range(radii.size):
        x[k] = np.sqrt(max(radii[k] * radii[k] - h2, 0.0))


@njit(cache=True, nogil=True, fastmath=_FAST)
def _sum_circles(
    image: np.ndarray, x0: float, y0: float, radii: np.ndarray, sums: np.ndarray
) -> None:
    ny, nx = image.shape
    n = radii.size
    x_low, x_high = np.empty(n), np.empty(n)
    onward = np.zeros(n)  # counts for this circle and all larger ones
    for direction in (-1, 1):
        # The row that holds the center is walked twice, as the part above and below it.
        row = int(np.floor(y0 + 0.5))
        low = 0.0
        if direction == 1 and row < 0:
            row, low = 0, -0.5 - y0
        elif direction == -1 and row > ny - 1:
            row, low = ny - 1, y0 - (ny - 0.5)
        _crossings(radii, low, x_low)
        first = 0
        while 0 <= row < ny and low < radii[n - 1]:
            high = direction * (row - y0) + 0.5
            _crossings(radii, high, x_high)
            while radii[first] <= low:
                first += 1
            strip = (low, high, first)
            _sum_side(image[row], x0, strip, radii, x_high, x_low, sums, onward)
            mirrored = image[row, ::-1]
            _sum_side(mirrored, nx - 1 - x0, strip, radii, x_high, x_low, sums, onward)
            x_low, x_high = x_high, x_low
            low = high
            row += direction
    total = 0.0
    for k in range(n):
        total += onward[k]
        sums[k] += total


@njit(cache=True, nogil=True, fastmath=_FAST)
def _sum_side(
    pixels: np.ndarray, x0: float, strip: tuple[float, float, int], radii: np.ndarray,
    x_high: np.ndarray, x_low: np.ndarray, sums: np.ndarray, onward: np.ndarray,
) -> None:  # fmt: skip
    """Add one row, from the center to larger x, to the sums of all circles reaching it."""
    low, high, first = strip
    nx = pixels.size
    center = int(np.floor(x0 + 0.5))
    column = max(center, 0)
    for k in range(first, radii.size):
        if column >= nx:
            break
        # Pixels whose far side is inside the circle over the whole height of the strip.
        stop = min(int(np.floor(x_high[k] + x0 - 0.5)) + 1, nx)
        if x_high[k] > 0.0 and stop > column:
            inside = 0.0
            if column == center:
                inside = pixels[column] * (column + 0.5 - x0)
                column += 1
            # Unsigned indices cannot count from the end, so this loop is vectorised.
            for j in range(np.uint64(column), np.uint64(stop)):
                inside += pixels[j]
            column = max(column, stop)
            onward[k] += inside * (high - low)
        if column < nx:
            box = (max(column - 0.5 - x0, 0.0), low, high)
            sums[k] += _sum_crossed(pixels, x0, column, box, radii[k], x_high[k], x_low[k])


@njit(cache=True, nogil=True, inline="always", fastmath=_FAST)
def _sum_crossed(
    pixels: np.ndarray, x0: float, column: int, box: tuple[float, float, float],
    radius: float, x_high: float, x_low: float,
) -> float:  # fmt: skip
    """Sum the pixels from a column on that the circle crosses, each by its share."""
    near, low, high = box
    if near >= x_low:
        return 0.0
    if near > x_high:
        whole, x, y = 0.0, near, np.sqrt(max(radius * radius - near * near, 0.0))
    else:
        whole, x, y = (x_high - near) * (high - low), x_high, min(high, radius)
    total = 0.0
    for j in range(np.uint64(column), np.uint64(pixels.size)):
        x_end, y_end = j + 0.5 - x0, low
        last = x_end >= x_low
        if last:
            x_end = x_low
        else:
            y_end = np.sqrt(max(radius * radius - x_end * x_end, 0.0))
        area = whole + arc_area(x, y, x_end, y_end, radius) - low * (x_end - x)
        total += pixels[j] * area
        if last:
            break
        whole, x, y = 0.0, x_end, y_end
    return total
