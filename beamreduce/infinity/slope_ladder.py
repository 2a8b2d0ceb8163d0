"""Images that slope errors of known size would make: the ladder that measurements climb.

For a pair of slope-error laws, one on each stage, the image follows from one meridian
table. A ladder holds the pairs of all steps; what was measured is a mixture of them, and
the same mixture tells the image of a star.

Everything that is asked of an image (light in rings, light inside circles) is a sum over
signed offsets, linear in the light: a *target*, given by the share of each offset that it
takes. Smoothing the targets by the laws of the secondary, instead of the images, makes a
ladder of a hundred pairs as cheap as a handful of matrix products.
"""

import math
from dataclasses import dataclass

import numpy as np
from scipy.special import ndtr

from beamreduce.errors import SettingsError
from beamreduce.raytrace.meridian import CLIP_BINS, ErrorGrid, MeridianTable


@dataclass(frozen=True, kw_only=True)
class SlopeLadder:
    """Steps of slope error, and what is added to all of them.

    Parameters
    ----------
    steps_rad
        Standard deviations of the in-plane slope error of one reflection, rising.
    primary_mean_rad, secondary_mean_rad
        Mean slope error of each stage, common to all steps: an error of the cone angle.
    scatter_rad
        Standard deviation of the angle by which a rough surface turns scattered light out
        of the mirror beam, in the plane of reflection.
    """

    steps_rad: tuple[float, ...]
    primary_mean_rad: float = 0.0
    secondary_mean_rad: float = 0.0
    scatter_rad: float = 0.0

    def __post_init__(self) -> None:
        if not self.steps_rad or any(s <= 0 for s in self.steps_rad):
            raise SettingsError(f"slope steps must be above zero; got {self.steps_rad}")

    @property
    def pairs(self) -> tuple[tuple[float, float], ...]:
        """All (primary, secondary) pairs of steps, the order of columns."""
        return tuple((p, s) for p in self.steps_rad for s in self.steps_rad)

    def spreads(self, scattered: bool) -> np.ndarray:
        """Return the steps as seen by mirrored or by scattered light.

        Light that is scattered by an angle goes where a slope error of half that angle
        would have sent it.
        """
        steps = np.array(self.steps_rad)
        return np.hypot(steps, self.scatter_rad / 2) if scattered else steps


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


@dataclass(frozen=True, kw_only=True)
class Plane:
    """One detector plane and energy of a table.

    Parameters
    ----------
    table
        Light by primary slope error and signed offset.
    distance, energy
        Which of the table's.
    """

    table: MeridianTable
    distance: int = 0
    energy: int = 0

    @property
    def landing_mm2(self) -> np.ndarray:
        """Light by way, interval of primary error and signed offset."""
        return self.table.landing_mm2[self.distance, self.energy]

    @property
    def clipped_mm2(self) -> np.ndarray:
        """The part of it that has limits, by way, limit, interval and coarse bin."""
        return self.table.clipped_mm2[self.distance, self.energy]

    @property
    def lever_mm(self) -> float:
        """Mean distance from the secondary reflection."""
        return float(self.table.lever_mm[self.distance])


@dataclass(frozen=True, kw_only=True)
class SeenTargets:
    """Targets of one plane as the light before the secondary's error sees them.

    Parameters
    ----------
    plane
        Where the light is caught.
    targets
        Share of the light at each signed offset that goes into a target, (targets, bins).
    smooth
        Targets smoothed by each step of the secondary, without mean errors, for mirrored
        and, where the surface is rough, for scattered light: (targets, steps, bins) each.
    by_interval
        The same times the light, for every way: (targets, steps, intervals) each.
    """

    plane: Plane
    targets: np.ndarray
    smooth: tuple[np.ndarray, ...]
    by_interval: tuple[np.ndarray, ...]


def seen_targets(plane: Plane, ladder: SlopeLadder, targets: np.ndarray) -> SeenTargets:
    """Smooth targets by the secondary's steps, once for all mean errors.

    Parameters
    ----------
    plane
        Where the light is caught.
    ladder
        Its steps and scatter are used. Secondary errors move a ray after its last
        reflection by twice their size times the way to the detector.
    targets
        Share of the light at each signed offset that goes into a target, shape (targets,
        bins).
    """
    bins = plane.table.grid.bins
    spectrum = np.fft.rfft(targets, 2 * bins, axis=-1)[:, None, :]
    ways = plane.landing_mm2.shape[0]
    smooth = tuple(
        np.ascontiguousarray(
            np.fft.irfft(spectrum * _laws(plane, ladder, scattered=s), 2 * bins)[..., :bins]
        )
        for s in ((False, True) if ways == 4 else (False,))
    )
    return SeenTargets(
        plane=plane,
        targets=targets,
        smooth=smooth,
        by_interval=_by_interval(plane, smooth),
    )


