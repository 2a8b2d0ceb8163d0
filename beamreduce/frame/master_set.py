"""The masters that frames are calibrated with, the noise they bring, and a cache."""

from collections import OrderedDict
from collections.abc import Callable
from dataclasses import dataclass, field, fields, replace
from threading import Lock
from typing import TypeVar

import numpy as np

from beamreduce.beamline.stations import Detector
from beamreduce.frame.dark_and_flat import DarkRate
from beamreduce.frame.master import MasterFrame
from beamreduce.frame.photon_scale import electrons_per_adu, read_variance_adu2

_T = TypeVar("_T")
_M = TypeVar("_M", MasterFrame | None, DarkRate | MasterFrame | None)


@dataclass(frozen=True, kw_only=True)
class MasterSet:
    """What is taken off and divided out of raw frames, and the noise it brings.

    Parameters
    ----------
    bias
        Master bias in adu; None without bias frames.
    dark
        Dark current to be scaled by time, or the master dark of the same exposure time
        that is taken off whole; None to go without.
    flat
        Relative response, mean 1; None for a response of 1 everywhere.
    bad
        Pixels that cannot be used.
    name
        File that stands for the set in messages about its shape; empty without masters.
    """

    bias: MasterFrame | None = None
    dark: DarkRate | MasterFrame | None = None
    flat: MasterFrame | None = None
    bad: np.ndarray | None = None
    name: str = ""

    def rows(self, rows: slice) -> "MasterSet":
        """Return the masters of some rows alone, as views."""
        return replace(
            self,
            bias=_rows_of(self.bias, rows),
            dark=_rows_of(self.dark, rows),
            flat=_rows_of(self.flat, rows),
            bad=None if self.bad is None else self.bad[rows],
        )

    def pedestal(self, *, count: int, seconds: float) -> np.ndarray | float:
        """Return bias and dark signal in the sum of frames, adu.

        Parameters
        ----------
        count
            Number of frames summed.
        seconds
            Sum of their exposure times.
        """
        if isinstance(self.dark, MasterFrame):
            return self.dark.mean * count
        if self.bias is None:
            return 0.0
        pedestal = self.bias.mean * count
        if self.dark is not None:
            pedestal += self.dark.rate * seconds
        return pedestal

    def pedestal_variance(self, *, count: int, seconds: float) -> np.ndarray | float:
        """Return the variance that the masters bring to the sum of frames, adu².

        The masters are the same in every frame, so their errors add up before they are
        squared: count² times the variance of a master.
        """
        if isinstance(self.dark, MasterFrame):
            return self.dark.variance * float(count**2)
        if self.bias is None:
            return 0.0
        if self.dark is None:
            return self.bias.variance * float(count**2)
        left = count - seconds * self.dark.bias_weight
        return self.bias.variance * float(left**2) + self.dark.variance * float(seconds**2)

    def frame_variance(
        self, detector: Detector, *, count: int, seconds: float
    ) -> np.ndarray | float:
        """Return read noise and dark shot noise of the sum of frames, adu².

        A dark of the same time does not tell its dark current from its pedestal; there
        the scatter of the dark frames, which holds both noises, is used.
        """
        read = read_variance_adu2(detector) * count
        if isinstance(self.dark, DarkRate):
            # Not clipped at zero pixel by pixel: that would make the mean too large.
            return self.dark.rate * (seconds / electrons_per_adu(detector)) + read
        if isinstance(self.dark, MasterFrame) and self.dark.count > 1:
            return self.dark.frame_variance * float(count)
        return read


def _rows_of(master: _M, rows: slice) -> _M:
    """Return a master with every image in it cut to some rows."""
    if master is None:
        return None
    images = {
        field.name: value[rows]
        for field in fields(master)
        if isinstance(value := getattr(master, field.name), np.ndarray)
    }
    return replace(master, **images)


@dataclass(kw_only=True)
class MasterCache:
    """The masters used last, so that the frames of a campaign are not read again.

    Parameters
    ----------
    room
        How many to keep; the one not used for longest goes first.
    """

    room: int = 3
    _kept: OrderedDict = field(default_factory=OrderedDict, init=False, repr=False)
    _lock: Lock = field(default_factory=Lock, init=False, repr=False)

    def get(self, key: tuple, make: Callable[[], _T]) -> _T:
        """Return what is kept under a key, or make it and keep it."""
        with self._lock:
            if key in self._kept:
                self._kept.move_to_end(key)
                return self._kept[key]
        made = make()
        with self._lock:
            self._kept[key] = made
            while len(self._kept) > self.room:
                self._kept.popitem(last=False)
        return made
