"""``exposures.ecsv`` as cells in known units, before anything is asked of a row."""

import difflib
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import astropy.units as u

from beamreduce.campaign.cards import CellValue
from beamreduce.campaign.columns import ALL_COLUMNS, Column
from beamreduce.campaign.paths import EXPOSURE_FILE, find_inside
from beamreduce.errors import Problem
from beamreduce.record.ecsv_table import (
    EcsvTable,
    number_cells,
    read_ecsv,
    text_cells,
    truth_cells,
)

_RATE = u.Hz


@dataclass(frozen=True, kw_only=True)
class ExposureTable:
    """The exposure table with every cell read.

    Parameters
    ----------
    table
        The cells as text.
    cells
        One mapping a row: value by column, in the unit of :data:`ALL_COLUMNS`.
    wrong
        Rows and columns whose cell could not be read; they count as absent but are not
        reported a second time.
    """

    table: EcsvTable
    cells: tuple[Mapping[str, CellValue], ...]
    wrong: frozenset[tuple[int, str]]

    @property
    def files(self) -> dict[str, int]:
        """Index of the first row that names a frame, by file, in the order of the rows."""
        first: dict[str, int] = {}
        for index, row in enumerate(self.cells):
            if row.get("file"):
                first.setdefault(str(row["file"]), index)
        return first

    def label(self, index: int, column: str = "") -> str:
        """Return the words that tell a user which row is meant."""
        return self.table.label(index, column)

    def without(self, names: Collection[str]) -> "ExposureTable":
        """Return the table without the rows of some exposures."""
        kept = [i for i, row in enumerate(self.cells) if row.get("exposure") not in names]
        place = {old: new for new, old in enumerate(kept)}
        rows = replace(
            self.table,
            rows=tuple(self.table.rows[i] for i in kept),
            numbers=tuple(self.table.numbers[i] for i in kept),
        )
        wrong = {(place[i], column) for i, column in self.wrong if i in place}
        cells = tuple(self.cells[i] for i in kept)
        return ExposureTable(table=rows, cells=cells, wrong=frozenset(wrong))


def read_exposure_table(folder: Path) -> tuple[ExposureTable | None, list[Problem]]:
    """Read the cells of ``exposures.ecsv``; None when the file cannot be read."""
    path, trouble = find_inside(folder, EXPOSURE_FILE)
    if path is None:
        expected = "the table of exposures"
        found, action = trouble
        return None, [
            Problem(file=EXPOSURE_FILE, found=found, expected=expected, action=action)
        ]
    table, problems = read_ecsv(path, file=EXPOSURE_FILE, label_column="exposure")
    if table is None:
        return None, problems
    raster = _pencil_beam(table)
    if raster is not None:
        return None, [raster]
    rows: list[dict[str, CellValue]] = [{} for _ in table.rows]
    wrong: set[tuple[int, str]] = set()
    for name in table.columns:
        if name not in ALL_COLUMNS:
            problems.append(_unknown_column(name))
            continue
        values, found = _read_column(table, ALL_COLUMNS[name])
        problems += found
        for index, value in enumerate(values):
            rows[index][name] = value
            if found and value is None and table.rows[index][name]:
                wrong.add((index, name))
    return ExposureTable(table=table, cells=tuple(rows), wrong=frozenset(wrong)), problems


def _read_column(
    table: EcsvTable, column: Column
) -> tuple[Sequence[CellValue], list[Problem]]:
    if column.content == "truth":
        return truth_cells(table, column.name)
    if column.content in ("text", "name"):
        return text_cells(table, column.name), []
    if column.name.startswith("monitor_background") and _is_rate(table, column.name):
        return _counts_from_rate(table, column.name)
    return number_cells(table, column.name, column.unit)


def _is_rate(table: EcsvTable, name: str) -> bool:
    try:
        unit = u.Unit(table.columns[name].unit)
    except ValueError:
        return False
    return unit.is_equivalent(_RATE) or unit.is_equivalent(u.ct / u.s)


def _counts_from_rate(table: EcsvTable, name: str) -> tuple[list[CellValue], list[Problem]]:
    """Turn a monitor's background rate into counts during the monitor's own time."""
    counted = u.Unit(table.columns[name].unit).is_equivalent(u.ct / u.s)
    rates, problems = number_cells(table, name, u.ct / u.s if counted else _RATE)
    seconds: list[float | None] = [None] * len(table.rows)
    for column in ("exposure_time", "monitor_time"):
        if column in table.columns:
            given, _ = number_cells(table, column, u.s)
            seconds = [
                old if new is None else new for old, new in zip(seconds, given, strict=True)
            ]
    counts: list[CellValue] = [
        None if rate is None or time is None else rate * time
        for rate, time in zip(rates, seconds, strict=True)
    ]
    return counts, problems


def _unknown_column(name: str) -> Problem:
    near = difflib.get_close_matches(name, sorted(ALL_COLUMNS), n=1, cutoff=0.8)
    return Problem(
        file=EXPOSURE_FILE,
        item=f"column {name}",
        found="an unknown column",
        expected="a column of the format",
        action=f"did you mean {near[0]!r}?" if near else "it is kept and not used",
        warning=True,
    )


def _pencil_beam(table: EcsvTable) -> Problem | None:
    """Return the refusal of a campaign in which a narrow beam was moved over the mirror.

    Such a campaign has columns, unknown to the format, for where the beam met the
    mirror: their name begins with ``raster`` or ``pencil``, or they are ``beam_x``,
    ``beam_y``, ``source_x``, ``mirror_x`` and so on with more than one value.
    """
    moved = tuple(
        f"{part}_{axis}"
        for part in ("beam", "source", "slit", "mirror", "stage")
        for axis in ("x", "y")
    )
    for name in table.columns:
        raster = name.lower().startswith(("raster", "pencil"))
        values = {row[name] for row in table.rows} - {""}
        if raster or (name.lower() in moved and len(values) > 1):
            return Problem(
                file=EXPOSURE_FILE,
                item=f"column {name}",
                found="a pencil-beam raster",
                expected="a mirror that is lit as a whole from one source position",
                action="pencil-beam raster campaigns are not reduced by this package",
            )
    return None
