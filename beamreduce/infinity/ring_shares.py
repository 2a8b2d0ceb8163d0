"""From signed offsets in a meridian to rings about a center."""

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numba import njit
from scipy.special import chndtr

from beamreduce.errors import SettingsError


@dataclass(frozen=True, kw_only=True)
class OpenAzimuths:
    """Which azimuths of the mirror send light, and where their images are displaced to.

    Parameters
    ----------
    azimuth_rad
        Middle of each azimuth step, shape (azimuths,).
    share
        Share of the mirror that each step stands for, shape (azimuths,).
    shift_mm
        Displacement of the image of each step from the center of the rings, shape
        (azimuths, 2): x and y in the frame of the azimuths.
    """

    azimuth_rad: np.ndarray
    share: np.ndarray
    shift_mm: np.ndarray

    @property
    def centered(self) -> bool:
        """True when nothing is displaced, so that azimuths do not matter."""
        return not np.any(self.shift_mm)


def whole_turn(count: int = 1) -> OpenAzimuths:
    """Return an open mirror without displacements."""
    return OpenAzimuths(
        azimuth_rad=(np.arange(count) + 0.5) * 2 * np.pi / count,
        share=np.full(count, 1 / count),
        shift_mm=np.zeros((count, 2)),
    )


def ring_shares(
    offsets_mm: np.ndarray, radii_mm: np.ndarray, blur_mm: float, azimuths: OpenAzimuths
) -> np.ndarray:
    """Return the share of each signed offset that falls into each ring.

    Parameters
    ----------
    offsets_mm
        Middle of even bins of signed offset, shape (bins,), symmetric about zero.
    radii_mm
        Outer radii of the rings, shape (rings,), rising.
    blur_mm
        Standard deviation of a round blur (pixel, source size, detector), an axis.
    azimuths
        Open azimuths and their displacements.

    Returns
    -------
    numpy.ndarray
        Shape (rings, bins). A column sums to less than the open share where light falls
        beyond the last ring.

    Notes
    -----
    A point at distance ρ blurred by σ an axis lies inside r with the chance of a
    noncentral χ² law of two degrees: ``F(r²/σ²; 2, ρ²/σ²)``.
    """
    if blur_mm <= 0:
        raise SettingsError(f"blur_mm must be above zero; got {blur_mm}")
    step = offsets_mm[1] - offsets_mm[0]
    if azimuths.centered:
        distance = np.abs(offsets_mm)
        inside = _inside(distance, radii_mm, blur_mm) * azimuths.share.sum()
        return np.diff(inside, axis=0, prepend=0.0)
    reach = offsets_mm[-1] + step / 2 + np.hypot(*azimuths.shift_mm.T).max()
    bins = 2 ** math.ceil(math.log2(reach / step + 2))  # few sizes, to be used again
    by_distance = _by_distance(radii_mm.tobytes(), blur_mm, step, bins)
    inside = _displaced(
        by_distance, offsets_mm / step,
        np.stack([np.cos(azimuths.azimuth_rad), np.sin(azimuths.azimuth_rad)], axis=1),
        azimuths.shift_mm / step, azimuths.share,
    )  # fmt: skip
    return np.diff(inside.T, axis=0, prepend=0.0)


@njit(cache=True, nogil=True)
def _displaced(
    by_distance: tuple[np.ndarray, np.ndarray, np.ndarray],
    offsets: np.ndarray, directions: np.ndarray, shifts: np.ndarray, shares: np.ndarray,
) -> np.ndarray:  # fmt: skip
    """Light of offsets inside circles, (offsets, radii); lengths in steps of distance.

    Only radii about as large as the distance have to be looked up.
    """
    chance, dark, unsure = by_distance
    radii = chance.shape[1]
    inside = np.zeros((offsets.size, radii))
    whole = np.zeros(radii + 1)
    for o in range(offsets.size):
        whole[:] = 0.0  # light that lies inside this circle and all larger ones
        for a in range(shares.size):
            x = offsets[o] * directions[a, 0] + shifts[a, 0]
            y = offsets[o] * directions[a, 1] + shifts[a, 1]
            place = math.sqrt(x * x + y * y)
            low = int(place)
            far = shares[a] * (place - low)
            near = shares[a] - far
            end = unsure[low + 1]
            for r in range(dark[low], end):
                inside[o, r] += near * chance[low, r] + far * chance[low + 1, r]
            whole[end] += shares[a]
        total = 0.0
        for r in range(radii):
            total += whole[r]
            inside[o, r] += total
    return inside


@lru_cache(maxsize=64)
def _by_distance(
    radii: bytes, blur_mm: float, step_mm: float, bins: int
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Chance of lying inside radii at even distances; centers change, these do not.

    Shape (distances, radii); and for each distance how many radii are too small for any
    light, and how many may not hold all.
    """
    inside = _inside(np.arange(bins) * step_mm, np.frombuffer(radii), blur_mm).T
    dark, unsure = (inside <= 0.0).sum(axis=1), (inside < 1.0).sum(axis=1)
    return np.ascontiguousarray(inside), dark, unsure


def _inside(distance: np.ndarray, radii: np.ndarray, blur: float) -> np.ndarray:
    """Chance of lying inside each radius, shape (radii, distances)."""
    r = (radii / blur)[:, None]
    rho = (distance / blur)[None, :]
    # Far from the edge of the circle the law is 0 or 1, and slow to compute.
    near = np.abs(r - rho) < 9.0
    chance = (rho < r).astype(float)
    rr, rhorho = np.broadcast_arrays(r, rho)
    chance[near] = chndtr(rr[near] ** 2, 2.0, rhorho[near] ** 2)
    return chance
