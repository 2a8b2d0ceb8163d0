"""The log of rounds: what was planned, what was done, what was measured after it.

A round is a plan, the moves that were done, and the images measured afterwards. Round 0 is
what was measured before the first move. The log is a small ECSV table of one row an event,
kept by hand in the campaign folder (``rounds.ecsv``) or anywhere else; ``beamreduce`` reads
it and never writes it.
"""

from collections import Counter
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from beamreduce.campaign.adjusters import Adjuster
from beamreduce.campaign.measurement_inputs import MeasurementInputs
from beamreduce.errors import CampaignError, Problem
from beamreduce.record.ecsv_table import EcsvTable, number_cells, read_ecsv, text_cells

ROUND_FILE = "rounds.ecsv"
ACTIONS = ("measured", "planned", "done")
COLUMNS = ("round", "action", "quadrant", "adjuster", "steps", "measurement")


@dataclass(frozen=True, kw_only=True)
class Round:
    """One round.

    Parameters
    ----------
    number
        0 before the first move.
    planned, done
        Steps by (quadrant, adjuster).
    measured
        Measurements after the moves, in the order of the log.
    """

    number: int
    planned: Mapping[tuple[str, str], int]
    done: Mapping[tuple[str, str], int]
    measured: tuple[str, ...]


@dataclass(frozen=True, kw_only=True)
class Known:
    """What a log may name.

    Parameters
    ----------
    quadrants
        Names of quadrants.
    adjusters
        Adjusters of the campaign; None where it has no table of them.
    measurements
        Aperture of every measurement of a single quadrant.
    """

    quadrants: Collection[str]
    adjusters: Sequence[Adjuster] | None
    measurements: Mapping[str, str]

    @classmethod
    def of(
        cls,
        quadrants: Collection[str],
        adjusters: Sequence[Adjuster] | None,
        measurements: Iterable[MeasurementInputs],
    ) -> "Known":
        """Return the names of a campaign; of its measurements those of one quadrant."""
        single = {m.id: m.aperture for m in measurements if m.aperture in quadrants}
        return cls(quadrants=tuple(quadrants), adjusters=adjusters, measurements=single)


def single_round(measurements: Collection[str]) -> tuple[Round, ...]:
    """Return what there is without a log: everything was measured before any move."""
    return (Round(number=0, planned={}, done={}, measured=tuple(measurements)),)


def read_rounds(path: Path, known: Known) -> tuple[Round, ...]:
    """Read a log of rounds, in rising order.

    Parameters
    ----------
    path
        The ECSV file with the columns ``round``, ``action`` (``measured``, ``planned``,
        ``done``), ``quadrant``, ``adjuster`` and ``steps`` (of plans and moves) and
        ``measurement`` (of images); ``time``, ``person``, ``comment`` are kept with it.
    known
        What it may name.

    Raises
    ------
    CampaignError
        With every problem of the table.
    """
    file = path.name
    table, problems = read_ecsv(path, file=file, label_column="action")
    if table is None:
        raise CampaignError(problems)
    for name in COLUMNS:
        if name not in table.columns:
            problems.append(
                Problem(
                    file=file,
                    item=f"column {name}",
                    found="nothing",
                    expected=f"the columns {', '.join(COLUMNS)}",
                    action="add it; cells that do not apply stay empty",
                )
            )
    if problems:
        raise CampaignError(problems)
    events = _Events(table, known, problems)
    rows = [events.row(index) for index in range(len(table.rows))]
    if not problems:
        _check_order(file, rows, problems)
    if problems:
        raise CampaignError(problems)
    return tuple(_round(number, rows) for number in sorted({row.number for row in rows}))


def steps_done(rounds: Sequence[Round]) -> Counter:
    """Return the steps that every (quadrant, adjuster) has made in all rounds."""
    total: Counter = Counter()
    for one in rounds:
        total.update(one.done)
    return total


@dataclass(frozen=True)
class _Row:
    number: int
    action: str
    where: tuple[str, str]
    steps: int
    measurement: str
    label: str


