"""The exposures of a campaign: rows of ``exposures.ecsv``, completed and checked."""

import difflib
import re
from collections.abc import Callable, Collection, Mapping
from dataclasses import dataclass
from pathlib import Path, PurePosixPath

from astropy.units import Quantity

from beamreduce.campaign.cards import CellValue, fill_from_cards
from beamreduce.campaign.columns import (
    ALL_COLUMNS,
    COLUMNS,
    KINDS,
    SHIFTS,
    UNCERTAINTY,
    Column,
)
from beamreduce.campaign.exposure import Exposure
from beamreduce.campaign.exposure_table import ExposureTable, read_exposure_table
from beamreduce.campaign.frame_headers import FrameHeader, read_frame_header
from beamreduce.campaign.header_text import told_once
from beamreduce.campaign.paths import EXPOSURE_FILE, find_inside
from beamreduce.campaign.setup_file import Setup
from beamreduce.errors import CampaignError, Problem

_NAME = re.compile(r"^[A-Za-z0-9._-]{1,64}$")
_NAME_WORDS = "1 to 64 of the characters A-Z a-z 0-9 . _ -"
_COUNTER_KINDS = ("direct", "background")

Progress = Callable[[str, int, int], None]
HeaderReader = Callable[[Path, str], tuple[FrameHeader | None, list[Problem]]]


@dataclass(frozen=True, kw_only=True)
class RowContext:
    """What a row is checked against.

    Parameters
    ----------
    detector_names
        Detectors of the campaign, None when not known.
    cards
        Header card by column.
    headers
        Frame headers by file, for the cards.
    """

    detector_names: frozenset[str] | None
    cards: Mapping[str, str]
    headers: Mapping[str, FrameHeader]


def read_exposures(folder: Path, setup: Setup) -> tuple[Exposure, ...]:
    """Read the exposures of a campaign.

    Frame headers are read only when ``[cards]`` maps columns to them.

    Raises
    ------
    CampaignError
        With every problem of the table.
    """
    table, problems = read_exposure_table(folder)
    exposures: list[Exposure] = []
    if table is not None:
        headers: dict[str, FrameHeader] = {}
        if setup.cards:
            headers, found = read_headers(folder, table, read_frame_header)
            problems += found
        context = RowContext(
            detector_names=frozenset(setup.detectors), cards=setup.cards, headers=headers
        )
        exposures, _, found = make_exposures(table, context)
        problems += found
    errors = [problem for problem in problems if not problem.warning]
    if errors:
        raise CampaignError(errors)
    return tuple(exposures)


def read_headers(
    folder: Path,
    table: ExposureTable,
    reader: HeaderReader,
    progress: Progress | None = None,
    *,
    awaited: Collection[str] = (),
) -> tuple[dict[str, FrameHeader], list[Problem]]:
    """Read the header of every frame that the table names.

    Parameters
    ----------
    folder
        The campaign folder.
    table
        Its exposure table.
    reader
        Reads one frame: path, and name for messages.
    progress
        Called with (what, done, of how many) after each frame.
    awaited
        Files to leave out, because they may be absent.

    Returns
    -------
    headers, problems
        Headers by file as written in the table; paths that leave the folder, files that
        are missing and files that are no usable frame are problems. A warning that many
        files share is there once.
    """
    headers, problems = {}, []
    files = {file: at for file, at in table.files.items() if file not in awaited}
    for done, (file, index) in enumerate(files.items(), start=1):
        path, trouble = find_inside(folder, file)
        if path is None:
            found, action = trouble
            problems.append(
                Problem(
                    file=EXPOSURE_FILE,
                    item=table.label(index, "file"),
                    found=found,
                    expected="a file below the campaign folder",
                    action=action,
                )
            )
            continue
        header, found_in_file = reader(path, file)
        problems += found_in_file
        if header is not None:
            headers[file] = header
        if progress is not None:
            progress("frames", done, len(files))
    return headers, told_once(problems)


