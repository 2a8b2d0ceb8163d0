"""X3P files, the exchange format of ISO 25178-72:2017 for areal surfaces.

A ZIP archive: ``main.xml`` describes axes and size, the heights are in a binary member
(x fastest, little endian, checked by its MD5) or in the XML itself. All lengths in metres.
"""

import hashlib
import zipfile
import zlib
from collections.abc import Iterator
from pathlib import Path, PurePosixPath
from xml.etree import ElementTree

import astropy.units as u
import numpy as np
from numpy.typing import DTypeLike

from beamreduce.errors import ReflectorError
from beamreduce.reflectors.height_map import HeightMap, height_map

_TYPES: dict[str, DTypeLike] = {"I": "<i2", "L": "<i4", "F": "<f4", "D": "<f8"}
_MOST_POINTS = 200_000_000
_IDENTITY = {"r11": 1.0, "r22": 1.0, "r33": 1.0}


def read_x3p(path: Path, *, name: str | None = None) -> HeightMap:
    """Read an areal surface with incremental x and y axes.

    Raises
    ------
    ReflectorError
        When the file is damaged (its MD5 is checked), or holds something else: a profile, a
        cloud of points, several layers, a rotated coordinate system.
    """
    name = name or path.name
    try:
        with zipfile.ZipFile(path) as archive:
            root = ElementTree.fromstring(_text_of_main(archive, name))
            _strip_namespaces(root)
            return _surface(root, archive, name)
    except (OSError, zipfile.BadZipFile, zlib.error, EOFError) as error:
        raise _bad(name, f"a file that cannot be unpacked ({error})") from None
    except ElementTree.ParseError as error:
        raise _bad(name, f"a main.xml that is not XML ({error})") from None
    except (KeyError, RuntimeError, NotImplementedError) as error:
        raise _bad(name, f"an archive without a part it needs ({error})") from None
    except ValueError as error:
        if isinstance(error, ReflectorError):
            raise
        raise _bad(name, f"a value that cannot be read ({error})") from None


def _text_of_main(archive: zipfile.ZipFile, name: str) -> bytes:
    text = archive.read("main.xml")
    # Entities are no part of the format, and can be made to fill all memory.
    if b"<!DOCTYPE" in text or b"<!ENTITY" in text:
        raise _bad(name, "a main.xml that declares entities")
    return text


def _surface(root: ElementTree.Element, archive: zipfile.ZipFile, name: str) -> HeightMap:
    feature = _text(root, "Record1/FeatureType", "SUR")
    if feature != "SUR":
        raise _bad(name, f"data of the type {feature!r} (SUR is a surface)")
    axes = {axis: root.find(f"Record1/Axes/{axis}") for axis in ("CX", "CY", "CZ")}
    for axis in ("CX", "CY"):
        if _text(axes[axis], "AxisType", "I") != "I":
            raise _bad(name, f"an axis {axis} that is not in even steps")
    _check_rotation(root, name)
    columns, rows, layers = (
        int(_text(root, f"Record3/MatrixDimension/Size{axis}", "1")) for axis in "XYZ"
    )
    if min(columns, rows) < 1 or columns * rows > _MOST_POINTS:
        raise _bad(name, f"a size of {columns} × {rows} points")
    if layers != 1:
        raise _bad(name, f"{layers} layers")
    steps = [_number(axes[axis], "Increment", None, name) for axis in ("CX", "CY")]
    if min(steps) <= 0:
        raise _bad(name, f"increments of {steps[0]:g} and {steps[1]:g} m")
    heights = _heights(root, archive, (columns * rows, name))
    scale = _number(axes["CZ"], "Increment", 1.0, name)
    offset = _number(axes["CZ"], "Offset", 0.0, name)
    if _text(axes["CZ"], "AxisType", "A") == "I" and scale == 0:
        raise _bad(name, "a height increment of 0 m")
    scale = scale or 1.0
    return height_map(
        (heights.reshape(rows, columns) * scale + offset) * u.m,
        pixel_size=steps[0] * u.m,
        pixel_size_y=steps[1] * u.m,
        name=name,
    )


