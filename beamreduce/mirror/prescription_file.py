"""The nest of cones from ``nestings.ecsv``, or from the campaign's ``[mirror]`` table."""

import math
from collections.abc import Mapping
from pathlib import Path

import astropy.units as u

from beamreduce.errors import CampaignError, GeometryError, Problem
from beamreduce.mirror.prescription import (
    MirrorDesign,
    Nesting,
    Prescription,
    nestings_from_design,
)
from beamreduce.mirror.prescription_checks import check_described, check_nest
from beamreduce.record.ecsv_table import EcsvTable, number_cells, read_ecsv, text_cells
from beamreduce.record.ranges import ABOVE_ZERO, ZERO_OR_MORE, Range

PRESCRIPTION_FILE = "nestings.ecsv"

_LENGTHS: Mapping[str, tuple[u.UnitBase, Range]] = {
    "radius": (u.mm, ABOVE_ZERO),
    "primary_angle": (u.deg, ABOVE_ZERO),
    "secondary_angle": (u.deg, ABOVE_ZERO),
    "primary_length": (u.mm, ABOVE_ZERO),
    "secondary_length": (u.mm, ABOVE_ZERO),
    "gap": (u.mm, ZERO_OR_MORE),
    "thickness": (u.mm, ABOVE_ZERO),
}


def read_prescription(path: Path, design: MirrorDesign) -> Prescription:
    """Read the nestings of a mirror from an ECSV file.

    Parameters
    ----------
    path
        File with the columns ``nesting``, ``radius``, ``primary_angle``,
        ``secondary_angle``, ``primary_length``, ``secondary_length``, ``gap``,
        ``thickness`` and, where they differ from the design, ``coating`` and
        ``roughness``. Rows in any order; nestings are numbered from the inside out.
    design
        The ``[mirror]`` table: focal length, and coating and roughness of every nesting
        for which the file has none.

    Raises
    ------
    CampaignError
        With every problem of the file: cells, units, order, overlaps, a secondary across
        the axis, a focal length that the angles contradict by more than 0.5 %.
    """
    prescription, problems = check_prescription_file(path, design)
    errors = [problem for problem in problems if not problem.warning]
    if errors or prescription is None:
        raise CampaignError(errors)
    return prescription


def find_prescription(
    folder: Path, design: MirrorDesign
) -> tuple[Prescription | None, list[Problem]]:
    """Return the nest of a campaign and all problems with it.

    ``nestings.ecsv`` where the folder has one, else the nest that follows from the
    design; None when there is no usable one.
    """
    path = folder / PRESCRIPTION_FILE
    if path.exists():
        return check_prescription_file(path, design)
    try:
        prescription = nestings_from_design(design)
    except GeometryError as error:
        found = f"a design that gives no nest ({error})"
        return None, [
            Problem(
                file="campaign.toml",
                item="mirror",
                found=found,
                expected="inner_radius, outer_radius, reflector_length and "
                "reflector_thickness of a nest of at least one pair",
                action="correct the [mirror] table",
            )
        ]
    problems = check_nest(prescription, file="campaign.toml")
    return (None if problems else prescription), problems


def check_prescription_file(
    path: Path, design: MirrorDesign
) -> tuple[Prescription | None, list[Problem]]:
    """Return the nest in a file, None when it cannot be used, and all problems with it."""
    table, problems = read_ecsv(path, file=path.name, label_column="nesting")
    if table is None:
        return None, problems
    problems += _missing_columns(table)
    if not problems and not table.rows:
        problems.append(
            _problem(table.file, "", "a table without rows", "a row for each nesting")
        )
    if problems:
        return None, problems
    rows, problems = _read_rows(table, design)
    if problems:
        return None, problems
    prescription = Prescription(
        nestings=tuple(sorted(rows, key=lambda nesting: nesting.number)),
        focal_length_mm=float(design.focal_length.to_value(u.mm)),
    )
    problems = check_nest(prescription, file=path.name)
    usable = all(problem.warning for problem in problems)
    problems += check_described(prescription, design, file=path.name)
    return (prescription if usable else None), problems


def _missing_columns(table: EcsvTable) -> list[Problem]:
    return [
        _problem(
            table.file,
            f"column {name}",
            "nothing",
            "this column, with a value in every row",
        )
        for name in ("nesting", *_LENGTHS)
        if name not in table.columns
    ]


def _read_rows(
    table: EcsvTable, design: MirrorDesign
) -> tuple[list[Nesting], list[Problem]]:
    """Make a nesting of each row; with any problem the list is not complete."""
    numbers, problems = _nesting_numbers(table)
    cells: dict[str, list[float | None]] = {}
    for name, (unit, allowed) in _LENGTHS.items():
        cells[name], found = number_cells(table, name, unit)
        problems += found or _out_of_range(table, name, (cells[name], unit, allowed))
    roughness: list[float | None] = [None] * len(table.rows)
    coating: list[str | None] = [None] * len(table.rows)
    if "roughness" in table.columns:
        roughness, found = number_cells(table, "roughness", u.nm)
        given = [0.0 if value is None else value for value in roughness]
        problems += found or _out_of_range(table, "roughness", (given, u.nm, ZERO_OR_MORE))
    if "coating" in table.columns:
        coating = text_cells(table, "coating")
    if problems:
        return [], problems
    design_nm = float(design.roughness.to_value(u.nm))
    return [
        Nesting(
            number=numbers[i],
            radius_mm=cells["radius"][i],
            primary_angle_rad=math.radians(cells["primary_angle"][i]),
            secondary_angle_rad=math.radians(cells["secondary_angle"][i]),
            primary_length_mm=cells["primary_length"][i],
            secondary_length_mm=cells["secondary_length"][i],
            gap_mm=cells["gap"][i],
            thickness_mm=cells["thickness"][i],
            coating=coating[i] or design.coating,
            roughness_nm=design_nm if roughness[i] is None else roughness[i],
        )
        for i in range(len(table.rows))
    ], []


def _nesting_numbers(table: EcsvTable) -> tuple[list[int], list[Problem]]:
    """Read the column of numbers: whole, none twice."""
    cells, problems = number_cells(table, "nesting", None)
    if problems:
        return [], problems
    numbers: list[int] = []
    for index, cell in enumerate(cells):
        item = table.label(index, "nesting")
        if cell is None or cell != int(cell):
            found = "nothing" if cell is None else f"{cell:g}"
            problems.append(_problem(table.file, item, found, "a whole number"))
        elif int(cell) in numbers:
            problems.append(
                _problem(
                    table.file, item, f"{int(cell)} a second time", "every nesting once"
                )
            )
        else:
            numbers.append(int(cell))
    return numbers, problems


def _out_of_range(
    table: EcsvTable,
    column: str,
    content: tuple[list[float | None], u.UnitBase, Range],
) -> list[Problem]:
    values, unit, allowed = content
    return [
        _problem(
            table.file,
            table.label(index, column),
            "nothing" if value is None else f"{value:g} {unit}",
            f"a value {allowed.words}",
        )
        for index, value in enumerate(values)
        if value is None or not allowed.holds(value)
    ]


def _problem(file: str, item: str, found: str, expected: str) -> Problem:
    return Problem(
        file=file,
        item=item,
        found=found,
        expected=expected,
        action="correct the table, or remove the file to use the [mirror] design",
    )
