"""Images that slope errors of known size would make: the ladder that measurements climb.

For a pair of slope-error laws, one on each stage, the image follows from one meridian
table. A ladder holds the pairs of all steps; what was measured is a mixture of them, and
the same mixture tells the image of a star.
"""

import math
from dataclasses import dataclass

import numpy as np
from scipy.special import ndtr

from beamreduce.errors import SettingsError
from beamreduce.raytrace.meridian import MeridianTable


@dataclass(frozen=True, kw_only=True)
class SlopeLadder:
    """Steps of slope error, and the mean errors that are added to all of them.

    Parameters
    ----------
    steps_rad
        Standard deviations of the in-plane slope error of one reflection, rising.
    primary_mean_rad, secondary_mean_rad
        Mean slope error of each stage, common to all steps: an error of the cone angle.
    """

    steps_rad: tuple[float, ...]
    primary_mean_rad: float = 0.0
    secondary_mean_rad: float = 0.0

    def __post_init__(self) -> None:
        if not self.steps_rad or any(s <= 0 for s in self.steps_rad):
            raise SettingsError(f"slope steps must be above zero; got {self.steps_rad}")

    @property
    def pairs(self) -> tuple[tuple[float, float], ...]:
        """All (primary, secondary) pairs of steps, the order of columns."""
        return tuple((p, s) for p in self.steps_rad for s in self.steps_rad)


def ladder_steps(smallest_rad: float, largest_rad: float) -> tuple[float, ...]:
    """Return steps from smallest to largest, each at most 1.4 times the one before."""
    if not 0 < smallest_rad < largest_rad:
        raise SettingsError(
            f"slope steps must rise from above zero; got {smallest_rad} to {largest_rad}"
        )
    count = math.ceil(math.log(largest_rad / smallest_rad) / math.log(1.4)) + 1
    return tuple(np.geomspace(smallest_rad, largest_rad, count).tolist())


def error_edges(largest_rad: float, smallest_rad: float, count: int = 240) -> np.ndarray:
    """Return edges of primary-error intervals out to five times the largest step.

    Intervals grow in proportion to the error beyond a third of the smallest step.
    """
    fine = smallest_rad / 3
    reach = math.asinh(5 * largest_rad / (fine * count / 12))
    spread = np.sinh(np.linspace(-reach, reach, count + 1))
    return spread / spread[-1] * 5 * largest_rad


@dataclass(frozen=True, kw_only=True)
class LadderProfiles:
    """Light by signed offset for every pair of a ladder.

    Parameters
    ----------
    profile
        Effective area a bin, shape (distances, energies, pairs, bins), mm².
    area
        Effective area wherever it lands, shape (energies, pairs), mm².
    offsets_mm
        Middle of each bin.
    """

    profile: np.ndarray
    area: np.ndarray
    offsets_mm: np.ndarray


def ladder_profiles(table: MeridianTable, ladder: SlopeLadder) -> LadderProfiles:
    """Mix a meridian table by the slope-error laws of a ladder.

    Primary errors weigh the table's intervals by a normal law; secondary errors shift the
    ray after its last reflection, so they smooth the profile with a normal law of twice
    their size times the way to the detector.
    """
    steps = np.array(ladder.steps_rad)
    edges = (table.error_rad[None, :] - ladder.primary_mean_rad) / steps[:, None]
    chance = np.diff(ndtr(edges), axis=1)
    primary = np.einsum("pi,debi->dpeb", chance, np.moveaxis(table.landing_mm2, 2, 3))
    area = chance @ table.area_mm2.T  # (steps, energies)
    profile = np.stack(
        [
            _smoothed(
                primary[d],
                table.grid.step_mm,
                2 * lever * ladder.secondary_mean_rad,
                2 * lever * steps,
            )
            for d, lever in enumerate(table.lever_mm)
        ]
    )  # (distances, primary, energies, secondary, bins)
    n = steps.size
    profile = np.moveaxis(profile, 1, 2)  # distances, energies, primary, secondary, bins
    return LadderProfiles(
        profile=profile.reshape(*profile.shape[:2], n * n, -1),
        area=np.repeat(area.T, n, axis=1),
        offsets_mm=table.grid.centers_mm,
    )


def _smoothed(
    profiles: np.ndarray, step_mm: float, mean_mm: float, sigma_mm: np.ndarray
) -> np.ndarray:
    """Convolve profiles (…, bins) with normal laws; returns (…, laws, bins)."""
    bins = profiles.shape[-1]
    length = 2 * bins
    frequency = 2 * np.pi * np.fft.rfftfreq(length, step_mm)
    law = np.exp(-0.5 * (sigma_mm[:, None] * frequency) ** 2 - 1j * mean_mm * frequency)
    spectrum = np.fft.rfft(profiles, length, axis=-1)
    smooth = np.fft.irfft(spectrum[..., None, :] * law, length, axis=-1)
    return np.maximum(smooth[..., :bins], 0.0)
