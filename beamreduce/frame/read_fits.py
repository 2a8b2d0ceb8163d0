"""FITS files in, frames out; every way a file can be wrong has its own sentence."""

import gzip
import io
import warnings
import zlib
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO

import numpy as np
from astropy.io import fits
from astropy.utils.exceptions import AstropyUserWarning

from beamreduce.campaign.frame_headers import FrameHeader, check_frame
from beamreduce.campaign.paths import find_inside
from beamreduce.errors import FrameError, Problem
from beamreduce.frame.frame import Frame

_BLOCK = 2880
_COMMENTARY = ("", "COMMENT", "HISTORY")
_DECODING = (
    OSError,
    ValueError,
    TypeError,
    KeyError,
    IndexError,
    EOFError,
    zlib.error,
    fits.VerifyError,
)


def read_frame(path: Path, *, root: Path | None = None, refuse_zero: bool = False) -> Frame:
    """Read the image of a FITS file: the primary one, or the first image extension.

    Integers (BZERO and BLANK applied), floats, tile compression and ``.gz`` are read;
    the type of the file is kept, so unsigned 16-bit frames stay small. CHECKSUM and
    DATASUM are verified where they are present. The file is closed before this returns.

    Parameters
    ----------
    path
        The file; below ``root`` when that is given.
    root
        Folder that the path may not leave (a campaign folder).
    refuse_zero
        Refuse an image in which every pixel is zero.

    Raises
    ------
    FrameError
        When the file is missing, outside the folder, empty, cut short, damaged, not
        FITS, has no two-dimensional image, or the image holds no data.
    """
    name = str(path)
    whole_path = _inside(Path(path), root)
    header, problems = check_frame(whole_path, name)
    errors = [problem for problem in problems if not problem.warning]
    if header is None or errors:
        raise FrameError("\n".join(str(problem) for problem in errors))
    try:
        with _opened(whole_path) as stream:
            pixels = _plain_integers(stream, header)
            if pixels is None:
                pixels, cards = _decode(stream, header.hdu)
            else:
                cards = _cards(header.primary) | _cards(header.image)
    except _DECODING as error:
        words = ("a FITS image", "write the file again")
        raise _wrong(name, f"an image that cannot be decoded ({error})", *words) from None
    _refuse_empty(pixels, name, refuse_zero=refuse_zero)
    return Frame(name=name, pixels=pixels, cards=cards)


@dataclass(frozen=True)
class FrameFiles:
    """Frames on disk as a collection: each pass over it reads them anew, one at a time.

    Parameters
    ----------
    files
        Paths, below ``root`` when that is given.
    root
        Folder that the paths may not leave; None to allow any.
    refuse_zero
        Refuse frames in which every pixel is zero.
    """

    files: Sequence[Path]
    root: Path | None = None
    refuse_zero: bool = False

    def __len__(self) -> int:
        """Return the number of frames."""
        return len(self.files)

    def __iter__(self) -> Iterator[Frame]:
        """Read one frame after the other."""
        for file in self.files:
            yield read_frame(file, root=self.root, refuse_zero=self.refuse_zero)


def _inside(path: Path, root: Path | None) -> Path:
    if root is None:
        return path
    inside, trouble = find_inside(root, str(path))
    if inside is None:
        found, action = trouble
        raise _wrong(str(path), found, f"a file below {root}", action)
    return inside


@contextmanager
def _opened(path: Path) -> Iterator[BinaryIO]:
    """Open a checked file as a stream of whole FITS blocks, unpacked where it is gzip.

    Some writers leave the last block short; nothing is lost with it, so it is padded.
    """
    with path.open("rb") as plain:
        packed = plain.read(2) == b"\x1f\x8b"
        if not packed and plain.seek(0, io.SEEK_END) % _BLOCK == 0:
            plain.seek(0)
            yield plain
            return
        plain.seek(0)
        content = gzip.decompress(plain.read()) if packed else plain.read()
    content += b"\0" * (-len(content) % _BLOCK)
    with io.BytesIO(content) as memory:
        yield memory


def _plain_integers(stream: BinaryIO, header: FrameHeader) -> np.ndarray | None:
    """Read a 16-bit image as most detectors write it; None for every other kind.

    Signed as stored, or unsigned by BZERO = 32768 (FITS standard 4.0, 4.4.2.5). The
    general reader takes several times as long for the same numbers.
    """
    image = header.image
    if header.stored_as != "int16" or "BLANK" in image or image.get("BSCALE", 1) != 1:
        return None
    offset = image.get("BZERO", 0)
    if offset not in (0, 2**15):
        return None
    count = header.shape[0] * header.shape[1]
    stream.seek(header.data_start)
    stored = np.frombuffer(stream.read(2 * count), dtype=">i2", count=count)
    pixels = stored.astype(np.int16).reshape(header.shape)
    if offset == 0:
        return pixels
    # Adding 32768 to a signed number turns its highest bit over.
    pixels = pixels.view(np.uint16)
    pixels ^= np.uint16(2**15)
    return pixels


def _decode(stream: BinaryIO, hdu: int) -> tuple[np.ndarray, Mapping[str, object]]:
    with (
        # What is unusual in a header was told when the campaign was read.
        warnings.catch_warnings(action="ignore", category=AstropyUserWarning),
        # No memory map: mapped files stay open for as long as their pixels live.
        fits.open(stream, memmap=False) as content,
    ):
        image = content[hdu]
        cards = _cards(content[0].header) | _cards(image.header)
        native = image.data.dtype.newbyteorder("=")
        return _blanked(np.ascontiguousarray(image.data, dtype=native), cards), cards


def _cards(header: fits.Header) -> dict[str, object]:
    """Return the values of a header; cards that do not follow FITS are left out."""
    values: dict[str, object] = {}
    for card in header.cards:
        if card.keyword in _COMMENTARY:
            continue
        with suppress(fits.VerifyError):
            value = card.value
            undefined = isinstance(value, fits.card.Undefined)
            values[card.keyword] = None if undefined else value
    return values


def _blanked(pixels: np.ndarray, cards: Mapping[str, object]) -> np.ndarray:
    """Put NaN where integers hold BLANK and the reader leaves a number.

    It does so for unsigned integers, and where BLANK is 0.
    """
    blank = cards.get("BLANK")
    if blank is None or cards.get("BITPIX", 0) < 0:
        return pixels
    value = blank * cards.get("BSCALE", 1) + cards.get("BZERO", 0)
    if pixels.dtype.kind == "f" and blank != 0:
        return pixels
    no_data = pixels == pixels.dtype.type(value)
    return np.where(no_data, np.nan, pixels) if no_data.any() else pixels


def _refuse_empty(pixels: np.ndarray, name: str, *, refuse_zero: bool) -> None:
    action = "take the exposure out of the table or replace the file"
    if pixels.dtype.kind == "f" and not np.isfinite(pixels).any():
        raise _wrong(name, "no pixel with a number (all NaN)", "an image with data", action)
    if refuse_zero and not pixels.any():
        raise _wrong(name, "zero in every pixel", "an exposed frame", action)


def _wrong(name: str, found: str, expected: str, action: str) -> FrameError:
    return FrameError(
        str(Problem(file=name, found=found, expected=expected, action=action))
    )
