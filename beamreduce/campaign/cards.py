"""Header cards that fill columns of the exposure table where the campaign maps them."""

import math
import re
import warnings
from collections.abc import Mapping

import astropy.units as u
from astropy.io import fits

from beamreduce.campaign.columns import ALL_COLUMNS, Column
from beamreduce.campaign.frame_headers import FrameHeader
from beamreduce.errors import Problem

CellValue = str | float | bool | None

_UNIT_IN_COMMENT = re.compile(r"^\[([^\]]+)\]")
_TRUTH = {"t": True, "true": True, "1": True, "f": False, "false": False, "0": False}


def fill_from_cards(
    cells: Mapping[str, CellValue], header: FrameHeader, cards: Mapping[str, str]
) -> tuple[dict[str, CellValue], list[Problem]]:
    """Return the cells of a row with absent ones filled from the frame's header.

    Parameters
    ----------
    cells
        Values by column, in the unit of :data:`ALL_COLUMNS`; None where absent.
    header
        Header of the row's frame; the image's own header goes before the primary one.
    cards
        Card by column. A number is in the unit that the card's comment begins with, in
        square brackets (a convention of the FITS standard, section 4.3.2), else in the
        unit the format names for the column.

    Returns
    -------
    cells, problems
        A card that cannot be used, or that differs from a cell that is there, is a
        problem; a card that the header lacks leaves the cell absent.
    """
    filled = dict(cells)
    problems = []
    for name, keyword in cards.items():
        card = header.card(keyword)
        if card is None:
            continue
        column = ALL_COLUMNS[name]
        value, expected = _value_of(card, column)
        present = cells.get(name)
        if expected:
            problems.append(_problem(header, card, (_shown(card), expected)))
        elif value is not None and present is not None and not _same(value, present):
            words = f"{_in_words(value, column)}, but {_in_words(present, column)}"
            found = f"{words} in column {name} of the exposure table"
            problems.append(_problem(header, card, (found, "the same value in both")))
        elif present is None:
            filled[name] = value
    return filled, problems


def _problem(header: FrameHeader, card: fits.Card, words: tuple[str, str]) -> Problem:
    return Problem(
        file=header.file,
        item=f"card {card.keyword}",
        found=words[0],
        expected=words[1],
        action="correct one of them, or take the card out of [cards]",
    )


def _shown(card: fits.Card) -> str:
    try:
        return repr(card.value)
    except fits.VerifyError:
        return "a card that is not FITS"


def _value_of(card: fits.Card, column: Column) -> tuple[CellValue, str]:
    """Return a card's value in the column's unit, or what was expected of it."""
    try:
        raw, comment = card.value, card.comment
    except fits.VerifyError:
        return None, "a card that follows the FITS standard"
    if raw is None or isinstance(raw, fits.card.Undefined) or raw == "":
        return None, ""
    if column.content == "truth":
        value = _TRUTH.get(str(raw).strip().lower())
        return value, "" if value is not None else "a logical value, T or F"
    if column.content != "number":
        return str(raw).strip(), ""
    try:
        number = float(raw)
    except (TypeError, ValueError):
        return None, "a number"
    if isinstance(raw, bool) or not math.isfinite(number):
        return None, "a number"
    return _converted(number, comment, column)


def _converted(number: float, comment: str, column: Column) -> tuple[CellValue, str]:
    """Convert a number from the unit in its comment, if there is one."""
    match = _UNIT_IN_COMMENT.match(comment)
    if match is None or column.unit is None:
        return number, ""
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", u.UnitsWarning)
            unit = u.Unit(match.group(1))
    except ValueError:
        return None, f"a known unit in its comment, not [{match.group(1)}]"
    rule = u.temperature() if column.unit == u.deg_C else []
    try:
        return float(unit.to(column.unit, number, equivalencies=rule)), ""
    except u.UnitConversionError:
        return None, f"a unit that converts to {column.unit} in its comment"


def _same(first: CellValue, second: CellValue) -> bool:
    if isinstance(first, float) and isinstance(second, float):
        return math.isclose(first, second, rel_tol=1e-6, abs_tol=1e-12)
    return first == second


def _in_words(value: CellValue, column: Column) -> str:
    unit = f" {column.unit}" if column.unit is not None else ""
    return f"{value:g}{unit}" if isinstance(value, float) else repr(value)
