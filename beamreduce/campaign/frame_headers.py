"""Detector frames as far as their headers go: sizes, checksums, which image it is.

Pixels are never turned into an image here. The layout is that of the FITS standard 4.0
(sections 3, 4.4 and 10; checksums: appendix J).
"""

import gzip
import re
import warnings
import zlib
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO

import numpy as np
from astropy.io import fits
from astropy.utils.exceptions import AstropyUserWarning

from beamreduce.campaign.header_text import in_ascii, not_ascii
from beamreduce.errors import FrameError, Problem

_BLOCK = 2880
_HEADER_BLOCKS = 20_000  # 57 MB: a longer header is no header
_READ_AT_ONCE = 500 * _BLOCK
_ALL_ONES = 0xFFFFFFFF
_STORED = {
    8: "uint8",
    16: "int16",
    32: "int32",
    64: "int64",
    -32: "float32",
    -64: "float64",
}


@dataclass(frozen=True, kw_only=True)
class FrameHeader:
    """Where the image of a frame is, and what its header says.

    Parameters
    ----------
    file
        Path as the campaign names it.
    hdu
        Number of the header-data unit that holds the image; 0 is the primary one.
    shape
        Rows and columns (NAXIS2, NAXIS1).
    stored_as
        Type of the numbers in the file, with ``tile-compressed`` where they are.
    primary, image
        Headers of the first unit and of the one with the image.
    data_start
        Where the data of that unit begin, bytes from the start of the (unpacked) file.
    """

    file: str
    hdu: int
    shape: tuple[int, int]
    stored_as: str
    primary: fits.Header
    image: fits.Header
    data_start: int

    def card(self, name: str) -> fits.Card | None:
        """Return a card of the image's header, else of the primary one, else None."""
        for header in (self.image, self.primary):
            if name in header:
                return header.cards[name]
        return None


@dataclass(frozen=True)
class _Trouble:
    """What was found in a file, what was expected, what to do."""

    found: str
    expected: str
    action: str = "copy the file again from where it was taken"

    def problem(self, file: str) -> Problem:
        return Problem(
            file=file, found=self.found, expected=self.expected, action=self.action
        )


class _BrokenFileError(Exception):
    """The rest of a file cannot be read; its argument is the :class:`_Trouble`."""

    def __init__(self, *words: str) -> None:
        super().__init__(*words)
        self.trouble = _Trouble(*words)


@dataclass(frozen=True)
class _Unit:
    """One header-data unit while the file is being read."""

    number: int
    header: fits.Header
    header_bytes: bytes
    data_bytes: int
    not_ascii: list[str]


def read_frame_header(path: Path, file: str) -> tuple[FrameHeader | None, list[Problem]]:
    """Find the image of a frame by reading headers only, and check the size of the file.

    Parameters
    ----------
    path
        FITS file, plain or compressed by gzip.
    file
        Its name for messages.

    Returns
    -------
    header, problems
        The header is None when the file holds no usable image.
    """
    return _examine(path, file, verify=False)


def check_frame(path: Path, file: str) -> tuple[FrameHeader | None, list[Problem]]:
    """Do what :func:`read_frame_header` does, and verify CHECKSUM and DATASUM.

    A file compressed by gzip is read to its end, which also verifies gzip's own checksum.
    """
    return _examine(path, file, verify=True)


def data_sums(path: Path) -> tuple[int, ...]:
    """Return the checksum of the data of each unit of a FITS file, as DATASUM defines it.

    It is worked out from the data, whatever the header says, so that a frame whose header
    alone was edited can be told from one whose pixels changed.

    Raises
    ------
    FrameError
        When the file cannot be read to its end.
    """
    sums = []
    try:
        with path.open("rb") as plain:
            packed = plain.read(2) == b"\x1f\x8b"
        with gzip.open(path) if packed else path.open("rb") as stream:
            for unit in _units(stream):
                total, left = 0, _padded(unit.data_bytes)
                while left and (block := stream.read(min(left, _READ_AT_ONCE))):
                    left -= len(block)
                    total = _add_words(total, block)
                if left:
                    raise EOFError("a truncated file")
                sums.append(total)
    except (_BrokenFileError, EOFError, zlib.error, OSError) as error:
        raise FrameError(
            f"{path}: found a file that breaks off or cannot be read ({error}); expected a "
            f"whole FITS file; copy it again from where it was taken"
        ) from None
    return tuple(sums)


