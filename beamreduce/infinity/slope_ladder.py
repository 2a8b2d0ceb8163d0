"""Images that slope errors of known size would make: the ladder that measurements climb.

For a pair of slope-error laws, one on each stage, the image follows from one meridian
table. A ladder holds the pairs of all steps; what was measured is a mixture of them, and
the same mixture tells the image of a star.

Everything that is asked of an image (light in rings, light inside circles) is a sum over
signed offsets, linear in the light: a *target*, given by the share of each offset that it
takes. Slope errors of the secondary are a convolution, so sums are done over frequencies of
the offset: one product of matrices gives all targets of all pairs, without an image of any.
"""

from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
from scipy.fft import next_fast_len
from scipy.special import ndtr

from beamreduce.errors import SettingsError
from beamreduce.raytrace.meridian import CLIP_BINS, MeridianTable

_NOTHING_LEFT = 8.0  # standard deviations of a law's spectrum: 1e-14 of it


@dataclass(frozen=True, kw_only=True)
class SlopeLadder:
    """Steps of slope error, and what is added to all of them.

    Parameters
    ----------
    steps_rad
        Standard deviations of the in-plane slope error of one reflection, rising.
    primary_mean_rad, secondary_mean_rad
        Mean slope error of each stage, common to all steps: an error of the cone angle.
    either_sign
        Half of the reflectors have those mean errors, the other half the opposite ones.
    scatter_rad
        Standard deviation of the angle by which a rough surface turns scattered light out
        of the mirror beam, in the plane of reflection.
    """

    steps_rad: tuple[float, ...]
    primary_mean_rad: float = 0.0
    secondary_mean_rad: float = 0.0
    scatter_rad: float = 0.0
    either_sign: bool = False

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
    """Targets of one plane, ready to be compared with any light there.

    Parameters
    ----------
    plane
        Where the light is caught.
    spectrum, coarse_spectrum
        Spectra of the share of the light at each signed offset that goes into a target,
        (targets, frequencies), on the bins of the plane and on those of clipped light;
        sums over frequencies are then sums over offsets.
    """

    plane: Plane
    spectrum: np.ndarray
    coarse_spectrum: np.ndarray


def seen_targets(plane: Plane, targets: np.ndarray) -> SeenTargets:
    """Make targets ready, once for all slope errors.

    Parameters
    ----------
    plane
        Where the light is caught.
    targets
        Share of the light at each signed offset that goes into a target, shape (targets,
        bins).
    """
    return SeenTargets(
        plane=plane,
        spectrum=_target_spectrum(targets),
        coarse_spectrum=_target_spectrum(_coarse(targets, plane)),
    )


def _target_spectrum(targets: np.ndarray) -> np.ndarray:
    length = _length(targets.shape[-1])
    spectrum = np.fft.rfft(targets, length, axis=-1) / length
    spectrum[:, 1:-1] *= 2  # their negative frequencies are not kept
    return spectrum


def ladder_columns(seen: SeenTargets, ladder: SlopeLadder) -> np.ndarray:
    """Return what each pair of a ladder sends into targets, mm², (targets, pairs).

    Primary errors weigh the table's intervals by a normal law. Secondary errors move a ray
    after its last reflection by twice their size times the way to the detector.
    """
    parts = _as_cones(seen.plane.table, ladder)
    return sum(
        share * _columns(replace(seen, plane=replace(seen.plane, table=table)), of)
        for share, table, of in parts
    )


