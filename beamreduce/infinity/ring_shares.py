"""From signed offsets in a meridian to rings about a center."""

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
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
    directions = np.stack([np.cos(azimuths.azimuth_rad), np.sin(azimuths.azimuth_rad)], 1)
    inside = np.zeros((radii_mm.size, offsets_mm.size))
    for direction, shift, share in zip(
        directions, azimuths.shift_mm, azimuths.share, strict=True
    ):
        place = np.hypot(*(np.outer(direction, offsets_mm) + shift[:, None])) / step
        low = place.astype(int)
        part = place - low
        inside += by_distance[:, low] * (share * (1 - part))
        inside += by_distance[:, low + 1] * (share * part)
    return np.diff(inside, axis=0, prepend=0.0)


@lru_cache(maxsize=64)
def _by_distance(radii: bytes, blur_mm: float, step_mm: float, bins: int) -> np.ndarray:
    """Chance of lying inside radii at even distances; centers change, these do not."""
    return _inside(np.arange(bins) * step_mm, np.frombuffer(radii), blur_mm)


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
