"""Master frames: means of many frames with outliers clipped, the stack never in memory.

A value counts as an outlier when it lies further than ``CLIP_SIGMA`` from the lower
median of its pixel. The sigma is that of typical pixels of the same level (from the
scatter of the frames themselves), or with eight or more frames the pixel's own (from
its median absolute deviation), whichever is larger. The lower median, because cosmic
rays only add charge; with two frames it is the smaller value.

Two passes find that exactly with small memory. The first keeps sums, squares and
extremes of every pixel. Only pixels whose extremes could be outliers are then read
again, in portions of limited size, and their values sorted. All others keep their
plain mean.
"""

import math
from collections.abc import Collection, Iterable, Iterator
from dataclasses import dataclass

import numpy as np

from beamreduce.frame.chi_square import chi_square_quantile
from beamreduce.frame.frame import Frame
from beamreduce.frame.running_sums import RunningSums, sum_frames

CLIP_SIGMA = 6.0
# A value within 5 sigma of the trimmed mean is within 6 sigma of the median: the two
# differ by a fraction of a sigma when nothing stands out.
_SUSPECT_SIGMA = 5.0
_OWN_SCATTER_FROM = 8
_LEVEL_BINS = 24
_SAMPLED_PIXELS = 100_000
_BLOCK = 1 << 17  # pixels looked at together
_PORTION_OF_A_FRAME = 0.5
_KEPT_FRAMES = 2.0  # as many bytes as this many frames of float64
# Below about 25 photons a pixel and frame one-sided Poisson tails look like outliers;
# charge shared between pixels makes the scatter look up to four times smaller.
_FEWEST_QUANTA = 100.0
_ROUNDING_VARIANCE = 1 / 12
_MOST_VARIANCE = 1e30  # leaves room for products in 32-bit floats


@dataclass(frozen=True, kw_only=True)
class MasterFrame:
    """Mean of frames with outliers clipped.

    Parameters
    ----------
    mean
        Shape (ny, nx), float64, in the unit of the frames; 0 where there are no data.
    variance
        Variance of the mean a pixel, float32, from the scatter of the frames. None for
        a single frame, which has no scatter.
    count
        Number of frames.
    without_data
        Pixels without a number in at least one frame.
    name
        File of the first frame, for messages.
    """

    mean: np.ndarray
    variance: np.ndarray | None
    count: int
    without_data: np.ndarray
    name: str

    @property
    def frame_variance(self) -> np.ndarray | None:
        """Variance of one of the frames a pixel (clipped); None for a single frame."""
        return None if self.variance is None else self.variance * self.count


def make_master(frames: Collection[Frame], *, of_photons: bool = False) -> MasterFrame:
    """Return the mean of frames of one kind with outliers clipped.

    Parameters
    ----------
    frames
        Read twice, one at a time: a list, or :class:`~beamreduce.frame.FrameFiles`.
    of_photons
        True for illuminated frames: when they hold so few photons a pixel that true
        photons would pass for outliers, nothing is clipped.

    Raises
    ------
    FrameError
        When there is no frame, or shapes differ.
    """
    kept = _Kept(frames)
    sums = sum_frames(kept)
    if sums.count == 1:
        return MasterFrame(
            mean=sums.total(),
            variance=None,
            count=1,
            without_data=sums.without_data,
            name=sums.first.name,
        )
    typical = _TypicalVariance.measure(sums)
    # Values without sense (a float frame may hold 1e30) are clipped below.
    mean, variance = sums.mean_and_variance(_MOST_VARIANCE)
    sums.squares = np.empty(0)  # room for the second pass
    if not (of_photons and typical.quanta < _FEWEST_QUANTA):
        _clip(kept, sums, typical, (mean, variance))
    return MasterFrame(
        mean=mean,
        variance=variance,
        count=sums.count,
        without_data=sums.without_data,
        name=sums.first.name,
    )


