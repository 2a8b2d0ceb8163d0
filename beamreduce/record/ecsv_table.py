"""Tables from ECSV files, cell by cell, so that every wrong cell can be named.

A general reader stops at the first cell that does not convert and does not say which
row it is in. Here cells stay text until a column is asked for as numbers, names or
truth values, and every problem is collected.
"""

import csv
import re
import warnings
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

import astropy.units as u
import numpy as np
import yaml

from beamreduce.errors import Problem

_FIRST_LINE = re.compile(r"^#\s*%ECSV\s+\d")
_ABSENT = ("", "nan")
_TRUE = ("true", "t", "yes", "1", "1.0")
_FALSE = ("false", "f", "no", "0", "0.0")
_COUNTED = (u.ct, u.ph, u.adu, u.electron)


@dataclass(frozen=True, kw_only=True)
class EcsvColumn:
    """What the header says about one column; ``unit`` is text, empty without one."""

    name: str
    unit: str
    datatype: str


@dataclass(frozen=True, kw_only=True)
class EcsvTable:
    """The cells of a table as text, with the header's words about its columns.

    Parameters
    ----------
    file
        Name for messages.
    columns
        By name, in the order of the file.
    rows
        Text of each cell by column; absent cells are empty text.
    numbers
        Number of each row in the file, counted from 1 below the line of names.
    label_column
        Column that names a row in messages.
    """

    file: str
    columns: Mapping[str, EcsvColumn]
    rows: tuple[Mapping[str, str], ...]
    numbers: tuple[int, ...]
    label_column: str

    def label(self, index: int, column: str = "") -> str:
        """Return the words that tell a user which row, and which column, is meant."""
        text = f"row {self.numbers[index]}"
        name = self.rows[index].get(self.label_column, "")
        if name:
            text += f" ({self.label_column} {name})"
        return f"{text}, column {column}" if column else text


def read_ecsv(
    path: Path, *, file: str, label_column: str
) -> tuple[EcsvTable | None, list[Problem]]:
    """Read the text of an ECSV file (version 1.0, delimiter blank or comma).

    Parameters
    ----------
    path
        The file.
    file
        Its name for messages.
    label_column
        Column that names a row in messages.

    Returns
    -------
    table, problems
        The table is None when nothing can be read; rows that do not fit the columns
        are left out and reported.
    """
    try:
        lines = path.read_text(encoding="utf-8-sig").split("\n")
    except (OSError, UnicodeDecodeError) as error:
        reason = getattr(error, "strerror", None) or "bytes that are not UTF-8 text"
        return None, [_whole(file, f"a file that cannot be read ({reason})")]
    if not _FIRST_LINE.match(lines[0]):
        return None, [_whole(file, f"a first line that reads {lines[0][:40]!r}")]
    count = next(
        (i for i, line in enumerate(lines) if not line.startswith("#")), len(lines)
    )
    columns, delimiter, problems = _read_header(lines[1:count], file)
    if problems:
        return None, problems
    rows, numbers, problems = _read_body(lines[count:], list(columns), (file, delimiter))
    if rows is None:
        return None, problems
    table = EcsvTable(
        file=file,
        columns=columns,
        rows=tuple(rows),
        numbers=tuple(numbers),
        label_column=label_column,
    )
    return table, problems


def text_cells(table: EcsvTable, column: str) -> list[str | None]:
    """Return the cells of a column as text, None where absent.

    Whole numbers that a program wrote as ``7.0`` because the column had gaps are
    returned as ``7``, so that names which are numbers can be compared.
    """
    cells = [row[column] for row in table.rows]
    if table.columns[column].datatype.startswith("float"):
        cells = [re.sub(r"^(-?\d+)\.0*$", r"\1", cell) for cell in cells]
    return [None if cell.lower() in _ABSENT else cell for cell in cells]


def truth_cells(table: EcsvTable, column: str) -> tuple[list[bool | None], list[Problem]]:
    """Return the cells of a column as True, False or None where absent."""
    values: list[bool | None] = []
    problems = []
    for index, cell in enumerate(text_cells(table, column)):
        word = (cell or "").lower()
        values.append(True if word in _TRUE else False if word in _FALSE else None)
        if cell is not None and word not in _TRUE + _FALSE:
            problems.append(
                Problem(
                    file=table.file,
                    item=table.label(index, column),
                    found=repr(cell),
                    expected="true or false",
                    action="correct the cell, or leave it empty",
                )
            )
    return values, problems


def number_cells(
    table: EcsvTable, column: str, unit: u.UnitBase | None
) -> tuple[list[float | None], list[Problem]]:
    """Return the cells of a column as numbers in a unit, None where absent.

    Parameters
    ----------
    table
        The table.
    column
        Name of a column that it has.
    unit
        Unit wanted; None for counts and fractions, which are bare numbers.

    Returns
    -------
    values, problems
        NaN and empty cells are absent; cells that are no finite number, and a unit that
        is missing, unknown or of the wrong kind, are problems.
    """
    values: list[float | None] = []
    problems = []
    for index, cell in enumerate(text_cells(table, column)):
        number = None if cell is None else _finite(cell)
        values.append(number)
        if cell is not None and number is None:
            problems.append(
                Problem(
                    file=table.file,
                    item=table.label(index, column),
                    found=repr(cell),
                    expected="a finite number, or an empty cell where it is absent",
                    action="correct the cell",
                )
            )
    if all(value is None for value in values):
        return values, problems
    converted, problem = _in_unit(values, table.columns[column], unit)
    if problem is not None:
        found, expected, action = problem
        item = f"column {column}"
        problems.append(
            Problem(
                file=table.file, item=item, found=found, expected=expected, action=action
            )
        )
    return converted, problems