def ladder_columns(seen: SeenTargets, ladder: SlopeLadder) -> np.ndarray:
    """Return what each pair of a ladder sends into targets, mm², (targets, pairs).

    Primary errors weigh the table's intervals by a normal law; a mean error of the
    secondary displaces all its light. Steps and scatter must be those that the targets
    were smoothed by.
    """
    by_interval = seen.by_interval
    if ladder.secondary_mean_rad:
        move = 2 * seen.plane.lever_mm * ladder.secondary_mean_rad
        bins = move / seen.plane.table.grid.step_mm
        moved = tuple(_displaced(smooth, bins) for smooth in seen.smooth)
        by_interval = _by_interval(seen.plane, moved)
    columns = sum(
        light @ interval_chances(
            seen.plane.table.error_rad, ladder,
            scattered=_scattered_by(way, len(by_interval))[0],
        ).T
        for way, light in enumerate(by_interval)
    )  # fmt: skip
    columns = np.swapaxes(columns, 1, 2)
    if seen.plane.table.limit_rad.size:
        columns = columns - np.tensordot(
            _coarse(seen.targets, seen.plane), clipped_profiles(seen.plane, ladder),
            axes=(1, 2),
        )  # fmt: skip
    return columns.reshape(columns.shape[0], -1)


def clipped_profiles(plane: Plane, ladder: SlopeLadder) -> np.ndarray:
    """Return the light that the next foil inward catches on its way out.

    By where it would have landed: shape (primary steps, secondary steps, coarse bins).
    """
    n, ways = len(ladder.steps_rad), plane.landing_mm2.shape[0]
    bins = plane.clipped_mm2.shape[-1]
    total = np.zeros((n, n, bins + 1), dtype=complex)
    for way, clipped in enumerate(plane.clipped_mm2):
        primary, secondary = _scattered_by(way, ways)
        chance = interval_chances(plane.table.clipped_error_rad, ladder, scattered=primary)
        spectra = np.fft.rfft(chance @ clipped, 2 * bins, axis=-1)  # limits, primary
        laws = _clipped_laws(plane, ladder, scattered=secondary)  # steps, limits
        total += np.einsum("kpf,skf->psf", spectra, laws, optimize=True)
    return np.fft.irfft(total, 2 * bins, axis=-1)[..., :bins]


def _clipped_laws(plane: Plane, ladder: SlopeLadder, *, scattered: bool) -> np.ndarray:
    """Spectra of the laws of the secondary below each limit, (steps, limits, …)."""
    bins = plane.clipped_mm2.shape[-1]
    step = plane.table.grid.step_mm * CLIP_BINS
    # Displacements in the order of a discrete Fourier transform: 0 first, then wrapped.
    place = np.fft.fftfreq(2 * bins, 1 / (2 * bins)) * step
    error = (place[None, :] + np.array([[-0.5], [0.5]]) * step) / (2 * plane.lever_mm)
    spread = ladder.spreads(scattered)[:, None, None, None]
    mean = ladder.secondary_mean_rad
    ends = np.minimum(error[None, None], plane.table.limit_rad[None, :, None, None])
    return np.fft.rfft(np.diff(ndtr((ends - mean) / spread), axis=2)[:, :, 0], axis=-1)


def _coarse(targets: np.ndarray, plane: Plane) -> np.ndarray:
    """Targets on the coarser bins of clipped light, shape (targets, coarse bins)."""
    missing = plane.clipped_mm2.shape[-1] * CLIP_BINS - targets.shape[1]
    padded = np.pad(targets, ((0, 0), (0, missing)))
    return padded.reshape(targets.shape[0], -1, CLIP_BINS).mean(axis=2)


def _by_interval(plane: Plane, smooth: tuple[np.ndarray, ...]) -> tuple[np.ndarray, ...]:
    ways = plane.landing_mm2.shape[0]
    products = []
    for way, landing in enumerate(plane.landing_mm2):
        seen = smooth[_scattered_by(way, ways)[1]]
        # As one product of matrices: many small ones would take ten times as long.
        flat = seen.reshape(-1, seen.shape[-1]) @ landing.T
        products.append(flat.reshape(*seen.shape[:-1], -1))
    return tuple(products)


