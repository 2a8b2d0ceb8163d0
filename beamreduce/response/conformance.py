"""Our own check of response files: what a FITS verifier does not know of OGIP layouts.

A FITS verifier looks at the syntax of a file; whether energies rise, a matrix keeps its
photons, and keywords are those of the memo, it does not say.
"""

import warnings
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from beamreduce.errors import Problem
from beamreduce.response.keywords import CALIBRATION_KEYS, LAYOUTS, Layout

if TYPE_CHECKING:
    from astropy.io import fits

ROW_SUM_ERROR = 1e-5  # of 4-byte numbers, some hundred in a row


def check_response_file(path: Path | str) -> tuple[Problem, ...]:
    """Return everything in a file that does not conform, nothing when all is well.

    Parameters
    ----------
    path
        An ``.arf``, ``.rmf`` or other file of a response set.
    """
    from astropy.io import fits  # noqa: PLC0415 - slow import

    path = Path(path)
    found: list[Problem] = []
    try:
        with warnings.catch_warnings(record=True) as told:
            warnings.simplefilter("always")
            with fits.open(path, checksum=True, memmap=False) as hdus:
                for hdu in hdus:
                    found += _check(path.name, hdu)
                if not any(h.header.get("HDUCLASS") == "OGIP" for h in hdus):
                    expected = "at least one with HDUCLASS 'OGIP'"
                    found.append(
                        _problem(path.name, "", "no extension of OGIP's", expected)
                    )
    except (OSError, ValueError, TypeError, KeyError) as error:
        text = f"a file that cannot be read ({error})"
        return (_problem(path.name, "", text, "FITS"),)
    found += [
        _problem(path.name, "", str(one.message), "checksums that agree")
        for one in told
        if "hecksum" in str(one.message) or "atasum" in str(one.message)
    ]
    return tuple(found)


def _problem(file: str, item: str, found: str, expected: str) -> Problem:
    return Problem(file=file, item=item, found=found, expected=expected,
                   action="write the file anew with beamreduce responses")  # fmt: skip


def _check(file: str, hdu: "fits.PrimaryHDU") -> Iterator[Problem]:
    for key in ("CHECKSUM", "DATASUM"):
        if key not in hdu.header:
            yield _problem(file, hdu.name, f"no {key}", "both checksums in every extension")
    if hdu.header.get("HDUCLASS") != "OGIP":
        return
    layout = LAYOUTS.get(hdu.name)
    if layout is None:
        yield _problem(file, hdu.name, "an unknown extension", ", ".join(LAYOUTS))
        return
    yield from _check_keywords(file, hdu, layout)
    wrong = list(_check_columns(file, hdu, layout))
    yield from wrong
    check = {"SPECRESP": _check_area, "MATRIX": _check_matrix, "EBOUNDS": _check_channels}
    if not wrong and hdu.name in check:
        yield from check[hdu.name](file, hdu)


def _check_keywords(file: str, hdu: object, layout: Layout) -> Iterator[Problem]:
    header = hdu.header
    wanted = {
        "HDUDOC": layout.memo,
        "HDUVERS": layout.version,
        "CCNM0001": layout.ccnm,
        **{f"HDUCLAS{n}": value for n, value in enumerate(layout.classes, 1)},
    }
    for key, value in wanted.items():
        if header.get(key) != value:
            yield _problem(file, f"{hdu.name} {key}", repr(header.get(key)), repr(value))
    for key in (*CALIBRATION_KEYS, *layout.keys):
        if header.get(key) in (None, ""):
            yield _problem(file, f"{hdu.name} {key}", "nothing", "a value")


def _check_columns(file: str, hdu: object, layout: Layout) -> Iterator[Problem]:
    if not layout.columns:
        return
    units = {c.name: c.unit or "" for c in hdu.columns}
    for name, unit in layout.columns.items():
        if name not in units:
            yield _problem(file, hdu.name, f"no column {name}", "one")
        elif units[name] != unit:
            yield _problem(
                file, f"{hdu.name} {name}", f"unit {units[name]!r}", f"unit {unit!r}"
            )
    for column in hdu.columns:
        values = hdu.data[column.name]
        plain = values.dtype.kind == "f"
        if plain and not np.isfinite(values).all():
            yield _problem(file, f"{hdu.name} {column.name}", "NaN", "finite numbers")


