"""What a comparison of an archive with its rerun finds, one thing at a time."""

import re
from dataclasses import dataclass

import numpy as np

IDENTICAL, WITHIN, DIFFERS = "identical", "within tolerance", "differs"
ONLY_ARCHIVE, ONLY_RERUN = "not made again", "not in the archive"
SHARE_OF_UNCERTAINTY = 0.01
SHARE_OF_SIZE = 1e-6
SHARE_OF_DRAWING = 1e-3
_NUMBER = re.compile(r"(?<![\w.])[-+]?\d+\.?\d*(?:[eE][-+]?\d+)?")


@dataclass(frozen=True, kw_only=True)
class Finding:
    """One number, curve, image or file, compared.

    Parameters
    ----------
    file
        The file it is in.
    item
        Key, column or extension; empty for a whole file.
    state
        ``identical``, ``within tolerance``, ``differs``, or that only one side has it.
    archived, again
        Both values in words; empty where there are many.
    sigmas
        Difference over the archived uncertainty, where there is one.
    tolerance
        The bound that was applied, in words.
    """

    file: str
    item: str = ""
    state: str = IDENTICAL
    archived: str = ""
    again: str = ""
    sigmas: float | None = None
    tolerance: str = ""

    @property
    def comes_back(self) -> bool:
        """True when the rerun gives it again."""
        return self.state in (IDENTICAL, WITHIN)


def compare_texts(one: str, two: str, file: str, item: str = "") -> Finding:
    """Compare text: the same words, and numbers that nobody could tell apart."""
    words = [_NUMBER.sub("#", text) for text in (one, two)]
    numbers = [[float(x) for x in _NUMBER.findall(text)] for text in (one, two)]
    near = words[0] == words[1] and np.allclose(*numbers, rtol=SHARE_OF_DRAWING, atol=1e-9)
    tolerance = f"{SHARE_OF_DRAWING:g} of each number in it"
    state = IDENTICAL if one == two else WITHIN if near else DIFFERS
    return Finding(
        file=file, item=item, state=state, tolerance="" if one == two else tolerance
    )


def compare_pictures(
    one: np.ndarray, two: np.ndarray, file: str, item: str = ""
) -> Finding:
    """Compare pictures, shape (rows, columns, colours) from 0 to 1, pixel by pixel."""
    if one.shape != two.shape:
        return Finding(
            file=file,
            item=item,
            state=DIFFERS,
            archived=str(one.shape),
            again=str(two.shape),
        )
    changed = np.abs(one - two).max(axis=-1) > 1 / 255
    if not (one != two).any():
        return Finding(file=file, item=item)
    return Finding(
        file=file,
        item=item,
        state=WITHIN if changed.mean() <= SHARE_OF_DRAWING else DIFFERS,
        archived=f"{int(changed.sum())} of {changed.size} pixels",
        tolerance=f"{SHARE_OF_DRAWING:g} of the pixels",
    )
