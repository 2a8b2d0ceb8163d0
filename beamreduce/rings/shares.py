"""Area that a circle shares with a pixel (plane geometry, no sampling).

Area under an arc is a trapezoid plus the circular segment over its chord,
``r² (asin s - s √(1-s²))`` with ``s = chord / 2r``.
"""

import numpy as np
from numba import njit

_SERIES_LIMIT = 0.01  # of s²; the series below is then good to 1e-15 of r²


@njit(cache=True, nogil=True, inline="always")
def arc_area(x: float, y: float, x_end: float, y_end: float, radius: float) -> float:
    """Area between the x axis and an arc about the origin, from (x, y) on to x_end."""
    width, drop = x_end - x, y - y_end
    return width * 0.5 * (y + y_end) + _segment_area(width * width + drop * drop, radius)


@njit(cache=True, nogil=True)
def pixel_overlap(dx: float, dy: float, radius: float) -> float:
    """Area shared by a circle about the origin and a unit pixel centered at (dx, dy)."""
    x, y = abs(dx), abs(dy)
    area = _box_overlap(max(x - 0.5, 0.0), x + 0.5, max(y - 0.5, 0.0), y + 0.5, radius)
    if x < 0.5:
        area += _box_overlap(0.0, 0.5 - x, max(y - 0.5, 0.0), y + 0.5, radius)
    if y < 0.5:
        area += _box_overlap(max(x - 0.5, 0.0), x + 0.5, 0.0, 0.5 - y, radius)
    if x < 0.5 and y < 0.5:
        area += _box_overlap(0.0, 0.5 - x, 0.0, 0.5 - y, radius)
    return area


@njit(cache=True, nogil=True, inline="always")
def _segment_area(chord_squared: float, radius: float) -> float:
    """Area between a chord and its arc."""
    s2 = chord_squared / (4.0 * radius * radius)
    if s2 < _SERIES_LIMIT:
        series = 2 / 3 + s2 * (
            1 / 5 + s2 * (3 / 28 + s2 * (5 / 72 + s2 * (35 / 704 + s2 * (63 / 1664))))
        )
        return radius * radius * s2 * np.sqrt(s2) * series
    s = min(np.sqrt(s2), 1.0)
    return radius * radius * (np.arcsin(s) - s * np.sqrt(1.0 - s * s))


@njit(cache=True, nogil=True)
def _box_overlap(near: float, far: float, low: float, high: float, radius: float) -> float:
    """Area shared with the box [near, far] × [low, high]; all four at least zero."""
    r2 = radius * radius
    # Where the circle crosses the heights; 0 where it does not reach them.
    x_high = min(np.sqrt(max(r2 - high * high, 0.0)), far)
    x_low = np.sqrt(max(r2 - low * low, 0.0))
    area = max(x_high - near, 0.0) * (high - low)
    x, x_end = max(near, x_high), min(far, x_low)
    if x_end > x:
        y = np.sqrt(max(r2 - x * x, 0.0))
        y_end = np.sqrt(max(r2 - x_end * x_end, 0.0))
        area += arc_area(x, y, x_end, y_end, radius) - low * (x_end - x)
    return area
