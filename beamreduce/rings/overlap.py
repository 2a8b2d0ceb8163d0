"""Exact sums of an image inside circles: many radii about one center in one pass.

Every pixel counts with the area that it shares with the circle. Rows are walked outward
from the center; in a row, pixels wholly inside a circle are summed once as runs between
consecutive circles, and only pixels that a circle crosses get the exact overlap. Area
under an arc is a trapezoid plus the circular segment over its chord,
``r² (asin s - s √(1-s²))`` with ``s = chord / 2r`` (plane geometry).
"""

import numpy as np
from numba import njit

from beamreduce.errors import SettingsError

_SERIES_LIMIT = 0.01  # of s²; the series below is then good to 1e-15 of r²


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


@njit(cache=True, nogil=True, inline="always")
def segment_area(chord_squared: float, radius: float) -> float:
    """Area between a chord and its arc."""
    s2 = chord_squared / (4.0 * radius * radius)
    if s2 < _SERIES_LIMIT:
        series = 2 / 3 + s2 * (
            1 / 5 + s2 * (3 / 28 + s2 * (5 / 72 + s2 * (35 / 704 + s2 * (63 / 1664))))
        )
        return radius * radius * s2 * np.sqrt(s2) * series
    s = min(np.sqrt(s2), 1.0)
    return radius * radius * (np.arcsin(s) - s * np.sqrt(1.0 - s * s))


@njit(cache=True, nogil=True, inline="always")
def strip_overlap(
    near: float, far: float, low: float, high: float, radius: float, x_high: float,
    x_low: float,
) -> float:  # fmt: skip
    """Area shared by a circle about the origin and the box [near, far] × [low, high].

    All four are at least zero; ``x_high`` and ``x_low`` are the abscissae where the circle
    crosses the heights ``high`` and ``low`` (0 where it does not reach them).
    """
    start = max(near, x_high)
    end = min(far, x_low)
    area = max(x_high - near, 0.0) * (high - low)
    if end > start:
        r2 = radius * radius
        y_start = np.sqrt(max(r2 - start * start, 0.0))
        y_end = np.sqrt(max(r2 - end * end, 0.0))
        width = end - start
        drop = y_start - y_end
        area += width * (0.5 * (y_start + y_end) - low)
        area += segment_area(width * width + drop * drop, radius)
    return area


@njit(cache=True, nogil=True)
def crossings(radii: np.ndarray, height: float, x: np.ndarray) -> None:
    """Fill in where each circle crosses a height; 0 where it does not reach it."""
    h2 = height * height
    for k in range(radii.size):
        x[k] = np.sqrt(max(radii[k] * radii[k] - h2, 0.0))


@njit(cache=True, nogil=True, fastmath={"reassoc", "contract", "nsz"})
def _sum_circles(
    image: np.ndarray, x0: float, y0: float, radii: np.ndarray, sums: np.ndarray
) -> None:
    ny = image.shape[0]
    n = radii.size
    x_low, x_high = np.empty(n), np.empty(n)
    onward = np.zeros(n + 1)  # counts for this circle and all larger ones
    for direction in (-1, 1):
        # The row that holds the center is walked twice, as the part above and below it.
        row = int(np.floor(y0 + 0.5))
        low = 0.0
        if direction == 1 and row < 0:
            row, low = 0, -0.5 - y0
        elif direction == -1 and row > ny - 1:
            row, low = ny - 1, y0 - (ny - 0.5)
        crossings(radii, low, x_low)
        first = 0
        while 0 <= row < ny and low < radii[n - 1]:
            high = direction * (row - y0) + 0.5
            crossings(radii, high, x_high)
            while radii[first] <= low:
                first += 1
            _sum_side(image[row], x0, low, high, radii, x_high, x_low, first, sums, onward)
            x_low, x_high = x_high, x_low
            low = high
            row += direction
    total = 0.0
    for k in range(n):
        total += onward[k]
        sums[k] += total


@njit(cache=True, nogil=True, fastmath={"reassoc", "contract", "nsz"})
def _sum_side(
    pixels: np.ndarray, x0: float, low: float, high: float, radii: np.ndarray,
    x_high: np.ndarray, x_low: np.ndarray, first: int, sums: np.ndarray,
    onward: np.ndarray,
) -> None:  # fmt: skip
    """Add one row, both sides of the center, to the sums of all circles that reach it."""
    nx = pixels.size
    height = high - low
    center = int(np.floor(x0 + 0.5))
    for side in (-1, 1):
        column = center
        if side == 1 and center < 0:
            column = 0
        elif side == -1 and center > nx - 1:
            column = nx - 1
        for k in range(first, radii.size):
            if column < 0 or column >= nx:
                break
            # Pixels whose far side is inside the circle over the whole height.
            inside = 0.0
            reach = x_high[k]
            if reach > 0.0:
                if side == 1:
                    stop = min(int(np.floor(reach + x0 - 0.5)) + 1, nx)
                    if column < stop and column == center:
                        inside += pixels[column] * (column + 0.5 - x0)
                        column += 1
                    for j in range(column, stop):
                        inside += pixels[j]
                    column = max(column, stop)
                else:
                    stop = max(int(np.ceil(x0 - reach + 0.5)) - 1, -1)
                    if column > stop and column == center:
                        inside += pixels[column] * (x0 - column + 0.5)
                        column -= 1
                    for j in range(stop + 1, column + 1):
                        inside += pixels[j]
                    column = min(column, stop)
                onward[k] += inside * height
            # Pixels that the circle crosses.
            edge = 0.0
            j = column
            while 0 <= j < nx:
                offset = side * (j - x0)
                near = max(offset - 0.5, 0.0)
                if near >= x_low[k]:
                    break
                edge += pixels[j] * strip_overlap(
                    near, offset + 0.5, low, high, radii[k], x_high[k], x_low[k]
                )
                j += side
            sums[k] += edge
