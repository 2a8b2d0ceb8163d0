"""Sums over frames that arrive one at a time: what is kept does not grow with them."""

from collections.abc import Iterable
from dataclasses import dataclass, field

import numba
import numpy as np

from beamreduce.errors import FrameError
from beamreduce.frame.frame import Frame, check_same_shape

_ALL = slice(None)


@dataclass(kw_only=True, eq=False)
class RunningSums:
    """Per-pixel sums over the frames added so far.

    Differences from the first frame are summed, not the values: squares of large
    pedestals would lose the small scatter in rounding. The only record of the package
    that changes; it lives inside one function at a time.

    Parameters
    ----------
    first
        The first frame; its name and shape stand for the others.
    count
        Frames added.
    difference, squares
        Sums of (value − first value) and of its square; float64.
    low, high
        Least and largest value, in the type of the frames.
    without_data
        Pixels without a number in at least one frame; they add nothing to the sums.
    """

    first: Frame
    count: int = 0
    difference: np.ndarray = field(init=False)
    squares: np.ndarray = field(init=False)
    low: np.ndarray = field(init=False)
    high: np.ndarray = field(init=False)
    without_data: np.ndarray = field(init=False)

    def __post_init__(self) -> None:
        pixels = self.first.pixels
        self.difference = np.zeros(pixels.shape)
        self.squares = np.zeros(pixels.shape)
        # Pixels without data keep 0 as extremes, so that nothing compares with NaN.
        missing = self.first.without_data
        self.low = pixels.copy() if missing is None else np.where(missing, 0, pixels)
        self.high = self.low.copy()
        self.without_data = np.zeros(pixels.shape, dtype=bool)

    def add(self, frame: Frame) -> None:
        """Add one frame; it must have the shape of the first."""
        check_same_shape((frame.name, frame.shape), (self.first.name, self.first.shape))
        if frame is self.first:
            self._add_first()
            return
        self._widen(frame.pixels.dtype)
        missing, pixels = frame.without_data, frame.pixels
        if missing is not None:
            self.without_data |= missing
            pixels = np.where(missing, self.low, pixels)
        _add(
            pixels.reshape(-1),
            self.first.pixels.reshape(-1),
            (self.difference.reshape(-1), self.squares.reshape(-1)),
            (self.low.reshape(-1), self.high.reshape(-1)),
        )
        if self.without_data.any():
            self.difference[self.without_data] = 0.0
            self.squares[self.without_data] = 0.0
        self.count += 1

    def _add_first(self) -> None:
        """Count the first frame: it does not differ from itself."""
        if self.first.without_data is not None:
            self.without_data |= self.first.without_data
        self.count += 1

    def _widen(self, dtype: np.dtype) -> None:
        """Keep extremes in a type that holds the values of every frame so far."""
        wider = np.promote_types(self.low.dtype, dtype)
        if wider != self.low.dtype:
            self.low = self.low.astype(wider)
            self.high = self.high.astype(wider)

    def total(self, rows: slice = _ALL) -> np.ndarray:
        """Return the sum of the values a pixel, of some rows; 0 where there are no data."""
        total = self.first.pixels[rows] * float(self.count)
        total += self.difference[rows]
        total[self.without_data[rows]] = 0.0
        return total

    def scatter_variance(self, part: slice = _ALL) -> np.ndarray:
        """Return the variance of one frame a pixel, from the scatter of the frames.

        Parameters
        ----------
        part
            Which pixels of the flat image; the result is then flat too.
        """
        if self.count < 2:
            raise FrameError(
                f"{self.first.name}: scatter must come from at least 2 frames; got 1"
            )
        difference, squares, missing = (
            image if part is _ALL else image.reshape(-1)[part]
            for image in (self.difference, self.squares, self.without_data)
        )
        variance = difference**2
        variance /= -self.count
        variance += squares
        variance /= self.count - 1
        variance[missing] = 0.0
        return np.maximum(variance, 0.0, out=variance)

    def mean_and_variance(self, most: float) -> tuple[np.ndarray, np.ndarray]:
        """Return the mean a pixel and, in 32-bit floats, its variance by the scatter.

        Parameters
        ----------
        most
            Largest variance that is kept.
        """
        shape = self.difference.shape
        mean, variance = np.empty(shape), np.empty(shape, dtype=np.float32)
        _finish(
            self.first.pixels.reshape(-1),
            (self.difference.reshape(-1), self.squares.reshape(-1)),
            self.without_data.reshape(-1),
            (float(self.count), most),
            (mean.reshape(-1), variance.reshape(-1)),
        )
        return mean, variance


def sum_frames(frames: Iterable[Frame]) -> RunningSums:
    """Add up frames that arrive one at a time.

    Raises
    ------
    FrameError
        When there is none, or one has another shape than the first (both are named).
    """
    sums: RunningSums | None = None
    for frame in frames:
        if sums is None:
            sums = RunningSums(first=frame)
        sums.add(frame)
    if sums is None:
        raise FrameError("there must be at least one frame to add up; got none")
    return sums


@numba.njit(cache=True, nogil=True, error_model="numpy")
def _add(
    pixels: np.ndarray,
    first: np.ndarray,
    sums: tuple[np.ndarray, np.ndarray],
    extremes: tuple[np.ndarray, np.ndarray],
) -> None:
    difference, squares = sums
    low, high = extremes
    for i in range(pixels.size):
        value = pixels[i]
        change = float(value) - float(first[i])
        difference[i] += change
        squares[i] += change * change
        low[i] = min(low[i], value)
        high[i] = max(high[i], value)


@numba.njit(cache=True, nogil=True, error_model="numpy")
def _finish(
    first: np.ndarray,
    sums: tuple[np.ndarray, np.ndarray],
    without_data: np.ndarray,
    limits: tuple[float, float],
    results: tuple[np.ndarray, np.ndarray],
) -> None:
    difference, squares = sums
    count, most = limits
    mean, variance = results
    for i in range(first.size):
        mean[i] = (float(first[i]) * count + difference[i]) / count
        scatter = (squares[i] - difference[i] ** 2 / count) / (count - 1)
        variance[i] = min(max(scatter, 0.0) / count, most)
        if without_data[i]:
            mean[i] = variance[i] = 0.0