def _displaced(smooth: np.ndarray, bins: float) -> np.ndarray:
    """Targets as light sees them that will be displaced by a number of bins."""
    whole = math.floor(bins)
    part = bins - whole
    return (1 - part) * _rolled(smooth, whole) + part * _rolled(smooth, whole + 1)


def _rolled(smooth: np.ndarray, bins: int) -> np.ndarray:
    """Targets moved towards lower offsets; nothing comes in from the ends."""
    rolled = np.zeros_like(smooth)
    size = smooth.shape[-1]
    if abs(bins) < size:
        to = slice(max(-bins, 0), size - max(bins, 0))
        out_of = slice(max(bins, 0), size - max(-bins, 0))
        rolled[..., to] = smooth[..., out_of]
    return rolled


def ladder_areas(table: MeridianTable, ladder: SlopeLadder) -> np.ndarray:
    """Return the effective area wherever light lands, (energies, pairs), mm²."""
    ways, n = table.area_mm2.shape[1], len(ladder.steps_rad)
    total = np.zeros((table.area_mm2.shape[0], n, n))
    for way in range(ways):
        primary, secondary = _scattered_by(way, ways)
        chance = interval_chances(table.error_rad, ladder, scattered=primary)
        total += (table.area_mm2[:, way] @ chance.T)[:, :, None]
        coarse = interval_chances(table.clipped_error_rad, ladder, scattered=primary)
        caught = _caught(table.limit_rad, ladder, scattered=secondary)
        total -= np.einsum("eki,pi,sk->eps", table.clipped_area_mm2[:, way], coarse, caught)
    return total.reshape(-1, n * n)


def mixed_profile(plane: Plane, ladder: SlopeLadder, weights: np.ndarray) -> np.ndarray:
    """Return the light of a mixture by signed offset, shape (bins,), mm² a bin."""
    n = len(ladder.steps_rad)
    share = weights.reshape(n, n)
    length = 2 * plane.table.grid.bins
    total = np.zeros(length // 2 + 1, dtype=complex)
    for way, landing in enumerate(plane.landing_mm2):
        primary, secondary = _scattered_by(way, plane.landing_mm2.shape[0])
        chance = interval_chances(plane.table.error_rad, ladder, scattered=primary)
        spectrum = np.fft.rfft(share.T @ (chance @ landing), length, axis=-1)
        total += (spectrum * _laws(plane, ladder, scattered=secondary)).sum(axis=0)
    move = 2 * plane.lever_mm * ladder.secondary_mean_rad
    frequency = 2 * np.pi * np.fft.rfftfreq(length, plane.table.grid.step_mm)
    moved = np.fft.irfft(total * np.exp(-1j * move * frequency), length)
    profile = moved[: plane.table.grid.bins]
    if plane.table.limit_rad.size:
        clipped = np.einsum("ps,psb->b", share, clipped_profiles(plane, ladder))
        profile = profile - np.repeat(clipped / CLIP_BINS, CLIP_BINS)[: profile.size]
    return profile


def interval_chances(
    error_rad: np.ndarray, ladder: SlopeLadder, *, scattered: bool = False
) -> np.ndarray:
    """Return the chance of each interval of primary error, shape (steps, intervals)."""
    spread = ladder.spreads(scattered)
    edges = (error_rad[None, :] - ladder.primary_mean_rad) / spread[:, None]
    return np.diff(ndtr(edges), axis=1)


def _caught(limit_rad: np.ndarray, ladder: SlopeLadder, *, scattered: bool) -> np.ndarray:
    """Chance of a secondary error below each limit, shape (steps, limits)."""
    spread = ladder.spreads(scattered)
    return ndtr((limit_rad[None, :] - ladder.secondary_mean_rad) / spread[:, None])


def _scattered_by(way: int, ways: int) -> tuple[bool, bool]:
    """Whether a way of a table is scattered by the primary, and by the secondary."""
    return (way >= 2, way % 2 == 1) if ways == 4 else (False, False)


def _laws(plane: Plane, ladder: SlopeLadder, *, scattered: bool) -> np.ndarray:
    """Spectra of the laws of the secondary about zero, shape (steps, frequencies)."""
    grid = plane.table.grid
    frequency = 2 * np.pi * np.fft.rfftfreq(2 * grid.bins, grid.step_mm)
    sigma = 2 * plane.lever_mm * ladder.spreads(scattered)
    return np.exp(-0.5 * (sigma[:, None] * frequency) ** 2)
