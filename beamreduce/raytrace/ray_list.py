"""Rays one by one as they leave the mirror, where sums in rings and pixels will not do."""

from dataclasses import dataclass

import numpy as np
from numba import njit

from beamreduce.raytrace.ray_block import KEPT_HIT, SLOPE_X, SLOPE_Y, X, Y

_BEFORE_AREAS = 5  # columns of a row: x, y, slope x, slope y, whether reflected twice


@dataclass(frozen=True, kw_only=True)
class RayList:
    """Rays behind the mirror, in the detector's frame; single precision.

    Parameters
    ----------
    start_mm, slope
        Where each crosses z = 0, and dx/dz, dy/dz; shape (2, rays).
    area_mm2
        Effective area that each stands for, shape (energies, rays).
    focused
        True where both stages reflected it, shape (rays,).
    """

    start_mm: np.ndarray
    slope: np.ndarray
    area_mm2: np.ndarray
    focused: np.ndarray

    def at(self, distance_mm: float) -> np.ndarray:
        """Return x and y in a plane behind the mirror, in mm, shape (2, rays)."""
        return self.start_mm + self.slope * np.float64(distance_mm)

    def only(self, wanted: np.ndarray) -> "RayList":
        """Return some of the rays, by a mask or by their numbers."""
        return RayList(
            start_mm=self.start_mm[:, wanted],
            slope=self.slope[:, wanted],
            area_mm2=self.area_mm2[:, wanted],
            focused=self.focused[wanted],
        )


def empty_rows(rays: int, energies: int) -> np.ndarray:
    """Return rows that a kernel fills, one a ray."""
    return np.empty((rays, _BEFORE_AREAS + energies), dtype=np.float32)


def list_of(rows: np.ndarray) -> RayList:
    """Return what a kernel filled in."""
    columns = np.ascontiguousarray(rows.T)
    return RayList(
        start_mm=columns[:2],
        slope=columns[2:4],
        area_mm2=columns[_BEFORE_AREAS:],
        focused=columns[4] > 0,
    )


@njit(cache=True, nogil=True, error_model="numpy")
def add_rows(
    block: np.ndarray, chosen: np.ndarray, weights: np.ndarray, kept: np.ndarray,
    listed: tuple[np.ndarray, np.ndarray],
) -> None:  # fmt: skip
    """Write the chosen rays of a block down; ``listed``: rows, and how many are used."""
    rows, used = listed
    row = used[0]
    for n in range(chosen.size):
        j = chosen[n]
        rows[row, 0] = block[X + j]
        rows[row, 1] = block[Y + j]
        rows[row, 2] = block[SLOPE_X + j]
        rows[row, 3] = block[SLOPE_Y + j]
        rows[row, 4] = kept[0, KEPT_HIT, j] * kept[1, KEPT_HIT, j]
        for e in range(weights.shape[1]):
            rows[row, _BEFORE_AREAS + e] = weights[n, e]
        row += 1
    used[0] = row