def _as_cones(
    table: MeridianTable, ladder: SlopeLadder
) -> tuple[tuple[float, MeridianTable, SlopeLadder], ...]:
    """Shares of tables whose cones are turned by a mean error, and what errors remain.

    A mean error is one of the cones themselves: it turns them, which lets in more light or
    less, besides turning rays. Between cones as designed and cones turned by a known angle
    what a turn does besides is taken as linear.
    """
    if ladder.either_sign:
        outward = replace(ladder, either_sign=False)
        inward = replace(
            outward,
            primary_mean_rad=-ladder.primary_mean_rad,
            secondary_mean_rad=-ladder.secondary_mean_rad,
        )
        return tuple(
            (share / 2, part, of)
            for half in (outward, inward)
            for share, part, of in _as_cones(table, half)
        )
    for turned in table.turned:
        means = ladder.primary_mean_rad, ladder.secondary_mean_rad
        along = sum(m * t for m, t in zip(means, turned.turn_rad, strict=True))
        if along > 0:
            share = along / sum(t * t for t in turned.turn_rad)
            rest = replace(
                ladder,
                primary_mean_rad=means[0] - turned.turn_rad[0],
                secondary_mean_rad=means[1] - turned.turn_rad[1],
            )
            return (1 - share, table, ladder), (share, turned, rest)
    return ((1.0, table, ladder),)


def _columns(seen: SeenTargets, ladder: SlopeLadder) -> np.ndarray:
    light = _light_spectra(seen.plane, ladder)
    light = light.reshape(-1, light.shape[-1])
    columns = _sums(seen.spectrum[:, : light.shape[-1]], light)
    if seen.plane.table.limit_rad.size:
        clipped = _clipped_spectra(seen.plane, ladder)
        clipped = np.moveaxis(clipped, 0, -1).reshape(-1, clipped.shape[0])
        columns = columns - _sums(seen.coarse_spectrum, clipped)
    return columns


def _sums(spectra: np.ndarray, light: np.ndarray) -> np.ndarray:
    """Real parts of the sums of one times the conjugate of the other, over frequencies."""
    # Side by side, as one real product of matrices that lie in one piece.
    first, second = (
        np.concatenate([part.real, part.imag], axis=1) for part in (spectra, light)
    )
    return first @ second.T


def _light_spectra(plane: Plane, ladder: SlopeLadder) -> np.ndarray:
    """Spectra of the light of each pair, nothing clipped, (primary, secondary, …).

    Only as many frequencies as the smallest step leaves.
    """
    total = 0.0
    for way, landing in enumerate(plane.landing_mm2):
        primary, secondary = _scattered_by(way, plane.landing_mm2.shape[0])
        chance = interval_chances(plane.table.error_rad, ladder, scattered=primary)
        laws = _laws(plane, ladder, scattered=secondary)
        spectrum = np.fft.rfft(chance @ landing, _length(landing.shape[-1]), axis=-1)
        total = total + spectrum[:, None, : laws.shape[1]] * laws
    return total


def _length(bins: int) -> int:
    """Length of a transform without wrapping: twice the bins, of small prime factors."""
    return 2 * next_fast_len(bins)


