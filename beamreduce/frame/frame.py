"""One detector frame in memory, and many frames that are read one at a time."""

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np

from beamreduce.errors import FrameError, Problem


@dataclass(frozen=True, kw_only=True)
class Frame:
    """Pixels as the detector wrote them, with the cards of their header.

    Parameters
    ----------
    name
        File for messages, as the exposure table names it.
    pixels
        Shape (ny, nx), in the type of the file (unsigned 16-bit stays so); adu, or
        photons for a counting detector. NaN where there are no data.
    cards
        Header cards, those of the image extension before those of the primary.
    """

    name: str
    pixels: np.ndarray
    cards: Mapping[str, object] = field(default_factory=dict)

    @property
    def shape(self) -> tuple[int, int]:
        """Number of rows and columns."""
        return self.pixels.shape

    @property
    def without_data(self) -> np.ndarray | None:
        """Boolean image of pixels that hold no finite number; None when all do."""
        if self.pixels.dtype.kind != "f":
            return None
        finite = np.isfinite(self.pixels)
        return None if finite.all() else ~finite


def check_same_shape(
    one: tuple[str, tuple[int, int]], other: tuple[str, tuple[int, int]]
) -> None:
    """Raise a :class:`FrameError` that names both files when their shapes differ.

    Parameters
    ----------
    one, other
        File and shape; the first is the one that is found to be wrong.
    """
    if one[1] != other[1]:
        problem = Problem(
            file=one[0],
            found=f"{_size(one[1])} pixels",
            expected=f"{_size(other[1])} like {other[0]}",
            action="put frames of another size under another detector or setting",
        )
        raise FrameError(str(problem))


def _size(shape: tuple[int, int]) -> str:
    return f"{shape[1]} x {shape[0]} (NAXIS1 x NAXIS2)"
