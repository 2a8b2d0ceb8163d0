"""From the bias, dark and flat exposures of one exposure to its set of masters."""

from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path

import astropy.units as u
import numpy as np

from beamreduce.beamline.stations import Detector
from beamreduce.campaign.exposure import Exposure
from beamreduce.campaign.measurement_inputs import CalibratedBy
from beamreduce.errors import FrameError, Problem
from beamreduce.frame.bad_pixels import find_bad_pixels
from beamreduce.frame.dark_and_flat import (
    DarkRate,
    FlatFrames,
    make_dark_rate,
    make_flat,
)
from beamreduce.frame.frame import check_same_shape
from beamreduce.frame.master import MasterFrame, make_master
from beamreduce.frame.master_set import MasterCache, MasterSet
from beamreduce.frame.photon_scale import (
    adu_per_photon,
    electrons_per_adu,
    read_variance_adu2,
    saturation_adu,
    variance_per_photon,
)
from beamreduce.frame.read_fits import FrameFiles

# Within 1 %; the last digits are for times that were rounded when written.
_SAME_TIME = 0.01 * (1 + 1e-9)


def master_key(item: CalibratedBy) -> tuple:
    """Return what tells the masters of one exposure from those of another."""
    kinds = (item.bias, item.dark, item.flat, item.flat_dark)
    names = (tuple(exposure.file for exposure in kind) for kind in kinds)
    return (*names, item.dark_use)


def gather_masters(
    item: CalibratedBy,
    *,
    folder: Path,
    detector: Detector,
    cache: MasterCache | None = None,
) -> MasterSet:
    """Make the masters that belong to one exposure, or take them from the cache.

    Parameters
    ----------
    item
        The exposure and its bias, dark and flat exposures.
    folder
        Campaign folder.
    detector
        The detector they were taken with.
    cache
        Where masters of earlier calls are kept.

    Raises
    ------
    FrameError
        When a frame cannot be read, shapes differ, or a flat has no dark of its own.
    """
    maker = _Maker(item, folder, detector)
    if cache is None:
        return maker.make()
    return cache.get((str(folder), repr(detector), *master_key(item)), maker.make)