def _round(number: int, rows: Sequence[_Row]) -> Round:
    own = [row for row in rows if row.number == number]
    return Round(
        number=number,
        planned={row.where: row.steps for row in own if row.action == "planned"},
        done={row.where: row.steps for row in own if row.action == "done"},
        measured=tuple(row.measurement for row in own if row.action == "measured"),
    )


def _check_order(file: str, rows: Sequence[_Row], problems: list[Problem]) -> None:
    numbers = sorted({row.number for row in rows})

    def report(item: str, found: str, expected: str, action: str) -> None:
        problems.append(
            Problem(file=file, item=item, found=found, expected=expected, action=action)
        )

    if numbers != list(range(len(numbers))):
        report(
            "column round",
            f"the rounds {', '.join(map(str, numbers)) or 'none'}",
            "0, 1, 2 … without a gap, 0 being what was measured before the first move",
            "number them anew",
        )
    for row in rows:
        if row.number == 0 and row.action != "measured":
            report(row.label, f"{row.action!r} in round 0", "moves from round 1 on",
                   "number it anew")  # fmt: skip
    same = Counter((r.number, r.action, *r.where) for r in rows if r.action != "measured")
    for (number, action, quadrant, adjuster), count in same.items():
        if count > 1:
            report(
                f"round {number}",
                f"{count} rows {action!r} of {quadrant} {adjuster}",
                "one, with all its steps",
                "add them up",
            )
    for identity, count in Counter(r.measurement for r in rows if r.measurement).items():
        if count > 1:
            report(
                "column measurement",
                f"{identity} {count} times",
                "each measurement in one round",
                "remove rows",
            )


class _Events:
    """Reads the rows of a log and collects what is wrong with them."""

    def __init__(self, table: EcsvTable, known: Known, problems: list[Problem]) -> None:
        self._table, self._known, self._problems = table, known, problems
        self._text = {name: text_cells(table, name) for name in COLUMNS}
        self._numbers = {}
        for name in ("round", "steps"):
            self._numbers[name], found = number_cells(table, name, None)
            problems += found

    def row(self, index: int) -> _Row:
        action = self._text["action"][index] or ""
        if action not in ACTIONS:
            self._wrong(index, "action", f"one of {', '.join(ACTIONS)}")
        number = self._whole(index, "round")
        if number < 0:
            self._wrong(index, "round", "0 or more")
        where, steps, measurement = ("", ""), 0, ""
        if action == "measured":
            measurement = self._measurement(index)
        elif action in ACTIONS:
            where, steps = self._adjuster(index), self._whole(index, "steps")
        label = self._table.label(index)
        return _Row(number, action, where, steps, measurement, label)

    def _measurement(self, index: int) -> str:
        name = self._text["measurement"][index] or ""
        aperture = self._known.measurements.get(name)
        if aperture is None:
            listed = ", ".join(sorted(self._known.measurements)) or "none"
            self._wrong(
                index, "measurement", f"a measurement of a single quadrant ({listed})"
            )
        quadrant = self._text["quadrant"][index]
        if quadrant is not None and aperture is not None and quadrant != aperture:
            self._wrong(index, "quadrant", f"{aperture}, the aperture of {name}")
        return name

    def _adjuster(self, index: int) -> tuple[str, str]:
        quadrant = self._text["quadrant"][index] or ""
        if quadrant not in self._known.quadrants:
            self._wrong(index, "quadrant", f"one of {', '.join(self._known.quadrants)}")
        name = self._text["adjuster"][index] or ""
        adjusters = self._known.adjusters
        own = [a.name for a in adjusters or () if a.quadrant == quadrant]
        if not name or (adjusters is not None and name not in own):
            self._wrong(index, "adjuster", f"an adjuster of {quadrant} ({', '.join(own)})")
        return quadrant, name

    def _whole(self, index: int, column: str) -> int:
        value = self._numbers[column][index]
        if value is None or value != int(value):
            self._wrong(index, column, "a whole number")
            return 0
        return int(value)

    def _wrong(self, index: int, column: str, expected: str) -> None:
        cell = self._text[column][index]
        self._problems.append(
            Problem(
                file=self._table.file,
                item=self._table.label(index, column),
                found="an empty cell" if cell is None else repr(cell),
                expected=expected,
                action="correct the cell",
            )
        )