def _energies(file: str, hdu: object, names: tuple[str, str]) -> Iterator[Problem]:
    low, high = (np.asarray(hdu.data[name], float) for name in names)
    if not (low > 0).all() and names[0] == "ENERG_LO":
        yield _problem(file, f"{hdu.name} {names[0]}", "zero", "energies above zero")
    if not (high > low).all() or not (np.diff(low) > 0).all():
        yield _problem(file, f"{hdu.name} {names[0]}", "bins that do not rise", "rising")
    elif not np.array_equal(high[:-1], low[1:]):
        yield _problem(file, f"{hdu.name} {names[1]}", "gaps between bins", "none")


def _check_area(file: str, hdu: object) -> Iterator[Problem]:
    yield from _energies(file, hdu, ("ENERG_LO", "ENERG_HI"))
    if (hdu.data["SPECRESP"] < 0).any():
        yield _problem(file, "SPECRESP", "areas below zero", "zero or more")


def _check_channels(file: str, hdu: object) -> Iterator[Problem]:
    yield from _energies(file, hdu, ("E_MIN", "E_MAX"))
    channels, count = hdu.data["CHANNEL"], hdu.header["DETCHANS"]
    first = hdu.header.get("TLMIN1", 1)
    if not np.array_equal(channels, np.arange(first, first + count)):
        yield _problem(file, "EBOUNDS CHANNEL", "other channels than DETCHANS and TLMIN1 "
                       "say", f"{first} to {first + count - 1}")  # fmt: skip


def _check_matrix(file: str, hdu: object) -> Iterator[Problem]:
    yield from _energies(file, hdu, ("ENERG_LO", "ENERG_HI"))
    data, count = hdu.data, hdu.header["DETCHANS"]
    if hdu.header.get("CHANTYPE") not in ("PHA", "PI"):
        found = repr(hdu.header.get("CHANTYPE"))
        yield _problem(file, "MATRIX CHANTYPE", found, "PHA or PI")
    number = [c.name for c in hdu.columns].index("F_CHAN") + 1
    first_channel = hdu.header.get(f"TLMIN{number}")
    if first_channel is None:
        yield _problem(file, f"MATRIX TLMIN{number}", "nothing", "the first channel")
        return
    groups = elements = 0
    for at, row in enumerate(data):
        starts, lengths = (
            np.atleast_1d(row[name])[: row["N_GRP"]] for name in ("F_CHAN", "N_CHAN")
        )
        groups += int(row["N_GRP"])
        elements += int(lengths.sum())
        ends = starts + lengths - first_channel
        if starts.size and (starts.min() < first_channel or ends.max() > count):
            yield _problem(file, f"MATRIX row {at + 1}", "channels that do not exist",
                           f"{first_channel} to {first_channel + count - 1}")  # fmt: skip
            return
        if lengths.sum() != np.size(row["MATRIX"]):
            yield _problem(file, f"MATRIX row {at + 1}", f"{np.size(row['MATRIX'])} "
                           f"elements", f"{lengths.sum()}, the sum of N_CHAN")  # fmt: skip
            return
        lost = float(row["LOSS"]) if "LOSS" in data.names else 0.0
        total = float(np.sum(row["MATRIX"], dtype=float)) + lost
        if abs(total - 1) > ROW_SUM_ERROR:
            yield _problem(file, f"MATRIX row {at + 1}", f"a sum of {total:.7f} with its "
                           f"stated loss", "1")  # fmt: skip
            return
    for key, value in (("NUMGRP", groups), ("NUMELT", elements)):
        if hdu.header.get(key) != value:
            yield _problem(file, f"MATRIX {key}", str(hdu.header.get(key)), str(value))