@dataclass(frozen=True)
class _Maker:
    """The exposures, where they are, and their detector: what every step here needs."""

    item: CalibratedBy
    folder: Path
    detector: Detector

    def make(self) -> MasterSet:
        item = self.item
        exposures = (*item.bias, *item.dark, *item.flat)
        if not exposures:
            return MasterSet()
        bad: list[np.ndarray] = []
        bias, dark = None, None
        if item.bias and item.dark and item.dark_use == "rate":
            bias, dark = self._bias_and_dark_rate(bad)
        elif item.bias:
            bias = self._bias(bad)
        if item.dark and item.dark_use == "same_time":
            dark = self._dark_of_same_time(bad)
        masters = MasterSet(bias=bias, dark=dark, name=exposures[0].file)
        if item.flat:
            masters = replace(masters, flat=self._flat(masters, bad))
        return replace(masters, bad=np.logical_or.reduce(bad))

    def _bias(self, bad: list[np.ndarray]) -> MasterFrame:
        master = make_master(self._frames(self.item.bias))
        bad.append(
            find_bad_pixels(bias=master, saturation_adu=saturation_adu(self.detector))
        )
        return _with_variance(master, read_variance_adu2(self.detector))

    def _bias_and_dark_rate(self, bad: list[np.ndarray]) -> tuple[MasterFrame, DarkRate]:
        """Make the bias beside the first dark: both wait for frames, neither for locks."""
        times = sorted({_seconds(exposure) for exposure in self.item.dark})
        with ThreadPoolExecutor(max_workers=1) as beside:
            making = beside.submit(self._bias, bad)
            try:
                first = self._dark(self._darks_of(times[0]), bad)
            finally:
                bias = making.result()  # of two errors the bias's is told
        return bias, make_dark_rate(self._with_noise(bias, (times, first), bad), bias)

    def _darks_of(self, time: float) -> list[Exposure]:
        return [dark for dark in self.item.dark if _seconds(dark) == time]

    def _with_noise(
        self,
        bias: MasterFrame,
        darks: tuple[Sequence[float], MasterFrame],
        bad: list[np.ndarray],
    ) -> Iterator[tuple[MasterFrame, float]]:
        """Give master darks with their times, the first of which is made already."""
        times, first = darks
        for time in times:
            master = first if time == times[0] else self._dark(self._darks_of(time), bad)
            check_same_shape((master.name, master.mean.shape), (bias.name, bias.mean.shape))
            if master.variance is None:
                shot = np.maximum(master.mean - bias.mean, 0.0)
                shot /= electrons_per_adu(self.detector)
                master = _with_variance(master, shot + read_variance_adu2(self.detector))
            yield master, time

    def _dark_of_same_time(self, bad: list[np.ndarray]) -> MasterFrame:
        # Its own shot noise cannot be told from the pedestal in a single frame.
        master = self._dark(self.item.dark, bad)
        return _with_variance(master, read_variance_adu2(self.detector))

    def _dark(self, exposures: Sequence[Exposure], bad: list[np.ndarray]) -> MasterFrame:
        master = make_master(self._frames(exposures))
        bad.append(
            find_bad_pixels(darks=[master], saturation_adu=saturation_adu(self.detector))
        )
        return master

    def _flat(self, masters: MasterSet, bad: list[np.ndarray]) -> MasterFrame:
        flats = FlatFrames(
            self._frames(self.item.flat),
            self._pedestals_of_flats(masters),
            bad=np.logical_or.reduce(bad) if bad else np.bool_(False),
            saturation_adu=saturation_adu(self.detector),
        )
        flat = make_flat(flats, noise=self._noise_of_flat)
        bad.append(find_bad_pixels(flat=flat))
        return flat

    def _pedestals_of_flats(
        self, masters: MasterSet
    ) -> list[Callable[[], np.ndarray | float]]:
        times = [_seconds(flat) for flat in self.item.flat]
        if self.item.dark_use != "same_time":
            return [partial(masters.pedestal, count=1, seconds=time) for time in times]
        means: dict[float, np.ndarray] = {}
        for time, flat in zip(times, self.item.flat, strict=True):
            if time not in means:
                means[time] = self._mean_dark_of_flat(flat)
        return [partial(means.get, time) for time in times]

    def _mean_dark_of_flat(self, flat: Exposure) -> np.ndarray:
        seconds = _seconds(flat)
        darks = [
            dark
            for dark in self.item.flat_dark
            if abs(_seconds(dark) - seconds) <= _SAME_TIME * seconds
        ]
        if darks:
            return make_master(self._frames(darks)).mean
        times = {f"{_seconds(dark):g} s" for dark in self.item.flat_dark}
        problem = Problem(
            file=flat.file,
            item=f"flat {flat.exposure}",
            found=f"a flat of {seconds:g} s and, for flats, "
            f"darks of {', '.join(sorted(times)) or 'no time at all'}",
            expected="bias frames, or darks within 1 % of the time of the flat",
            action="add such frames, or take flats of the time of the darks",
        )
        raise FrameError(str(problem))

    def _noise_of_flat(self, level: float) -> float:
        """Variance in adu² of a signal of light or, when it has an energy, of photons."""
        energy = self.item.flat[0].energy
        if energy is None:
            quantum = 1.0 / electrons_per_adu(self.detector)
        else:
            quantum = adu_per_photon(self.detector, energy)
            quantum *= variance_per_photon(self.detector, energy)
        return level * quantum + read_variance_adu2(self.detector)

    def _frames(self, exposures: Sequence[Exposure]) -> FrameFiles:
        return FrameFiles([Path(e.file) for e in exposures], self.folder)


def _seconds(exposure: Exposure) -> float:
    return float(exposure.exposure_time.to_value(u.s))


def _with_variance(master: MasterFrame, single: np.ndarray | float) -> MasterFrame:
    """Give a master of a single frame the variance that such a frame must have."""
    if master.variance is not None:
        return master
    variance = np.broadcast_to(np.asarray(single, dtype=np.float32), master.mean.shape)
    return replace(master, variance=variance)
