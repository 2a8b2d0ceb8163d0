"""The adjusters of every quadrant, from ``adjusters.ecsv``."""

import math
import warnings
from collections import Counter
from collections.abc import Collection, Mapping
from dataclasses import dataclass
from pathlib import Path

import astropy.units as u
from astropy.units import Quantity

from beamreduce.errors import CampaignError, Problem, SettingsError
from beamreduce.record.ecsv_table import EcsvTable, read_ecsv, text_cells, truth_cells
from beamreduce.units import parse_quantity

ADJUSTER_FILE = "adjusters.ecsv"
AXIAL = "axial"
MOTIONS = {"shift": u.mm, "tilt": u.rad}
SHOWN_UNITS = {"shift": u.mm, "tilt": u.arcsec}
STAGES = ("both", "primary", "secondary")
_TEXT = ("quadrant", "adjuster", "motion", "direction", "stage")
_SIZES = ("step", "travel_min", "travel_max")
_NEEDED = (*_TEXT, *_SIZES)
# Larger than this no adjuster of a mirror tilts or shifts; a unit is wrong.
_LARGEST = {"shift": 50.0, "tilt": 0.01}
_FAR_MM = 5000.0


@dataclass(frozen=True, kw_only=True)
class Adjuster:
    """One adjuster: what it moves, which way, in which steps and how far.

    Parameters
    ----------
    quadrant, name
        Which quadrant it moves, and what it is called there.
    motion
        ``shift`` (lengths in mm) or ``tilt`` (angles in rad).
    direction_rad
        Azimuth, as seen from the source, that a positive step moves the part towards; of
        a tilt, the azimuth towards which the part moves behind the pivot. None for
        ``axial``: along the axis, towards the detector, or turned about the axis.
    stage
        ``primary``, ``secondary`` or ``both``.
    pivot_mm
        Where along the axis a tilt turns the part, from the reference plane, positive
        towards the detector.
    step
        Size of one step, above zero, mm or rad.
    travel_min, travel_max
        Reach from where the adjuster stands before the first move, mm or rad.
    locked
        True when it must not be moved.
    """

    quadrant: str
    name: str
    motion: str
    direction_rad: float | None
    stage: str
    pivot_mm: float
    step: float
    travel_min: float
    travel_max: float
    locked: bool = False

    @property
    def unit(self) -> u.UnitBase:
        """Unit of step and travel: mm or rad."""
        return MOTIONS[self.motion]

    @property
    def shown_unit(self) -> u.UnitBase:
        """Unit in which a person reads its moves: mm or arcsec."""
        return SHOWN_UNITS[self.motion]

    @property
    def label(self) -> str:
        """Quadrant and name."""
        return f"{self.quadrant} {self.name}"

    def steps_between(self, done: int = 0) -> tuple[int, int]:
        """Return the fewest and the most steps that its travel still allows.

        Parameters
        ----------
        done
            Steps made already.
        """
        slack = 1e-9  # a travel of ten steps holds ten, whatever the last digit says
        low = math.ceil(self.travel_min / self.step - slack) - done
        high = math.floor(self.travel_max / self.step + slack) - done
        return (0, 0) if self.locked else (low, high)

    def amount(self, steps: float) -> Quantity:
        """Return how far a number of steps moves it, in the unit that people read."""
        return (steps * self.step * self.unit).to(self.shown_unit)


def find_adjusters(folder: Path, quadrants: Collection[str]) -> tuple[Adjuster, ...] | None:
    """Read the adjusters of a campaign; None when it has no such file.

    Parameters
    ----------
    folder
        The campaign folder.
    quadrants
        Names that quadrants have.

    Raises
    ------
    CampaignError
        With every problem of the table.
    """
    path = folder / ADJUSTER_FILE
    try:
        there = path.exists()
    except OSError:  # a folder of no possible name, which is said of its other tables
        there = False
    if not there:
        return None
    return read_adjusters(path, quadrants)


def read_adjusters(path: Path, quadrants: Collection[str]) -> tuple[Adjuster, ...]:
    """Read a table of adjusters, in the order of its rows.

    Sizes are numbers with a unit for the column, or text with a unit in each cell (shifts
    and tilts in one table have no unit in common).

    Raises
    ------
    CampaignError
        With every problem: columns, words, units, steps and travel, names there twice.
    """
    table, problems = read_ecsv(path, file=ADJUSTER_FILE, label_column="adjuster")
    if table is None:
        raise CampaignError(problems)
    missing = [name for name in _NEEDED if name not in table.columns]
    problems += [
        Problem(
            file=ADJUSTER_FILE,
            item=f"column {name}",
            found="nothing",
            expected=f"the columns {', '.join(_NEEDED)}, and pivot for tilts",
            action="add it",
        )
        for name in missing
    ]
    if missing or problems:
        raise CampaignError(problems)
    reader = _Rows(table, quadrants, problems)
    adjusters = [reader.adjuster(index) for index in range(len(table.rows))]
    found = tuple(one for one in adjusters if one is not None)
    counts = Counter((one.quadrant, one.name.casefold()) for one in found)
    problems += [
        Problem(
            file=ADJUSTER_FILE,
            item=f"{quadrant} {name}",
            found=f"{count} rows of that name",
            expected="each adjuster of a quadrant once",
            action="rename or remove rows",
        )
        for (quadrant, name), count in counts.items()
        if count > 1
    ]
    if not table.rows:
        problems.append(
            Problem(
                file=ADJUSTER_FILE,
                found="a table without rows",
                expected="a row for each adjuster",
                action="add the rows, or remove the file",
            )
        )
    if problems:
        raise CampaignError(problems)
    return found


