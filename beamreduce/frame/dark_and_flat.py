"""Dark current from darks of any exposure times, and the relative response of pixels."""

from collections.abc import Callable, Collection, Iterable, Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np

from beamreduce.errors import FrameError, Problem
from beamreduce.frame.bad_pixels import find_bad_pixels
from beamreduce.frame.frame import Frame
from beamreduce.frame.master import MasterFrame, make_master


@dataclass(frozen=True, kw_only=True)
class DarkRate:
    """Dark current a pixel, and how it hangs on the bias it was found with.

    Parameters
    ----------
    rate
        ``(dark − bias)/t`` in adu a second, float64.
    variance
        Variance of the rate from the dark frames alone, (adu/s)²; float32.
    bias_weight
        How many times the master bias was taken off, a second: an error of the bias
        comes back with this factor when the rate is used together with that bias.
    """

    rate: np.ndarray
    variance: np.ndarray
    bias_weight: float


def make_dark_rate(
    darks: Iterable[tuple[MasterFrame, float]], bias: MasterFrame
) -> DarkRate:
    """Return the dark current from master darks and the master bias.

    Parameters
    ----------
    darks
        Each the master of one exposure time, with that time in seconds; it must know
        its variance. They are asked for one at a time.
    bias
        Master bias of the same detector.

    Notes
    -----
    ``Σ n (dark − bias) / Σ n t`` over the times, n frames each: long exposures, which
    say more about the rate, weigh more.
    """
    rate = np.zeros_like(bias.mean)
    variance = np.zeros(bias.mean.shape, dtype=np.float32)
    frames, seconds = 0, 0.0
    for master, time in darks:
        frames += master.count
        seconds += master.count * time
        rate += master.mean * master.count
        variance += master.variance * np.float32(master.count**2)
    rate -= bias.mean * frames
    rate /= seconds
    variance /= np.float32(seconds**2)
    return DarkRate(rate=rate, variance=variance, bias_weight=frames / seconds)


@dataclass(frozen=True)
class FlatFrames:
    """Flat exposures scaled to a mean of 1 in the good pixels, read one at a time.

    Parameters
    ----------
    frames
        Raw frames.
    pedestals
        For each frame the function that makes the image to take off (bias and dark).
    bad
        Pixels that do not count for the mean.
    saturation_adu
        Pixel value from which a pixel holds no data; None without a limit.
    """

    frames: Collection[Frame]
    pedestals: Sequence[Callable[[], np.ndarray | float]]
    bad: np.ndarray
    saturation_adu: float | None = None

    def __len__(self) -> int:
        """Return the number of frames."""
        return len(self.frames)

    def __iter__(self) -> Iterator[Frame]:
        """Scale one frame after the other."""
        for frame, pedestal in zip(self.frames, self.pedestals, strict=True):
            yield replace(frame, pixels=self._scaled(frame, pedestal())[0])

    def levels(self) -> list[float]:
        """Return the mean signal of each frame in adu."""
        return [
            self._scaled(frame, pedestal())[1]
            for frame, pedestal in zip(self.frames, self.pedestals, strict=True)
        ]

    def _scaled(
        self, frame: Frame, pedestal: np.ndarray | float
    ) -> tuple[np.ndarray, float]:
        signal = np.subtract(frame.pixels, pedestal, dtype=float)
        if self.saturation_adu is not None:
            signal[frame.pixels >= self.saturation_adu] = np.nan
        used = np.isfinite(signal) & ~self.bad
        level = float(np.mean(signal, where=used)) if used.any() else 0.0
        if not level > 0:
            problem = Problem(
                file=frame.name,
                found=f"a mean signal of {level:g} adu in a flat",
                expected="a signal above zero in pixels that are not saturated",
                action="take the flat out of the table or replace it",
            )
            raise FrameError(str(problem))
        # Single precision: six digits are more than a flat has, in half the memory.
        return np.divide(signal, level, out=signal).astype(np.float32), level


def make_flat(flats: FlatFrames, *, noise: Callable[[float], float]) -> MasterFrame:
    """Return the response of each pixel relative to the mean one, with its variance.

    Parameters
    ----------
    flats
        The exposures.
    noise
        Variance in adu² of a pixel that holds a signal (adu); used for a single
        exposure, which has no scatter to measure.
    """
    master = make_master(flats, of_photons=True)
    if master.variance is None:
        (level,) = flats.levels()
        # The noise of a single flat is taken at its mean level: its own pixels scatter,
        # and a variance taken from them would be small where they happen to be low.
        single = np.full(master.mean.shape, noise(level) / level**2, dtype=np.float32)
        master = replace(master, variance=single)
    # The exposures were scaled with dead pixels still among the good ones.
    good = ~(find_bad_pixels(flat=master) | flats.bad)
    level = float(master.mean.mean(where=good)) if good.any() else 1.0
    return replace(
        master,
        mean=master.mean / level,
        variance=master.variance / np.float32(level**2),
    )