def _examine(
    path: Path, file: str, *, verify: bool
) -> tuple[FrameHeader | None, list[Problem]]:
    units: list[_Unit] = []
    problems: list[Problem] = []
    try:
        with path.open("rb") as plain:
            packed = plain.read(2) == b"\x1f\x8b"
        size = None if packed else path.stat().st_size
        with gzip.open(path) if packed else path.open("rb") as stream:
            for unit in _units(stream):
                units.append(unit)
                if packed and not verify and _has_image(unit):
                    break
                trouble = _pass_data(stream, unit, size, verify=verify)
                problems += [] if trouble is None else [trouble.problem(file)]
    except _BrokenFileError as error:
        problems.append(error.trouble.problem(file))
    except (EOFError, zlib.error, gzip.BadGzipFile):
        found = "a gzip file that breaks off or whose content is damaged"
        problems.append(_Trouble(found, "a whole gzip file").problem(file))
    except OSError as error:
        found = f"a file that cannot be read ({error.strerror or error})"
        action = "check the file and its permissions"
        problems.append(_Trouble(found, "a readable file", action).problem(file))
    cards = list(dict.fromkeys(name for unit in units for name in unit.not_ascii))
    warned = [not_ascii(file, cards)] if cards else []
    try:
        return (_find_image(file, units) if units else None), problems + warned
    except _BrokenFileError as error:
        # A file that is cut off needs no second message about what is missing.
        return None, problems or [error.trouble.problem(file)]


def _units(stream: BinaryIO) -> Iterator[_Unit]:
    """Read header after header; the caller moves the stream past the data between them."""
    number = 0
    while True:
        header_bytes = _read_header_bytes(stream, first=number == 0)
        if header_bytes is None:
            return
        text, not_allowed = in_ascii(header_bytes)
        with warnings.catch_warnings():
            # Cards that break the standard matter only when they are needed.
            warnings.simplefilter("ignore", AstropyUserWarning)
            header = fits.Header.fromstring(text)
        yield _Unit(number, header, header_bytes, _data_bytes(header, number), not_allowed)
        number += 1


def _read_header_bytes(stream: BinaryIO, *, first: bool) -> bytes | None:
    """Read blocks up to the END card; None where no further unit follows."""
    content = stream.read(_BLOCK)
    if first:
        if not content:
            raise _BrokenFileError("an empty file", "a FITS image")
        if not re.match(rb"SIMPLE  = +T[ /]", content):
            action = "name the frame itself, saved as FITS"
            raise _BrokenFileError("a file that is not FITS", "FITS (SIMPLE = T)", action)
    elif not content.startswith(b"XTENSION"):
        return None
    while True:
        if len(content) % _BLOCK:
            found = f"a file that ends inside a header, after {stream.tell()} bytes"
            raise _BrokenFileError(found, "a header with an END card")
        last = content[-_BLOCK:]
        for start in range(0, _BLOCK, 80):
            if last[start : start + 80].rstrip() == b"END":
                return content
        block = stream.read(_BLOCK)
        if not block or len(content) > _HEADER_BLOCKS * _BLOCK:
            raise _BrokenFileError("a header without an END card", "a whole FITS header")
        content += block


def _value(header: fits.Header, name: str, default: object = None) -> object:
    """Return the value of a card; None when it cannot be read."""
    try:
        return header.get(name, default)
    except (fits.VerifyError, ValueError):
        return None


def _integer(header: fits.Header, name: str, default: int | None = None) -> int:
    """Return a whole number from a structural card."""
    value = _value(header, name, default)
    if isinstance(value, bool) or not isinstance(value, int):
        found = f"header card {name} missing or not a whole number"
        raise _BrokenFileError(found, "the structural cards of the FITS standard")
    return value


def _axes(header: fits.Header, prefix: str = "") -> list[int]:
    count = _integer(header, f"{prefix}NAXIS", 0)
    return [_integer(header, f"{prefix}NAXIS{i}") for i in range(1, count + 1)]


def _data_bytes(header: fits.Header, number: int) -> int:
    """Return the length of the data of a unit, without padding (standard, eqs. 1 and 2)."""
    axes = _axes(header)
    if not axes:
        return 0
    if number == 0 and axes[0] == 0 and _value(header, "GROUPS") is True:
        axes = axes[1:]
    bits = _integer(header, "BITPIX")
    if bits not in _STORED or min(axes) < 0:
        raise _BrokenFileError(f"BITPIX = {bits}, axes {axes}", "values that FITS allows")
    elements = 1
    for axis in axes:
        elements *= axis
    groups = _integer(header, "GCOUNT", 1)
    return abs(bits) // 8 * groups * (_integer(header, "PCOUNT", 0) + elements)