@dataclass(frozen=True)
class _TypicalVariance:
    """Variance of one frame against level, the median over pixels of like level.

    ``quanta`` is level²/variance of the middle pixel: for pure photon noise the number
    of photons a pixel and frame.
    """

    levels: np.ndarray
    variances: np.ndarray
    quanta: float

    @classmethod
    def measure(cls, sums: RunningSums) -> "_TypicalVariance":
        size = sums.difference.size
        sample = slice(0, size, max(1, size // _SAMPLED_PIXELS))
        chosen = ~sums.without_data.ravel()[sample]
        # Levels that a hit does not move: sorted by their mean, all pixels that were
        # hit would come together in the last bin.
        level = _middle(sums, sample)[chosen]
        variance = sums.scatter_variance(sample)[chosen]
        order = np.argsort(level, kind="stable")
        bins = min(_LEVEL_BINS, max(1, order.size // 500))
        parts = [part for part in np.array_split(order, bins) if part.size]
        levels = np.array([np.median(level[part]) for part in parts])
        # Outliers spoil few pixels, so the median over pixels does not see them; it is
        # put to the mean of the chi-square law that Gaussian scatter follows.
        freedom = sums.count - 1
        medians = np.array([np.median(variance[part]) for part in parts])
        medians *= freedom / chi_square_quantile(freedom, 0.5)
        whole = sums.first.pixels.dtype.kind in "iu"
        variances = np.maximum(medians, _ROUNDING_VARIANCE if whole else 0.0)
        middle = variances[len(variances) // 2]
        quanta = levels[len(levels) // 2] ** 2 / middle if middle > 0 else np.inf
        return cls(levels, variances, float(quanta))

    def at(self, level: np.ndarray) -> np.ndarray:
        return np.interp(level, self.levels, self.variances)


class _Kept:
    """Frames that are read a second time only when they are too many to keep."""

    def __init__(self, frames: Collection[Frame]) -> None:
        self._frames = frames
        self._kept: list[Frame] | None = None

    def __iter__(self) -> Iterator[Frame]:
        if self._kept is not None:
            yield from self._kept
            return
        kept: list[Frame] | None = []
        for frame in self._frames:
            yield frame
            if kept is not None:
                kept.append(frame)
                room = _KEPT_FRAMES * frame.pixels.size * np.dtype(float).itemsize
                kept = kept if sum(one.pixels.nbytes for one in kept) <= room else None
        self._kept = kept


def _clip(
    frames: Iterable[Frame],
    sums: RunningSums,
    typical: _TypicalVariance,
    results: tuple[np.ndarray, np.ndarray],
) -> None:
    """Give pixels that may hold outliers their clipped mean and its variance."""
    mean, variance = (result.reshape(-1) for result in results)
    suspects = _suspects(sums, typical)
    portion = max(1, int(_PORTION_OF_A_FRAME * mean.size / sums.count))
    for at in range(0, suspects.size, portion):
        pixels = suspects[at : at + portion]
        values = np.array([frame.pixels.reshape(-1)[pixels] for frame in frames], float)
        kept = _kept(values, typical)
        count = kept.sum(axis=0)
        mean[pixels] = np.sum(values, axis=0, where=kept) / count
        squares = np.sum((values - mean[pixels]) ** 2, axis=0, where=kept)
        # A pixel left with one value keeps the typical variance of its level.
        lone = typical.at(mean[pixels])
        own = np.where(count > 1, squares / np.maximum(count - 1, 1), lone)
        variance[pixels] = own / count


def _suspects(sums: RunningSums, typical: _TypicalVariance) -> np.ndarray:
    """Return flat indices of the pixels whose extremes could be outliers."""
    size = sums.difference.size
    blocks = [slice(at, at + _BLOCK) for at in range(0, size, _BLOCK)]
    found = [block.start + _suspects_in(sums, typical, block) for block in blocks]
    return np.concatenate(found)


def _suspects_in(sums: RunningSums, typical: _TypicalVariance, block: slice) -> np.ndarray:
    low, high = sums.low.reshape(-1)[block], sums.high.reshape(-1)[block]
    # Where even the extremes lie within the least reach there is nothing to look at.
    least = _SUSPECT_SIGMA * math.sqrt(float(typical.variances.min()))
    wide = np.flatnonzero((high - low > least) & ~sums.without_data.reshape(-1)[block])
    middle = _middle(sums, wide + block.start)
    reach = _SUSPECT_SIGMA * np.sqrt(typical.at(middle))
    far = (high[wide] - middle > reach) | (middle - low[wide] > reach)
    return wide[far]


def _middle(sums: RunningSums, part: slice | np.ndarray) -> np.ndarray:
    """Mean without the least and the largest value; the smaller one of two."""
    low = sums.low.reshape(-1)[part].astype(float)
    if sums.count == 2:
        return low
    high = sums.high.reshape(-1)[part]
    first = sums.first.pixels.reshape(-1)[part]
    total = sums.count * first.astype(float) + sums.difference.reshape(-1)[part]
    total[sums.without_data.reshape(-1)[part]] = 0.0
    return (total - low - high) / (sums.count - 2)


def _kept(values: np.ndarray, typical: _TypicalVariance) -> np.ndarray:
    """Tell which values of pixels (frames along the first axis) are no outliers."""
    count = len(values)
    lower_median = np.sort(values, axis=0)[(count - 1) // 2]
    away = np.abs(values - lower_median)
    sigma = np.sqrt(typical.at(lower_median))
    if count >= _OWN_SCATTER_FROM:
        # 1.4826 makes the median absolute deviation the sigma of a Gaussian.
        sigma = np.maximum(sigma, 1.4826 * np.median(away, axis=0))
    return away <= CLIP_SIGMA * sigma