def _heights(
    root: ElementTree.Element, archive: zipfile.ZipFile, wanted: tuple[int, str]
) -> np.ndarray:
    """Heights in units of the z axis, NaN where not valid, shape (points,)."""
    points, name = wanted
    link = root.find("Record3/DataLink")
    if link is None:
        values = np.array(list(_listed(root)), dtype=float)
    else:
        member = _text(link, "PointDataLink", "bindata/data.bin")
        kind = _text(root, "Record1/Axes/CZ/DataType", "D")
        if kind not in _TYPES:
            raise _bad(name, f"heights of the unknown type {kind!r}")
        digest = _text(link, "MD5ChecksumPointData", "")
        data = _member(archive, (member, digest, 8 * points), name)
        if len(data) != points * np.dtype(_TYPES[kind]).itemsize:
            raise _bad(name, f"{len(data)} bytes of heights for {points} points")
        values = np.frombuffer(data, dtype=_TYPES[kind]).astype(float)
        valid = _text(link, "ValidPointsLink", "")
        if valid:
            digest = _text(link, "MD5ChecksumValidPoints", "")
            packed = _member(archive, (valid, digest, points // 8 + 8), name)
            bits = np.frombuffer(packed, dtype=np.uint8)
            flags = np.unpackbits(bits, bitorder="little")[:points].astype(bool)
            if len(flags) != points:
                raise _bad(name, f"{len(flags)} flags of valid points for {points} points")
            values = np.where(flags, values, np.nan)
    if len(values) != points:
        raise _bad(name, f"{len(values)} heights for {points} points")
    return values


def _listed(root: ElementTree.Element) -> Iterator[float]:
    """Heights written in the XML; an empty entry is a point without one."""
    for datum in root.iterfind("Record3/DataList/Datum"):
        text = (datum.text or "").strip()
        yield float(text.split(";")[-1]) if text else float("nan")


def _member(archive: zipfile.ZipFile, wanted: tuple[str, str, int], name: str) -> bytes:
    """Return the bytes of a part: its name, its MD5 (empty for none), its most bytes."""
    member, digest, most = wanted
    known = {str(PurePosixPath(entry)): entry for entry in archive.namelist()}
    entry = archive.getinfo(known[str(PurePosixPath(member))])
    if entry.file_size > most:
        raise _bad(name, f"{entry.file_size} bytes in {member}, where {most} have room")
    data = archive.read(entry)
    if digest and hashlib.md5(data, usedforsecurity=False).hexdigest() != digest.lower():
        raise _bad(name, f"a {member} that its checksum does not belong to")
    return data


def _check_rotation(root: ElementTree.Element, name: str) -> None:
    rotation = root.find("Record1/Axes/Rotation")
    if rotation is None:
        return
    for entry in rotation:
        if abs(float(entry.text or 0) - _IDENTITY.get(entry.tag, 0.0)) > 1e-9:
            raise _bad(name, "a rotated coordinate system")


def _text(parent: ElementTree.Element | None, path: str, absent: str) -> str:
    found = None if parent is None else parent.findtext(path)
    return found.strip() if found and found.strip() else absent


def _number(
    parent: ElementTree.Element | None, path: str, absent: float | None, name: str
) -> float:
    text = _text(parent, path, "")
    if text:
        return float(text)
    if absent is None:
        raise _bad(name, f"no {path} of an axis")
    return absent


def _strip_namespaces(root: ElementTree.Element) -> None:
    for element in root.iter():
        element.tag = element.tag.rpartition("}")[2]


def _bad(name: str, found: str) -> ReflectorError:
    return ReflectorError(
        f"{name}: found {found}; expected an X3P surface of one layer (ISO 25178-72); "
        f"export it again"
    )