def make_exposures(
    table: ExposureTable, context: RowContext
) -> tuple[list[Exposure], frozenset[str], list[Problem]]:
    """Make an exposure of each row that can be used.

    Returns
    -------
    exposures, lost, problems
        ``lost`` are the kinds of the rows that could not be used.
    """
    problems = _missing_columns(table, context.cards)
    problems += _repeated(table)
    exposures, lost = [], set()
    for index, cells in enumerate(table.cells):
        header = context.headers.get(str(cells.get("file") or ""))
        if header is not None and context.cards:
            cells, found = fill_from_cards(cells, header, context.cards)
            problems += found
        row = _Row(table, index, cells, context)
        found = _check_row(row)
        problems += found
        exposure = _exposure(row, {problem.item for problem in found})
        if exposure is None:
            lost.add(str(row.get("kind")))
        else:
            exposures.append(exposure)
    return exposures, frozenset(lost), problems


@dataclass(frozen=True)
class _Row:
    """One row with its context, for the checks."""

    table: ExposureTable
    index: int
    cells: Mapping[str, CellValue]
    context: RowContext

    def get(self, column: str) -> CellValue:
        return self.cells.get(column)

    @property
    def is_counter(self) -> bool:
        no_file = "file" in self.table.table.columns and not self.get("file")
        return no_file and self.get("kind") in _COUNTER_KINDS

    def needs(self) -> list[str]:
        """Columns without which a row of this kind cannot be used."""
        if self.is_counter:
            direct = ["energy", "collecting_area", "distance_from_source"]
            own = ["exposure", "kind", "exposure_time", "counts", "live_time"]
            return own + (direct if self.get("kind") == "direct" else [])
        own = ["exposure", "file", "kind", "exposure_time"]
        lit = self.get("kind") in ("beam", "direct")
        return own + (["energy", "detector_distance"] if lit else [])

    def problem(self, column: str, found: str, expected: str, action: str) -> Problem:
        item = self.table.label(self.index, column)
        return Problem(
            file=EXPOSURE_FILE, item=item, found=found, expected=expected, action=action
        )


def _missing_columns(table: ExposureTable, cards: Mapping[str, str]) -> list[Problem]:
    """Return a problem for each column that the table must have."""
    needed = {"exposure": True, "file": True, "kind": True, "exposure_time": True}
    lit = any(row.get("kind") in ("beam", "direct") for row in table.cells)
    needed |= {"energy": lit, "detector_distance": lit}
    problems = [
        Problem(
            file=EXPOSURE_FILE,
            item=f"column {name}",
            found="nothing",
            expected="this column",
            action="add it, or map it to a header card in [cards]"
            if name not in ("exposure", "file")
            else "add it",
        )
        for name, wanted in needed.items()
        if wanted and name not in table.table.columns and name not in cards
    ]
    if not table.cells and not problems:
        problems.append(
            Problem(
                file=EXPOSURE_FILE,
                found="a table without rows",
                expected="a row for each exposure",
                action="add the rows",
            )
        )
    return problems


def _repeated(table: ExposureTable) -> list[Problem]:
    """Return a problem for each exposure or frame that is there a second time."""
    problems = []
    first: dict[tuple[str, str], int] = {}
    for index, cells in enumerate(table.cells):
        for column in ("exposure", "file"):
            value = str(cells.get(column) or "")
            same = value.casefold() if column == "exposure" else str(PurePosixPath(value))
            earlier = first.setdefault((column, same), index)
            if not value or earlier == index:
                continue
            words = "each name once (case does not count)"
            problems.append(
                Problem(
                    file=EXPOSURE_FILE,
                    item=table.label(index, column),
                    found=f"{value!r}, which {table.label(earlier)} has already",
                    expected=words if column == "exposure" else "each frame once",
                    action="rename or remove one of the rows",
                    warning=column == "file"
                    and not _summed_together(cells, table.cells[earlier]),
                )
            )
    return problems


def _summed_together(one: Mapping[str, CellValue], two: Mapping[str, CellValue]) -> bool:
    """Return True when two rows with the same frame would count its photons twice."""
    if one.get("kind") != two.get("kind"):
        return False
    group = one.get("group")
    return one.get("kind") != "beam" or (group is not None and group == two.get("group"))


