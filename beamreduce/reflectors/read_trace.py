"""Long traces along a reflector, from ECSV files with ``position`` and ``height``."""

from pathlib import Path

import astropy.units as u
import numpy as np
from astropy.units import Quantity

from beamreduce.errors import Problem, ReflectorError
from beamreduce.record.ecsv_table import number_cells, read_ecsv


def read_trace(path: Path, *, name: str | None = None) -> tuple[Quantity, Quantity]:
    """Return positions along the axis (mm) and heights (um) of a trace.

    Raises
    ------
    ReflectorError
        With every problem of the file: a column, a unit or a cell that is missing.
    """
    name = name or path.name
    table, problems = read_ecsv(path, file=name, label_column="position")
    columns = []
    for column, unit in (("position", u.mm), ("height", u.um)) if table else ():
        if column not in table.columns:
            problems.append(_missing(name, f"column {column}", "this column, with a unit"))
            continue
        values, found = number_cells(table, column, unit)
        problems += found
        absent = [i for i, value in enumerate(values) if value is None]
        if absent and not found:
            item = table.label(absent[0], column)
            problems.append(_missing(name, item, "a number in every row"))
        columns.append(values)
    if problems:
        raise ReflectorError(problems)
    position, height = (np.array(values, dtype=float) for values in columns)
    return position * u.mm, height * u.um


def _missing(name: str, item: str, expected: str) -> Problem:
    return Problem(
        file=name, item=item, found="nothing", expected=expected, action="fill it in"
    )
