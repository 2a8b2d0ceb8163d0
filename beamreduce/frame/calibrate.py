"""Raw frames of one setting to the sum of their photons, with its noise and its flags.

``photons = gain (raw − bias − dark t) / flat / N_e`` is linear in the raw frame, so raw
frames are added as they arrive and the sum is calibrated once; only saturation has to
be looked at frame by frame. What is held in memory does not grow with their number.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

import astropy.units as u
import numpy as np
from astropy.units import Quantity

from beamreduce.beamline.stations import Detector
from beamreduce.errors import FrameError
from beamreduce.frame.bad_pixels import find_steady_pixels
from beamreduce.frame.frame import Frame, check_same_shape
from beamreduce.frame.master_set import MasterSet
from beamreduce.frame.photon_scale import (
    adu_per_photon,
    saturation_adu,
)
from beamreduce.frame.running_sums import RunningSums, sum_frames
from beamreduce.units import convert

_SAME_TIME = 0.01
_ROWS_AT_ONCE = 128  # whole images would go through memory once for every operation


@dataclass(frozen=True, kw_only=True)
class PhotonSum:
    """Photons in the sum of calibrated frames.

    Parameters
    ----------
    photons
        Shape (ny, nx), float64; finite everywhere, meaningless where ``bad``, too small
        where ``saturated``.
    noise_variance
        Variance a pixel in photons² that is not that of the photons themselves: read
        noise and dark current of every frame, and the masters, whose errors are common
        to the frames. A counting detector with a flat has ``photons (1/flat − 1)`` in
        it: its response is the chance of a count, and N counts over that vary by
        N/flat². It is below zero where the response is above 1; sums come out right.
        (An integrating one loses charge, not photons, and needs no such term.)
    bad
        Dead, hot or unsteady pixels and such without data.
    saturated
        Pixels that reached the limit of the detector in at least one frame, and are
        not bad.
    count
        Number of frames.
    """

    photons: np.ndarray
    noise_variance: np.ndarray
    bad: np.ndarray
    saturated: np.ndarray
    count: int

    def __add__(self, other: "PhotonSum") -> "PhotonSum":
        """Return the sum of two sums whose masters are independent."""
        return PhotonSum(
            photons=self.photons + other.photons,
            noise_variance=self.noise_variance + other.noise_variance,
            bad=self.bad | other.bad,
            saturated=(self.saturated | other.saturated) & ~(self.bad | other.bad),
            count=self.count + other.count,
        )


def calibrate_frame(
    frame: Frame,
    masters: MasterSet,
    *,
    detector: Detector,
    exposure_time: Quantity,
    energy: Quantity | None = None,
) -> PhotonSum:
    """Calibrate one raw frame into photons.

    Parameters
    ----------
    frame
        As read.
    masters
        Bias, dark and flat; ``MasterSet()`` takes nothing off.
    detector
        Gain, noise, electron energy and saturation; a counting one gives photons as
        they are.
    exposure_time
        Of the frame, for the dark current.
    energy
        Photon energy; needed by an integrating detector.
    """
    return calibrate_frames(
        [frame],
        masters,
        detector=detector,
        exposure_times=[exposure_time.to_value(u.s)] * u.s,
        energy=energy,
    )


def calibrate_frames(
    frames: Iterable[Frame],
    masters: MasterSet,
    *,
    detector: Detector,
    exposure_times: Quantity,
    energy: Quantity | None = None,
) -> PhotonSum:
    """Sum raw frames that share their masters, and calibrate the sum into photons.

    Parameters
    ----------
    frames
        Read one at a time.
    masters, detector, energy
        As in :func:`calibrate_frame`.
    exposure_times
        One for each frame.

    Raises
    ------
    FrameError
        When shapes differ, or there are more or fewer frames than times.
    """
    total = calibrate_without_flat_noise(
        frames,
        masters,
        detector=detector,
        exposure_times=exposure_times,
        energy=energy,
    )
    return with_flat_noise(total, masters, detector)


def calibrate_without_flat_noise(
    frames: Iterable[Frame],
    masters: MasterSet,
    *,
    detector: Detector,
    exposure_times: Quantity,
    energy: Quantity | None = None,
) -> PhotonSum:
    """Do what :func:`calibrate_frames` does, but for the noise of the flat.

    That noise is common to all frames divided by one flat, also where their darks
    differ: it is added once, to the sum of them all, by :func:`with_flat_noise`.
    """
    seconds = np.atleast_1d(convert(exposure_times, u.s, name="exposure_times").value)
    sums = sum_frames(frames)
    if sums.count != seconds.size:
        raise FrameError(
            f"{sums.first.name} and the frames after it: there must be one exposure "
            f"time for each frame; got {seconds.size} for {sums.count} frames"
        )
    _check_masters(sums, masters)
    scale = adu_per_photon(detector, energy)
    bad = sums.without_data.copy()
    if masters.bad is not None:
        bad |= masters.bad
    limit = saturation_adu(detector)
    full = np.zeros_like(bad) if limit is None else sums.high >= limit
    if detector.integrating and _same_times(seconds):
        # What hits the limit in every frame is steady too, but no bad pixel.
        bad |= find_steady_pixels(sums, adu_per_photon=scale) & ~full
    sums.squares = np.empty(0)  # room for the results
    photons = np.empty(sums.first.shape)
    noise = np.empty(sums.first.shape)
    for start in range(0, len(photons), _ROWS_AT_ONCE):
        rows = slice(start, start + _ROWS_AT_ONCE)
        part = masters.rows(rows)
        photons[rows] = _photons(sums, rows, part, float(seconds.sum())) / scale
        noise[rows] = _noise(part, detector, seconds, photons[rows].shape) / scale**2
    return PhotonSum(
        photons=photons,
        noise_variance=noise,
        bad=bad,
        saturated=full & ~bad,
        count=seconds.size,
    )


def with_flat_noise(total: PhotonSum, masters: MasterSet, detector: Detector) -> PhotonSum:
    """Return a sum with the noise of its flat, and of dividing counts by a response.

    Parameters
    ----------
    total
        Sum of frames divided by the flat of ``masters``; its flat noise not yet in.
    masters
        Holds the flat; without one nothing is added.
    detector
        Whether it counts.
    """
    if masters.flat is None:
        return total
    response = response_of(masters)
    noise = total.photons**2
    noise *= masters.flat.variance
    noise /= response
    noise /= response
    noise += total.noise_variance
    if not detector.integrating:
        noise += total.photons * (1.0 / response - 1.0)
    return replace(total, noise_variance=noise)


def response_of(masters: MasterSet) -> np.ndarray | float:
    """Return the flat with 1 in bad pixels, so that nothing is divided by zero."""
    if masters.flat is None:
        return 1.0
    return np.where(masters.bad, 1.0, masters.flat.mean)


def _photons(
    sums: RunningSums, rows: slice, masters: MasterSet, seconds: float
) -> np.ndarray:
    """Signal over the response, adu; ``masters`` are those of the rows."""
    photons = sums.total(rows)
    photons -= masters.pedestal(count=sums.count, seconds=seconds)
    photons /= response_of(masters)
    photons[sums.without_data[rows]] = 0.0
    return photons


def _noise(
    masters: MasterSet, detector: Detector, seconds: np.ndarray, shape: tuple[int, int]
) -> np.ndarray:
    """Noise of frames and masters in the sum, adu² over the response squared."""
    count, total = seconds.size, float(seconds.sum())
    noise = np.zeros(shape)
    noise += masters.frame_variance(detector, count=count, seconds=total)
    noise += masters.pedestal_variance(count=count, seconds=total)
    np.maximum(noise, 0.0, out=noise)
    response = response_of(masters)
    noise /= response
    noise /= response
    return noise


def _same_times(seconds: Sequence[float]) -> bool:
    return max(seconds) - min(seconds) <= _SAME_TIME * max(seconds)


def _check_masters(sums: RunningSums, masters: MasterSet) -> None:
    raw = (sums.first.name, sums.first.shape)
    if masters.bad is not None:
        check_same_shape(raw, (masters.name or "the masters", masters.bad.shape))
    for master in (masters.bias, masters.dark, masters.flat):
        image = getattr(master, "mean", None)
        if image is not None:
            check_same_shape(raw, (master.name, image.shape))