class _Rows:
    """Reads rows and collects what is wrong with them."""

    def __init__(
        self, table: EcsvTable, quadrants: Collection[str], problems: list[Problem]
    ) -> None:
        self._table, self._quadrants, self._problems = table, quadrants, problems
        self._cells: Mapping[str, list[str | None]] = {
            name: text_cells(table, name) for name in table.columns
        }
        self._locked: list[bool | None] = [None] * len(table.rows)
        if "locked" in table.columns:
            self._locked, found = truth_cells(table, "locked")
            problems += found

    def adjuster(self, index: int) -> Adjuster | None:
        before = len(self._problems)
        quadrant = self._choice(index, "quadrant", tuple(self._quadrants))
        name = self._needed(index, "adjuster")
        motion = self._choice(index, "motion", tuple(MOTIONS))
        stage = self._choice(index, "stage", STAGES)
        direction = self._direction(index)
        pivot = 0.0
        if motion == "tilt" and direction is not None:
            pivot = self._pivot(index)
        sizes = [0.0, 0.0, 0.0]
        if motion in MOTIONS:
            sizes = [self._size(index, column, motion) for column in _SIZES]
        if len(self._problems) > before:
            return None
        step, low, high = sizes
        if not step > 0:
            self._report(index, "step", f"{step:g}", "a size above zero", "correct it")
        if not low <= 0 <= high:
            self._report(
                index,
                "travel_min",
                f"a travel from {low:g} to {high:g}",
                "a travel that holds 0, where the adjuster stands before the first move",
                "count travel from there",
            )
        if len(self._problems) > before:
            return None
        return Adjuster(
            quadrant=quadrant,
            name=name,
            motion=motion,
            direction_rad=None if direction == AXIAL else direction,
            stage=stage,
            pivot_mm=pivot,
            step=step,
            travel_min=low,
            travel_max=high,
            locked=bool(self._locked[index]),
        )

    def _needed(self, index: int, column: str) -> str:
        cell = self._cells[column][index]
        if cell is None:
            self._report(index, column, "an empty cell", "a value", "fill it in")
        return cell or ""

    def _choice(self, index: int, column: str, choices: tuple[str, ...]) -> str:
        cell = self._needed(index, column)
        if cell and cell not in choices:
            expected = f"one of {', '.join(choices)}"
            self._report(index, column, repr(cell), expected, "correct the cell")
        return cell

    def _direction(self, index: int) -> float | str | None:
        cell = self._needed(index, "direction")
        if not cell or cell == AXIAL:
            return cell or None
        return self._quantity(index, "direction", u.rad, f"an angle, or {AXIAL!r}")

    def _pivot(self, index: int) -> float:
        known = "pivot" in self._cells and self._cells["pivot"][index] is not None
        if not known:
            self._report(
                index,
                "pivot",
                "nothing",
                "where along the axis the part turns, for a tilt",
                "give it in mm from the reference plane, positive towards the detector",
            )
            return 0.0
        pivot = self._quantity(index, "pivot", u.mm, "a length") or 0.0
        if abs(pivot) > _FAR_MM:
            found = f"{pivot:g} mm"
            self._report(index, "pivot", found, f"within {_FAR_MM:g} mm", "check its unit")
        return pivot

    def _size(self, index: int, column: str, motion: str) -> float:
        kind = "a length" if motion == "shift" else "an angle"
        expected = f"{kind}, for a {motion}"
        size = self._quantity(index, column, MOTIONS[motion], expected) or 0.0
        if abs(size) > _LARGEST[motion]:
            most = (_LARGEST[motion] * MOTIONS[motion]).to(SHOWN_UNITS[motion])
            found = (size * MOTIONS[motion]).to(SHOWN_UNITS[motion])
            self._report(
                index, column, f"{found:.6g}", f"at most {most:.6g}", "check its unit"
            )
        return size

    def _quantity(
        self, index: int, column: str, unit: u.UnitBase, expected: str
    ) -> float | None:
        """Read a number in the column's unit, or text with a unit of its own."""
        cell = self._needed(index, column)
        if not cell:
            return None
        own = self._table.columns[column].unit
        if column == "direction" and not own:
            own = "deg"  # a column of words has no unit, and azimuths are in degrees
        try:
            float(cell)
        except ValueError:
            text = cell
        else:
            text = f"{cell} {own}" if own else cell
        try:
            with warnings.catch_warnings():
                warnings.simplefilter("ignore", u.UnitsWarning)
                return float(parse_quantity(text, unit, name=column).value)
        except SettingsError:
            found = repr(text) if own or text != cell else f"{cell!r}, without a unit"
            shown = "arcsec" if unit == u.rad else str(unit)
            action = (
                f'write `unit: {shown}` for the column, or "{cell} {shown}" in the cell'
            )
            self._report(index, column, found, expected, action)
            return None

    def _report(
        self, index: int, column: str, found: str, expected: str, action: str
    ) -> None:
        self._problems.append(
            Problem(
                file=ADJUSTER_FILE,
                item=self._table.label(index, column),
                found=found,
                expected=expected,
                action=action,
            )
        )