def _clipped_spectra(plane: Plane, ladder: SlopeLadder) -> np.ndarray:
    """Light that the next foil inward catches on its way out, by where it would land.

    Spectra on coarse bins, shape (frequencies, primary steps, secondary steps).
    """
    n, ways = len(ladder.steps_rad), plane.landing_mm2.shape[0]
    length = _length(plane.clipped_mm2.shape[-1])
    total = np.zeros((length // 2 + 1, n, n), dtype=complex)
    for way, clipped in enumerate(plane.clipped_mm2):
        primary, secondary = _scattered_by(way, ways)
        chance = interval_chances(plane.table.clipped_error_rad, ladder, scattered=primary)
        spectra = np.fft.rfft(chance @ clipped, length, axis=-1)  # limits, primary, …
        laws = _clipped_laws(plane, ladder, scattered=secondary)  # steps, limits, …
        total += spectra.transpose(2, 1, 0) @ laws.transpose(2, 1, 0)
    return total


def _clipped_laws(plane: Plane, ladder: SlopeLadder, *, scattered: bool) -> np.ndarray:
    """Spectra of the laws of the secondary below each limit, (steps, limits, …)."""
    step_rad = plane.table.grid.step_mm * CLIP_BINS / (2 * plane.lever_mm)
    length, mean = _length(plane.clipped_mm2.shape[-1]), ladder.secondary_mean_rad
    limits = tuple((plane.table.limit_rad - mean).tolist())
    return _cut_laws(length, step_rad, limits, mean, tuple(ladder.spreads(scattered)))


@lru_cache(maxsize=32)
def _cut_laws(
    length: int,
    step_rad: float,
    limit_rad: tuple[float, ...],
    mean_rad: float,
    spread_rad: tuple[float, ...],
) -> np.ndarray:
    """Spectra of laws of error about a mean, each cut at a limit from there.

    Kept, since families that differ in the primary have them in common.
    """
    edges = (np.arange(length + 1) - length // 2 - 0.5) * step_rad - mean_rad
    ends = np.minimum(edges, np.array(limit_rad)[:, None])
    chance = np.diff(ndtr(ends / np.array(spread_rad)[:, None, None]), axis=-1)
    # In the order of a discrete Fourier transform: no displacement first, then wrapped.
    return np.fft.rfft(np.fft.ifftshift(chance, axes=-1), axis=-1)


def _coarse(targets: np.ndarray, plane: Plane) -> np.ndarray:
    """Targets on the coarser bins of clipped light, shape (targets, coarse bins)."""
    missing = plane.clipped_mm2.shape[-1] * CLIP_BINS - targets.shape[1]
    padded = np.pad(targets, ((0, 0), (0, missing)))
    return padded.reshape(targets.shape[0], -1, CLIP_BINS).mean(axis=2)


def ladder_areas(table: MeridianTable, ladder: SlopeLadder) -> np.ndarray:
    """Return the effective area wherever light lands, (energies, pairs), mm²."""
    return sum(share * _areas(part, of) for share, part, of in _as_cones(table, ladder))


def _areas(table: MeridianTable, ladder: SlopeLadder) -> np.ndarray:
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
    return sum(
        share * _profile(replace(plane, table=table), of, weights)
        for share, table, of in _as_cones(plane.table, ladder)
    )


def _profile(plane: Plane, ladder: SlopeLadder, weights: np.ndarray) -> np.ndarray:
    ladder, share = _in_use(ladder, weights)
    length = _length(plane.table.grid.bins)
    total = np.zeros(length // 2 + 1, dtype=complex)
    for way, landing in enumerate(plane.landing_mm2):
        primary, secondary = _scattered_by(way, plane.landing_mm2.shape[0])
        chance = interval_chances(plane.table.error_rad, ladder, scattered=primary)
        laws = _laws(plane, ladder, scattered=secondary)
        spectrum = np.fft.rfft(share.T @ (chance @ landing), length, axis=-1)
        total[: laws.shape[1]] += (spectrum[:, : laws.shape[1]] * laws).sum(axis=0)
    profile = np.fft.irfft(total, length)[: plane.table.grid.bins]
    if plane.table.limit_rad.size:
        clipped = np.fft.irfft((_clipped_spectra(plane, ladder) * share).sum(axis=(1, 2)))
        profile = profile - np.repeat(clipped / CLIP_BINS, CLIP_BINS)[: profile.size]
    return profile


def _in_use(ladder: SlopeLadder, weights: np.ndarray) -> tuple[SlopeLadder, np.ndarray]:
    """Return a ladder of the steps that have a share, and the shares of its pairs.

    A mixture uses few of many steps.
    """
    n = len(ladder.steps_rad)
    share = weights.reshape(n, n)
    used = np.flatnonzero(share.any(axis=0) | share.any(axis=1))
    steps = tuple(ladder.steps_rad[k] for k in used)
    return replace(ladder, steps_rad=steps), share[np.ix_(used, used)]


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
    """Spectra of the laws of the secondary, shape (steps, frequencies).

    Frequencies are left out where nothing is left of the smallest step.
    """
    grid, mean = plane.table.grid, ladder.secondary_mean_rad
    frequency = 2 * np.pi * np.fft.rfftfreq(_length(grid.bins), grid.step_mm)
    smallest = 2 * plane.lever_mm * min(ladder.steps_rad)
    frequency = frequency[smallest * frequency < _NOTHING_LEFT]
    sigma = 2 * plane.lever_mm * ladder.spreads(scattered)
    turned = np.exp(-2j * plane.lever_mm * mean * frequency)
    return np.exp(-0.5 * (sigma[:, None] * frequency) ** 2) * turned