def _in_unit(
    values: list[float | None], column: EcsvColumn, unit: u.UnitBase | None
) -> tuple[list[float | None], tuple[str, str, str] | None]:
    """Convert a column's numbers; with them what is wrong with its unit, if anything."""
    nothing: list[float | None] = [None] * len(values)
    add = f"write `unit: {unit}` beside the column's name in the header"
    if not column.unit:
        if unit is None:
            return values, None
        return nothing, ("no unit", f"a unit that converts to {unit}", add)
    found = f"the unit {column.unit!r}"
    wanted = "a bare number" if unit is None else f"a unit that converts to {unit}"
    action = "take the unit out of the header" if unit is None else add
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", u.UnitsWarning)
            own = u.Unit(column.unit)
        if unit is None and own in _COUNTED:
            return values, None
        target = u.dimensionless_unscaled if unit is None else unit
        rule = u.temperature() if unit == u.deg_C else []
        numbers = np.array([np.nan if value is None else value for value in values])
        numbers = own.to(target, numbers, equivalencies=rule)
        converted = [None if np.isnan(x) else float(x) for x in numbers]
    except u.UnitConversionError:
        return nothing, (found, wanted, action)
    except (ValueError, TypeError):
        return nothing, (f"{found}, which is not known", wanted, action)
    return converted, None


def _finite(cell: str) -> float | None:
    """Return the number that a cell holds, None when it is no finite number."""
    try:
        number = float(cell)
    except ValueError:
        return None
    return number if abs(number) < float("inf") and "_" not in cell else None


class _HeaderLoader(yaml.SafeLoader):
    """Plain YAML; what other programs tag as their own objects is read as it stands."""


def _construct_tagged(loader: yaml.SafeLoader, _tag: str, node: yaml.Node) -> object:
    if isinstance(node, yaml.MappingNode):
        return loader.construct_mapping(node, deep=True)
    if isinstance(node, yaml.SequenceNode):
        return loader.construct_sequence(node, deep=True)
    return loader.construct_scalar(node)


_HeaderLoader.add_multi_constructor("!", _construct_tagged)


def _read_header(
    lines: list[str], file: str
) -> tuple[dict[str, EcsvColumn], str, list[Problem]]:
    """Read the YAML header: columns by name, delimiter, problems."""
    content = "\n".join(line[1:].removeprefix(" ") for line in lines if line[:2] != "##")
    try:
        header = yaml.load(content, Loader=_HeaderLoader)
        entries = [
            EcsvColumn(
                name=str(entry["name"]),
                unit=_unit_text(entry.get("unit")),
                datatype=str(entry["datatype"]),
            )
            for entry in header["datatype"]
        ]
        delimiter = str(header.get("delimiter", " "))
    except yaml.YAMLError as error:
        mark = getattr(error, "problem_mark", None)
        where = f" near line {mark.line + 2}" if mark else ""
        return {}, " ", [_whole(file, f"a header that is not YAML{where}")]
    except (KeyError, TypeError, AttributeError):
        return {}, " ", [_whole(file, "a header without a list `datatype` of columns")]
    columns = {entry.name: entry for entry in entries}
    if len(columns) < len(entries):
        return {}, " ", [_whole(file, "a header that names a column twice")]
    if delimiter not in (" ", ","):
        return {}, " ", [_whole(file, f"the delimiter {delimiter!r}")]
    return columns, delimiter, []


def _unit_text(unit: object) -> str:
    if isinstance(unit, dict):
        unit = unit.get("unit")
    return "" if unit is None else str(unit).strip()


def _read_body(
    lines: list[str], names: list[str], form: tuple[str, str]
) -> tuple[list[dict[str, str]] | None, list[int], list[Problem]]:
    """Split the lines below the header into cells by column name."""
    file, delimiter = form
    kept = [line.rstrip() + "\n" for line in lines if line.strip() and line[0] != "#"]
    reader = csv.reader(kept, delimiter=delimiter, skipinitialspace=True)
    first = [cell.strip() for cell in next(reader, [])]
    if first != names:
        found = f"the line of names {' '.join(first)[:80]!r}"
        return None, [], [_whole(file, f"{found}, unlike the header's {' '.join(names)!r}")]
    rows, numbers, problems = [], [], []
    for number, cells in enumerate(reader, start=1):
        if len(cells) == len(names):
            texts = (cell.strip() for cell in cells)
            rows.append(dict(zip(names, texts, strict=True)))
            numbers.append(number)
            continue
        problems.append(
            Problem(
                file=file,
                item=f"row {number} ({cells[0]!r} …)",
                found=f"{len(cells)} cells",
                expected=f"{len(names)} cells, one for each column",
                action='write absent cells as "" and text with blanks in double quotes',
            )
        )
    return rows, numbers, problems


def _whole(file: str, found: str) -> Problem:
    return Problem(
        file=file,
        found=found,
        expected="an ECSV table: `# %ECSV 1.0`, a YAML header in comment lines with name, "
        "unit and datatype of each column, the line of names, the rows",
        action="write the table again as ECSV",
    )