def _pass_data(
    stream: BinaryIO, unit: _Unit, size: int | None, *, verify: bool
) -> _Trouble | None:
    """Move past the data of a unit; return what is wrong with its checksums, if anything.

    ``size`` is that of the file, None for a gzip stream, which has to be read.
    """
    start = stream.tell()
    if size is not None and size < start + unit.data_bytes:
        raise _BrokenFileError(
            f"{size} bytes, a truncated file",
            f"{start + _padded(unit.data_bytes)} bytes by the header of unit {unit.number}",
        )
    sums = verify and ("DATASUM" in unit.header or "CHECKSUM" in unit.header)
    if size is not None and not sums:
        stream.seek(start + _padded(unit.data_bytes))
        return None
    data_sum, left = 0, _padded(unit.data_bytes)
    while left:
        block = stream.read(min(left, _READ_AT_ONCE))
        if not block:
            break
        left -= len(block)
        data_sum = _add_words(data_sum, block)
    seen = _padded(unit.data_bytes) - left
    if seen < unit.data_bytes:
        raise _BrokenFileError(
            f"{start + seen} bytes once unpacked, a truncated file",
            f"{start + _padded(unit.data_bytes)} bytes by the header of unit {unit.number}",
        )
    return _checksum_trouble(unit, data_sum) if sums else None


def _padded(count: int) -> int:
    return -(-count // _BLOCK) * _BLOCK


def _add_words(total: int, content: bytes) -> int:
    """Add 32-bit words in ones' complement: carries come back in at the low end."""
    content += b"\0" * (-len(content) % 4)
    total += int(np.frombuffer(content, dtype=">u4").sum(dtype=np.uint64))
    while total > _ALL_ONES:
        total = (total & _ALL_ONES) + (total >> 32)
    return total


def _checksum_trouble(unit: _Unit, data_sum: int) -> _Trouble | None:
    """Return what is wrong with the checksums of one unit."""
    where = f"of unit {unit.number}"
    declared = str(_value(unit.header, "DATASUM", "")).strip()
    if declared and declared != str(data_sum):
        found = f"data {where} whose DATASUM is {data_sum}"
        return _Trouble(found, f"DATASUM = {declared}, as its header says")
    if not str(_value(unit.header, "CHECKSUM", "")).strip():
        return None
    if _add_words(data_sum, unit.header_bytes) in (0, _ALL_ONES):
        return None
    action = "copy the file again; if its header was edited on purpose, renew CHECKSUM"
    found = f"a CHECKSUM {where} that does not fit its content"
    return _Trouble(found, "the content the checksum was written for", action)


def _compressed(header: fits.Header) -> bool:
    return _value(header, "ZIMAGE") is True


def _has_image(unit: _Unit) -> bool:
    """Return True for a unit that holds an image with data."""
    kind = str(_value(unit.header, "XTENSION", "")).strip()
    plain = unit.number == 0 or kind == "IMAGE"
    return (plain and unit.data_bytes > 0) or _compressed(unit.header)


def _find_image(file: str, units: list[_Unit]) -> FrameHeader:
    """Return the first image of a file, which must have two dimensions."""
    unit = next((unit for unit in units if _has_image(unit)), None)
    if unit is None:
        found = "no image in the primary unit or an image extension"
        raise _BrokenFileError(found, "one two-dimensional image", "name the right file")
    prefix = "Z" if _compressed(unit.header) else ""
    axes = _axes(unit.header, prefix)
    if len(axes) != 2:
        size = " × ".join(str(axis) for axis in axes)
        found = f"an image of {len(axes)} dimensions ({size}) in unit {unit.number}"
        action = "save each frame as an image of its own"
        raise _BrokenFileError(found, "a two-dimensional image", action)
    stored = _STORED.get(_integer(unit.header, f"{prefix}BITPIX"), "unknown")
    return FrameHeader(
        file=file,
        hdu=unit.number,
        shape=(axes[1], axes[0]),
        stored_as=f"{stored} tile-compressed" if prefix else stored,
        primary=units[0].header,
        image=unit.header,
        data_start=_data_start(units, unit.number),
    )


def _data_start(units: list[_Unit], number: int) -> int:
    before = sum(len(u.header_bytes) + _padded(u.data_bytes) for u in units[:number])
    return before + len(units[number].header_bytes)
