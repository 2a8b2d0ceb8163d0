"""``maps.ecsv``: which map is of which reflector, and where the reflector belongs."""

import re
from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import astropy.units as u

from beamreduce.campaign import find_inside
from beamreduce.errors import Problem
from beamreduce.record.ecsv_table import EcsvTable, number_cells, read_ecsv, text_cells
from beamreduce.reflectors.grading import STAGES

MAPS_FILE = "maps.ecsv"
TRACES_FILE = "traces.ecsv"
_NAME = re.compile(r"[A-Za-z0-9._-]{1,64}")
_BELONGS = ("nesting", "stage", "mandrel", "batch", "coating_run", "quadrant")
_HEIGHT_UNITS = {"nm": u.nm, "um": u.um, "m": u.m, "mm": u.mm, "Angstrom": u.AA}
_REQUIRED = ("map", "file", "reflector", "nesting", "stage")


@dataclass(frozen=True, kw_only=True)
class MapRow:
    """One map: where it is, how it was taken; absent is None."""

    map: str
    file: str
    path: Path
    reflector: str
    pixel_size_um: float | None
    pixel_size_y_um: float | None = None
    magnification: float | None = None
    height_unit: str | None = None


@dataclass(frozen=True, kw_only=True)
class TraceRow:
    """One long trace along a reflector."""

    trace: str
    file: str
    path: Path
    reflector: str


@dataclass(frozen=True, kw_only=True)
class Reflector:
    """One reflector as listed: what it was made for, and what it was made with."""

    reflector: str
    nesting: int
    stage: str
    mandrel: str = ""
    batch: str = ""
    coating_run: str = ""
    quadrant: str = ""
    maps: tuple[MapRow, ...] = ()
    traces: tuple[TraceRow, ...] = ()


def read_map_list(folder: Path) -> tuple[tuple[Reflector, ...], list[Problem]]:
    """Read ``maps.ecsv``, and ``traces.ecsv`` where there is one.

    Returns
    -------
    reflectors, problems
        In the order of their first rows; everything that is wrong with the tables.
    """
    path, trouble = find_inside(folder, MAPS_FILE, what="folder of maps")
    if path is None:
        found, action = trouble
        return (), [_problem(MAPS_FILE, "", found, "the list of maps", action)]
    table, problems = read_ecsv(path, file=MAPS_FILE, label_column="map")
    if table is None:
        return (), problems
    missing = [name for name in _REQUIRED if name not in table.columns]
    if missing:
        return (), [
            *problems,
            _problem(
                MAPS_FILE,
                f"column {', '.join(missing)}",
                "nothing",
                "this column, with a value in every row",
                "add the column",
            ),
        ]
    if not table.rows:
        problems.append(
            _problem(MAPS_FILE, "", "no rows", "a row for each map", "list the maps")
        )
    rows, found = _rows(table, folder)
    traces, found_traces = _traces(folder)
    problems += found + found_traces
    if any(not problem.warning for problem in problems):
        return (), problems
    return _by_reflector(table, rows, traces)


def _rows(table: EcsvTable, folder: Path) -> tuple[list[MapRow], list[Problem]]:
    texts = {name: text_cells(table, name) for name in ("map", "file", "reflector")}
    numbers, problems = {}, []
    for name, unit in (
        ("pixel_size", u.um),
        ("pixel_size_y", u.um),
        ("magnification", None),
    ):
        numbers[name] = [None] * len(table.rows)
        if name in table.columns:
            numbers[name], found = number_cells(table, name, unit)
            problems += found
    unread = {problem.item for problem in problems}
    units = [None] * len(table.rows)
    if "height_unit" in table.columns:
        units = text_cells(table, "height_unit")
    rows = []
    seen: dict[str, int] = {}
    for i in range(len(table.rows)):
        problems += _check_texts(table, i, texts, seen)
        for name, values in numbers.items():
            if values[i] is not None and values[i] <= 0:
                item = table.label(i, name)
                problems.append(
                    _problem(
                        table.file,
                        item,
                        f"{values[i]:g}",
                        "a value above zero",
                        "correct the cell",
                    )
                )
        if units[i] is not None and units[i] not in _HEIGHT_UNITS:
            problems.append(
                _problem(
                    table.file,
                    table.label(i, "height_unit"),
                    repr(units[i]),
                    f"one of {', '.join(_HEIGHT_UNITS)}",
                    "correct the cell",
                )
            )
        path = _find(table, i, (folder, texts["file"][i]), problems)
        if path is None:
            continue
        given = numbers["pixel_size"][i] is not None or path.name.lower().endswith(".x3p")
        told = {"column pixel_size", table.label(i, "pixel_size")} & unread
        if not given and not told:
            problems.append(
                _problem(
                    table.file,
                    table.label(i, "pixel_size"),
                    "nothing",
                    "the distance of neighbouring points (only X3P files hold it)",
                    "fill the cell",
                )
            )
        rows.append(
            MapRow(
                map=texts["map"][i] or "",
                file=texts["file"][i] or "",
                path=path,
                reflector=texts["reflector"][i] or "",
                pixel_size_um=numbers["pixel_size"][i],
                pixel_size_y_um=numbers["pixel_size_y"][i],
                magnification=numbers["magnification"][i],
                height_unit=units[i],
            )
        )
    return rows, problems


