"""All exposures of one measurement, each with its own masters, to one sum of photons."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import astropy.units as u
import numpy as np
from astropy.units import Quantity

from beamreduce.beamline.stations import Detector
from beamreduce.campaign.measurement_inputs import CalibratedBy
from beamreduce.campaign.paths import EXPOSURE_FILE
from beamreduce.errors import FrameError, Problem, SettingsError
from beamreduce.frame.calibrate import (
    PhotonSum,
    calibrate_frame,
    calibrate_without_flat_noise,
    with_flat_noise,
)
from beamreduce.frame.cosmic_rays import find_hits
from beamreduce.frame.dead_pixels import find_dead_pixels
from beamreduce.frame.frame import check_same_shape
from beamreduce.frame.master_set import MasterCache, MasterSet
from beamreduce.frame.matched_masters import gather_masters, master_key
from beamreduce.frame.photon_scale import variance_per_photon
from beamreduce.frame.read_fits import FrameFiles, read_frame

_COSMIC_RAYS = ("none", "repeats")


@dataclass(frozen=True, kw_only=True)
class FrameSettings:
    """How the exposures of a measurement are summed.

    Parameters
    ----------
    energy
        Photon energy to turn charge into photons with; None to use that of the
        exposures. Beam-off exposures without an energy take that of the beam here.
    cosmic_rays
        ``none``, or ``repeats`` to take out hits by comparing the exposures.
    """

    energy: Quantity | None = None
    cosmic_rays: str = "none"

    def __post_init__(self) -> None:
        if self.cosmic_rays not in _COSMIC_RAYS:
            raise SettingsError(
                f"cosmic_rays must be one of {', '.join(_COSMIC_RAYS)}; "
                f"got {self.cosmic_rays!r}"
            )


def sum_exposures(
    group: Sequence[CalibratedBy],
    *,
    folder: Path,
    detector: Detector,
    cache: MasterCache | None = None,
    settings: FrameSettings | None = None,
) -> PhotonSum:
    """Calibrate the exposures of one measurement and sum them as photons.

    Exposures may differ in time and in their darks. They are read one at a time.

    Parameters
    ----------
    group
        The exposures with the bias, dark and flat exposures each is calibrated by.
    folder
        Campaign folder.
    detector
        The detector all of them were taken with.
    cache
        Masters of earlier calls; None to make them anew.
    settings
        Energy and cosmic rays.

    Raises
    ------
    FrameError
        When a frame cannot be read, or has another shape than the rest.
    SettingsError
        When the energy is not known, or hits are to be taken from a counting detector.
    """
    _check(group)
    summing = _Summing(
        folder,
        detector,
        MasterCache() if cache is None else cache,
        settings or FrameSettings(),
        _energy(group, settings or FrameSettings()),
    )
    if summing.settings.cosmic_rays == "repeats" and not detector.integrating:
        raise SettingsError(
            "cosmic_rays must be 'none' for a counting detector, where every hit is one "
            "count; got 'repeats' (take it out of [reduction])"
        )
    total = summing.total(group)
    if summing.settings.cosmic_rays == "repeats":
        total = summing.without_hits(group, total)
    dead = find_dead_pixels(total.photons, total.noise_variance)
    bad = total.bad | dead
    return replace(total, bad=bad, saturated=total.saturated & ~bad)


def photons_in_rows(
    item: CalibratedBy,
    rows: slice,
    *,
    folder: Path,
    detector: Detector,
    cache: MasterCache,
) -> np.ndarray:
    """Calibrate some rows of one exposure, which says its photon energy.

    Parameters
    ----------
    item
        The exposure with the bias, dark and flat exposures it is calibrated by.
    rows
        Which rows.
    folder, detector, cache
        As for :func:`sum_exposures`.

    Returns
    -------
    Photons a pixel, shape (rows, nx); 0 in bad or saturated pixels.

    Raises
    ------
    FrameError
        When the frame cannot be read, or has another shape than its masters.
    """
    frame = read_frame(Path(item.exposure.file), root=folder)
    total = calibrate_frame(
        replace(frame, pixels=frame.pixels[rows]),
        gather_masters(item, folder=folder, detector=detector, cache=cache).rows(rows),
        detector=detector,
        exposure_time=item.exposure.exposure_time,
        energy=item.exposure.energy,
    )
    total.photons[total.bad | total.saturated] = 0.0
    return total.photons


@dataclass(frozen=True)
class _Summing:
    """What stays the same for all exposures of a measurement."""

    folder: Path
    detector: Detector
    cache: MasterCache
    settings: FrameSettings
    energy: Quantity | None

    def total(self, group: Sequence[CalibratedBy]) -> PhotonSum:
        """Sum parts of the group that share a flat, and in them those that share all."""
        total: PhotonSum | None = None
        first = group[0].exposure.file
        for same_flat in _alike(group, lambda item: master_key(item)[2]):
            part: PhotonSum | None = None
            for same in _alike(same_flat, master_key):
                masters = self._masters(same[0])
                more = self._sum(same, masters)
                if total is not None or part is not None:
                    shape = (part or total).photons.shape
                    name = same[0].exposure.file
                    check_same_shape((name, more.photons.shape), (first, shape))
                part = more if part is None else part + more
            part = with_flat_noise(part, masters, self.detector)
            total = part if total is None else total + part
        return total

    def without_hits(self, group: Sequence[CalibratedBy], total: PhotonSum) -> PhotonSum:
        """Leave out, pixel by pixel, the frames in which a cosmic ray hit.

        The pixel keeps the rate of its other frames: their sum over their share.
        """
        good = ~(total.bad | total.saturated)
        all_photons = float(total.photons.sum(where=good))
        all_seconds = sum(_seconds(item) for item in group)
        removed = np.zeros_like(total.photons)
        lost = np.zeros_like(total.photons)
        for item in group:
            photons = self._one(item)
            share = _seconds(item) / all_seconds
            if all_photons > 0:
                # A source that drifts makes some frames brighter as a whole.
                share = max(share, float(photons.sum(where=good)) / all_photons)
            hits = find_hits(photons, total.photons, share=share, frames=len(group))
            hits &= good
            removed[hits] += photons[hits]
            lost[hits] += share
        kept = 1.0 - np.minimum(lost, 0.99)
        photons = (total.photons - removed) / kept
        noise = total.noise_variance + self._per_photon() * photons * (1.0 / kept - 1.0)
        return replace(total, photons=photons, noise_variance=noise)

    def _masters(self, item: CalibratedBy) -> MasterSet:
        return gather_masters(
            item, folder=self.folder, detector=self.detector, cache=self.cache
        )

    def _sum(self, items: Sequence[CalibratedBy], masters: MasterSet) -> PhotonSum:
        # A detector with charge never reads zero everywhere; a counter without a beam may.
        frames = FrameFiles(
            [Path(item.exposure.file) for item in items],
            self.folder,
            refuse_zero=self.detector.integrating,
        )
        return calibrate_without_flat_noise(
            frames,
            masters,
            detector=self.detector,
            exposure_times=[_seconds(item) for item in items] * u.s,
            energy=self.energy,
        )

    def _one(self, item: CalibratedBy) -> np.ndarray:
        return calibrate_frame(
            read_frame(Path(item.exposure.file), root=self.folder),
            self._masters(item),
            detector=self.detector,
            exposure_time=item.exposure.exposure_time,
            energy=self.energy,
        ).photons

    def _per_photon(self) -> float:
        return variance_per_photon(self.detector, self.energy)


def _alike(
    items: Sequence[CalibratedBy], key: Callable[[CalibratedBy], tuple]
) -> list[list[CalibratedBy]]:
    """Split into lists of equal key, in the order in which the keys first come."""
    parts: dict[tuple, list[CalibratedBy]] = {}
    for item in items:
        parts.setdefault(key(item), []).append(item)
    return list(parts.values())


def _seconds(item: CalibratedBy) -> float:
    return float(item.exposure.exposure_time.to_value(u.s))


def _check(group: Sequence[CalibratedBy]) -> None:
    if not group:
        raise FrameError("there must be at least one exposure to sum; got none")
    for item in group:
        if item.exposure.is_counter:
            problem = Problem(
                file=EXPOSURE_FILE,
                item=f"exposure {item.exposure.exposure}",
                found="no file (the reading of a counter)",
                expected="a frame, to be summed with others",
                action="keep counters and frames apart",
            )
            raise FrameError(str(problem))


def _energy(group: Sequence[CalibratedBy], settings: FrameSettings) -> Quantity | None:
    if settings.energy is not None:
        return settings.energy
    return next(
        (item.exposure.energy for item in group if item.exposure.energy is not None), None
    )
