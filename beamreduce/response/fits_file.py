"""Writing response files: keywords, units as OGIP writes them, history, checksums."""

import io
import textwrap
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from beamreduce.record import write_whole
from beamreduce.response.keywords import Instrument, Layout, layout_cards

if TYPE_CHECKING:
    from astropy.io import fits


@dataclass(frozen=True, kw_only=True)
class Certificate:
    """One line of the sign-off block: what a number of the calibration rests on."""

    item: str
    value: str
    uncertainty: str = "not declared"
    number: str = "not given"


@dataclass(frozen=True, kw_only=True)
class Origin:
    """What every file says of where it came from.

    Parameters
    ----------
    instrument
        Names in its keywords.
    history
        Sentences.
    certificates
        Sign-off block.
    bounds
        Limits of validity.
    """

    instrument: Instrument
    history: tuple[str, ...]
    certificates: tuple[Certificate, ...]
    bounds: str


@dataclass(frozen=True, kw_only=True)
class Column:
    """One column of a binary table.

    Parameters
    ----------
    name, unit
        TTYPE and TUNIT; the unit as OGIP/93-001 writes it, empty for none.
    form
        TFORM.
    values
        Shape (rows, …), or a list of arrays for variable-length ones.
    comment
        What it is.
    dim
        TDIM of an array in a cell, fastest axis first; empty for none.
    """

    name: str
    form: str
    values: object
    unit: str = ""
    comment: str = ""
    dim: str = ""


_SIGNED_NAMES = {"uncertainty": "UNCERT", "number": "CERTIFICATE"}
Cards = Sequence[tuple[str, object, str]]


def table_extension(
    columns: Sequence[Column],
    cards: Cards,
    *,
    history: Sequence[str] = (),
) -> "fits.BinTableHDU":
    """Return a binary table with its keywords and history.

    Parameters
    ----------
    columns
        In order.
    cards
        Keyword, value, comment.
    history
        Sentences.
    """
    from astropy.io import fits  # noqa: PLC0415 - slow import

    hdu = fits.BinTableHDU.from_columns(
        [
            fits.Column(
                name=c.name,
                format=c.form,
                array=c.values,
                dim=c.dim or None,
                unit=c.unit or None,
            )
            for c in columns
        ]
    )
    for number, column in enumerate(columns, 1):
        if column.comment:
            hdu.header.comments[f"TTYPE{number}"] = column.comment
    for key, value, comment in cards:
        hdu.header[key] = (value, comment)
    add_history(hdu, history)
    return hdu


def add_history(hdu: "fits.BinTableHDU", history: Sequence[str]) -> None:
    """Add sentences as HISTORY, wrapped; signs that FITS cannot hold are spelled out."""
    for sentence in history:
        for line in textwrap.wrap(ascii_text(sentence), 70):
            hdu.header.add_history(line)


def ascii_text(text: str) -> str:
    """Return text with printable ASCII only, as FITS headers need."""
    for sign, plain in (("±", "+/-"), ("−", "-"), ("²", "**2"), ("°", " deg"), ("α", "a")):
        text = text.replace(sign, plain)
    return "".join(c if " " <= c <= "~" else "?" for c in text)


def standard_extension(
    layout: Layout,
    columns: Sequence[Column],
    origin: Origin,
    describe: str,
    more: Cards = (),
) -> "fits.BinTableHDU":
    """Return an extension of a standard layout."""
    cards = layout_cards(
        layout, origin.instrument, bounds=origin.bounds, describe=ascii_text(describe)
    )
    return table_extension(columns, [*cards, *more], history=origin.history)


def own_extension(
    name: str,
    words: str,
    columns: Sequence[Column],
    origin: Origin,
    history: Sequence[str] = (),
) -> "fits.BinTableHDU":
    """Return an extension that no memo has a layout for."""
    cards = [
        ("EXTNAME", name, words),
        ("TELESCOP", origin.instrument.telescope, "mirror"),
        ("INSTRUME", origin.instrument.instrument, "where it was measured"),
    ]
    return table_extension(columns, cards, history=history)


def sign_off(origin: Origin) -> "fits.BinTableHDU":
    """Return the table of certificates that the numbers rest on."""
    names = ("item", "value", "uncertainty", "number")
    columns = []
    for name in names:
        cells = [ascii_text(getattr(one, name)) for one in origin.certificates]
        width = max((len(cell) for cell in cells), default=1) or 1
        columns.append(
            Column(
                name=_SIGNED_NAMES.get(name, name.upper()),
                form=f"{width}A",
                values=np.array(cells, "U"),
            )
        )
    return own_extension("SIGNOFF", "certificates behind this calibration", columns, origin)


def write_file(path: Path, extensions: Sequence[object], origin: Origin) -> None:
    """Write extensions after an empty primary array, with checksums, whole or not at all.

    Checksums carry no time, so the same content gives the same bytes.
    """
    from astropy.io import fits  # noqa: PLC0415 - slow import

    primary = fits.PrimaryHDU()
    primary.header["TELESCOP"] = (origin.instrument.telescope, "mirror")
    primary.header["INSTRUME"] = (origin.instrument.instrument, "where it was measured")
    primary.header["CREATOR"] = ("beamreduce", "what wrote this file")
    made = io.BytesIO()
    fits.HDUList([primary, *extensions, sign_off(origin)]).writeto(made)
    # Columns of variable length have their final bytes only once they were written.
    made.seek(0)
    with fits.open(made) as hdus:
        for hdu in hdus:
            hdu.add_datasum(when="")
            hdu.add_checksum(when="", override_datasum=True)
        write_whole(path, lambda temporary: hdus.writeto(temporary, overwrite=True))