def _check_texts(
    table: EcsvTable,
    index: int,
    texts: Mapping[str, Sequence[str | None]],
    seen: dict[str, int],
) -> list[Problem]:
    problems = []
    label = next(iter(texts))
    for name in (label, "reflector"):
        value = texts[name][index]
        if value is None or not _NAME.fullmatch(value):
            problems.append(
                _problem(
                    table.file,
                    table.label(index, name),
                    "nothing" if value is None else repr(value),
                    "1 to 64 of the characters A-Z a-z 0-9 . _ -",
                    "give it a name",
                )
            )
    name = (texts[label][index] or "").lower()
    if name and name in seen:
        problems.append(
            _problem(
                table.file,
                table.label(index, label),
                f"a name that row {seen[name]} has too",
                f"every {label} once",
                "rename one of them",
            )
        )
    seen.setdefault(name, table.numbers[index])
    return problems


def _find(
    table: EcsvTable, index: int, where: tuple[Path, str | None], problems: list[Problem]
) -> Path | None:
    folder, file = where
    path, trouble = (
        (None, ("nothing", "name the file"))
        if file is None
        else find_inside(folder, file, what="folder of maps")
    )
    if path is None:
        found, action = trouble
        item = table.label(index, "file")
        problems.append(_problem(table.file, item, found, "a file of the folder", action))
    return path


def _traces(folder: Path) -> tuple[list[TraceRow], list[Problem]]:
    path = folder / TRACES_FILE
    if not path.exists():
        return [], []
    table, problems = read_ecsv(path, file=TRACES_FILE, label_column="trace")
    if table is None:
        return [], problems
    missing = [n for n in ("trace", "file", "reflector") if n not in table.columns]
    if missing:
        item = f"column {', '.join(missing)}"
        problems.append(
            _problem(TRACES_FILE, item, "nothing", "this column", "add the column")
        )
        return [], problems
    texts = {name: text_cells(table, name) for name in ("trace", "file", "reflector")}
    rows, seen = [], {}
    for i in range(len(table.rows)):
        problems += _check_texts(table, i, texts, seen)
        where = _find(table, i, (folder, texts["file"][i]), problems)
        if where is not None:
            rows.append(
                TraceRow(
                    trace=texts["trace"][i] or "",
                    file=texts["file"][i] or "",
                    path=where,
                    reflector=texts["reflector"][i] or "",
                )
            )
    return rows, problems


def _by_reflector(
    table: EcsvTable, rows: Sequence[MapRow], traces: Sequence[TraceRow]
) -> tuple[tuple[Reflector, ...], list[Problem]]:
    """Gather the maps of each reflector, whose rows have to agree in what it is."""
    problems: list[Problem] = []
    belongs = _belongs(table, problems)
    first: dict[str, int] = {}
    maps: dict[str, list[MapRow]] = defaultdict(list)
    for i, row in enumerate(rows):
        maps[row.reflector].append(row)
        start = first.setdefault(row.reflector, i)
        for name, values in belongs.items():
            if values[i] != values[start]:
                problems.append(
                    _problem(
                        table.file,
                        table.label(i, name),
                        f"{values[i]!r} for reflector {row.reflector}, which row "
                        f"{table.numbers[start]} has as {values[start]!r}",
                        "the same in every row of a reflector",
                        "correct one of them",
                    )
                )
    own: dict[str, list[TraceRow]] = defaultdict(list)
    for trace in traces:
        own[trace.reflector].append(trace)
        if trace.reflector not in first:
            problems.append(
                _problem(
                    TRACES_FILE,
                    f"trace {trace.trace}",
                    f"the reflector {trace.reflector!r}, which {MAPS_FILE} does not list",
                    "a reflector with a map",
                    "correct the name, or list a map of it",
                )
            )
    if problems:
        return (), problems
    return tuple(
        Reflector(
            reflector=name,
            nesting=int(belongs["nesting"][i]),
            maps=tuple(maps[name]),
            traces=tuple(own[name]),
            **{key: belongs[key][i] or "" for key in _BELONGS if key != "nesting"},
        )
        for name, i in first.items()
    ), []


def _belongs(table: EcsvTable, problems: list[Problem]) -> dict[str, list[object]]:
    """Read the columns that say what each reflector is."""
    numbers, found = number_cells(table, "nesting", None)
    problems += found
    bad = {problem.item for problem in found}
    for i, number in enumerate(numbers):
        item = table.label(i, "nesting")
        if item not in bad and (number is None or number < 1 or number != int(number)):
            problems.append(
                _problem(
                    table.file,
                    item,
                    "nothing" if number is None else f"{number:g}",
                    "the number of the nesting, from 1",
                    "fill the cell",
                )
            )
    columns: dict[str, list[object]] = {"nesting": numbers}
    for name in _BELONGS[1:]:
        columns[name] = [None] * len(table.rows)
        if name in table.columns:
            columns[name] = text_cells(table, name)
    for i, stage in enumerate(columns["stage"]):
        if stage not in STAGES:
            problems.append(
                _problem(
                    table.file,
                    table.label(i, "stage"),
                    "nothing" if stage is None else repr(stage),
                    "primary or secondary",
                    "correct the cell",
                )
            )
    return columns


def _problem(file: str, item: str, found: str, expected: str, action: str) -> Problem:
    return Problem(file=file, item=item, found=found, expected=expected, action=action)