def _check_row(row: _Row) -> list[Problem]:
    """Return everything that is wrong with one row."""
    problems = _check_needs(row)
    for name in ("exposure", "group", "background"):
        value = row.get(name)
        if value is not None and not _NAME.match(str(value)):
            problems.append(row.problem(name, repr(value), _NAME_WORDS, "rename it"))
    problems += _check_choice(row, "kind", KINDS)
    problems += _check_choice(row, "off_axis_by", SHIFTS)
    names = row.context.detector_names
    if row.get("detector") is not None and names is not None:
        problems += _check_choice(row, "detector", tuple(sorted(names - {""})))
    for name, value in row.cells.items():
        column = ALL_COLUMNS[name]
        if column.content == "number" and value is not None:
            problems += _check_range(row, column, float(value))
    return problems


def _check_needs(row: _Row) -> list[Problem]:
    """Return a problem for each cell that must not be absent."""
    problems = []
    for name in row.needs():
        card = row.context.cards.get(name)
        known = name in row.table.table.columns or card is not None
        if row.get(name) is not None or (row.index, name) in row.table.wrong or not known:
            continue
        if (
            card is not None
            and row.get("file")
            and row.get("file") not in row.context.headers
        ):
            continue  # the frame itself is a problem already
        source = f", and no usable card {card} in its frame" if card else ""
        kind = row.get("kind") or "such"
        problems.append(
            row.problem(
                name, f"an empty cell{source}", f"a value, for a {kind} row", "fill it in"
            )
        )
    if row.is_counter:
        counter = [n for n in row.needs() if n not in row.table.table.columns]
        problems += [
            row.problem(
                name,
                "nothing, for a row without a file",
                "the columns of a counter's reading (counts, live_time, "
                "collecting_area, distance_from_source)",
                "name a frame in column file, or add the column",
            )
            for name in counter
            if name not in row.context.cards and name not in ("exposure_time", "energy")
        ]
    return problems


def _check_choice(row: _Row, name: str, choices: tuple[str, ...]) -> list[Problem]:
    value = row.get(name)
    if value is None or value in choices:
        return []
    near = difflib.get_close_matches(str(value).lower(), choices, n=1)
    action = f"did you mean {near[0]!r}?" if near else "correct the cell"
    expected = f"one of {', '.join(choices)}" if choices else "an empty cell"
    return [row.problem(name, repr(value), expected, action)]


def _check_range(row: _Row, column: Column, value: float) -> list[Problem]:
    allowed, words = column.allowed.holds(value), column.allowed.words
    lasting = row.get("kind") in KINDS and row.get("kind") != "bias"
    if column.name == "exposure_time" and lasting:
        allowed, words = value > 0, "above zero (of zero only for bias)"
    if allowed:
        return []
    unit = f" {column.unit}" if column.unit is not None else ""
    return [row.problem(column.name, f"{value:g}{unit}", f"a number {words}", "correct it")]


def _exposure(row: _Row, wrong: set[str]) -> Exposure | None:
    """Make the exposure, without cells that are wrong; None when it cannot do without."""
    unusable = {
        name
        for name in row.cells
        if row.table.label(row.index, name) in wrong or row.get(name) is None
    }
    values = {name: _dressed(name, row) for name in row.cells if name not in unusable}
    if any(name not in values for name in row.needs()):
        return None
    known = {name: value for name, value in values.items() if name in COLUMNS}
    if row.is_counter:
        known["file"] = ""
    declared = {
        name.removesuffix(UNCERTAINTY): value
        for name, value in values.items()
        if name not in COLUMNS
    }
    source = row.table.table.rows[row.index]
    unknown = {name: text for name, text in source.items() if name not in ALL_COLUMNS}
    return Exposure(**known, uncertainties=declared, unknown=unknown)


def _dressed(name: str, row: _Row) -> Quantity | CellValue:
    """Return a cell with its unit."""
    column, value = ALL_COLUMNS[name], row.cells[name]
    if column.content != "number" or column.unit is None:
        return value
    return Quantity(value, column.unit)
