"""The 5 x 5 pixels about a pixel, moved inward at edges."""

import numba
import numpy as np

BOX, HALF_BOX = 5, 2
_TILE = 8


def places(chosen: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Rows and columns where an image is true; ten times faster than asking for both."""
    return np.divmod(np.flatnonzero(chosen), chosen.shape[1])


def boxes(image: np.ndarray, rows: np.ndarray, columns: np.ndarray) -> np.ndarray:
    """Values of the 5 x 5 about some pixels; shape (25, pixels)."""
    ny, nx = image.shape
    top, left = (
        np.clip(at - HALF_BOX, 0, max(0, size - BOX))
        for at, size in ((rows, ny), (columns, nx))
    )
    return np.array(
        [
            image[np.minimum(top + j, ny - 1), np.minimum(left + i, nx - 1)]
            for j in range(BOX)
            for i in range(BOX)
        ]
    )


@numba.njit(cache=True, nogil=True)
def far_from_neighbours(
    image: np.ndarray, without_data: np.ndarray, limit: float
) -> np.ndarray:
    """Pixels more than a limit above, or below, over half of the 5 x 5 about them.

    Tiles of the image whose values, with those about the tile, all lie within one limit
    hold no such pixel; the others are looked at pixel by pixel.
    """
    ny, nx = image.shape
    far = np.zeros((ny, nx), dtype=np.bool_)
    low, high = np.empty(nx), np.empty(nx)
    for top in range(0, ny, _TILE):
        bottom = min(top + _TILE, ny)
        first = max(0, min(top - HALF_BOX, ny - BOX))
        low[:] = image[first]
        high[:] = image[first]
        for row in range(first + 1, min(ny, max(bottom + HALF_BOX, BOX))):
            values = image[row]
            for x in range(nx):
                low[x] = values[x] if values[x] < low[x] else low[x]
                high[x] = values[x] if values[x] > high[x] else high[x]
        for left in range(0, nx, _TILE):
            right = min(left + _TILE, nx)
            start = max(0, min(left - HALF_BOX, nx - BOX))
            end = min(nx, max(right + HALF_BOX, BOX))
            if high[start:end].max() - low[start:end].min() <= limit:
                continue
            for y in range(top, bottom):
                for x in range(left, right):
                    far[y, x] = _is_far(image, without_data, (y, x), limit)
    return far


@numba.njit(cache=True, nogil=True)
def _is_far(
    image: np.ndarray, without_data: np.ndarray, at: tuple[int, int], limit: float
) -> bool:
    if without_data[at]:
        return False
    ny, nx = image.shape
    top, left = _start(at[0], ny), _start(at[1], nx)
    value = image[at]
    total = below = above = 0
    for j in range(top, min(ny, top + BOX)):
        for i in range(left, min(nx, left + BOX)):
            if without_data[j, i]:
                continue
            total += 1
            below += image[j, i] < value - limit
            above += image[j, i] > value + limit
    return 2 * below > total or 2 * above > total


@numba.njit(cache=True, nogil=True)
def _start(at: int, size: int) -> int:
    """First of five pixels about one, moved inward at an edge."""
    return max(0, min(at - HALF_BOX, size - BOX))
