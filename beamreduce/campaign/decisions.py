"""Decisions about a campaign, kept in a table of their own: who, when, what and why.

A decision leaves an exposure out, fixes a center or chooses a background. Decisions are
applied in order, so a later one takes back an earlier one; nothing is ever deleted.
"""

import math
import re
from collections.abc import Callable, Collection, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path

from beamreduce.campaign.measurement_inputs import MeasurementInputs
from beamreduce.campaign.setup_tables import BACKGROUNDS, CENTERS, Reduction
from beamreduce.errors import CampaignError, Problem
from beamreduce.record.atomic import write_table_whole
from beamreduce.record.ecsv_table import EcsvTable, read_ecsv

DECISIONS_FILE = "decisions.ecsv"  # their copy in a results folder
DECISION_COLUMNS = ("order", "time", "person", "item", "action", "value", "reason")
OF_EXPOSURES = ("exclude", "include")
OF_MEASUREMENTS = ("center", "background")
_PIXELS = re.compile(r"^\s*\[?\s*([-+.\deE]+)\s*[,\s]\s*([-+.\deE]+)\s*\]?\s*$")


@dataclass(frozen=True, kw_only=True)
class Decision:
    """One row of a table of decisions.

    Parameters
    ----------
    order
        Decisions are applied from the lowest to the highest.
    time
        When it was taken, ISO 8601.
    person
        Who took it.
    item
        The exposure, or for ``center`` and ``background`` the measurement; ``*`` is every
        measurement.
    action
        ``exclude``, ``include``, ``center`` or ``background``.
    value
        For ``center`` "x y" in pixels or a rule's name, for ``background`` a method's name;
        empty for the other two.
    reason
        Why.
    row
        Words that tell a user which row it is.
    """

    order: int
    time: str
    person: str
    item: str
    action: str
    value: str
    reason: str
    row: str = ""


def read_decisions(path: Path) -> tuple[Decision, ...]:
    """Read a table of decisions, sorted by their order.

    Raises
    ------
    CampaignError
        With every row that cannot be used.
    """
    path = Path(path)
    table, problems = read_ecsv(path, file=path.name, label_column="item")
    if table is None:
        raise CampaignError(problems)
    lacking = [name for name in DECISION_COLUMNS if name not in table.columns]
    problems += [
        Problem(
            file=path.name,
            item=f"column {name}",
            found="nothing",
            expected=f"the columns {', '.join(DECISION_COLUMNS)}",
            action="add it",
        )
        for name in lacking
    ]
    decisions = []
    for index in range(0 if lacking else len(table.rows)):
        decision, found = _decision(table, index)
        problems += found
        decisions.append(decision)
    problems += [] if problems else _same_order(path.name, decisions)
    if problems:
        raise CampaignError(problems)
    return tuple(sorted(decisions, key=lambda one: one.order))


def add_decision(
    path: Path, about: tuple[str, str, str], *, person: str, reason: str
) -> Decision:
    """Write a further decision behind those that a table holds; what is there stays.

    Parameters
    ----------
    path
        Table of decisions; made when there is none.
    about
        Item, action and value as in :class:`Decision`.
    person, reason
        Who decides, and why; order and time are given here.

    Raises
    ------
    CampaignError
        When the table that is there cannot be used, or a cell of the new row is wrong.
    OutputError
        When the table cannot be written.
    """
    from astropy.table import Table, vstack  # noqa: PLC0415 - slow import

    path = Path(path)
    before = read_decisions(path) if path.exists() else ()
    texts = {
        "time": datetime.now(UTC).isoformat(timespec="seconds"),
        "person": " ".join(person.split()),
        **dict(zip(("item", "action", "value"), about, strict=True)),
        "reason": " ".join(reason.split()),
    }
    order = 1 + max((one.order for one in before), default=0)
    row = Table({"order": [order], **{name: [text] for name, text in texts.items()}})
    shown = EcsvTable(
        file=path.name,
        columns={},
        rows=({"order": str(order), **texts},),
        numbers=(len(before) + 1,),
        label_column="item",
    )
    decision, problems = _decision(shown, 0)
    if problems:
        raise CampaignError(problems)
    table = row
    if before:
        kept = Table.read(path, format="ascii.ecsv")
        kept["order"] = kept["order"].astype(int)
        table = vstack([kept, row], metadata_conflicts="silent")
    write_table_whole(path, table)
    return decision


def _decision(table: EcsvTable, index: int) -> tuple[Decision, list[Problem]]:
    cells = dict(table.rows[index])
    checks: tuple[tuple[str, Callable[[str], bool], str], ...] = (
        ("order", _is_whole, "a whole number"),
        ("time", _is_time, "a time as 2026-11-26T09:30:00Z (ISO 8601)"),
        ("person", bool, "who decided"),
        ("item", bool, "the exposure or measurement that it is about"),
        (
            "action",
            lambda text: text in OF_EXPOSURES + OF_MEASUREMENTS,
            f"one of {', '.join(OF_EXPOSURES + OF_MEASUREMENTS)}",
        ),
        ("reason", bool, "why"),
        ("value", *_value_rule(cells["action"])),
    )
    problems = [
        Problem(
            file=table.file,
            item=table.label(index, name),
            found=repr(cells[name]) if cells[name] else "an empty cell",
            expected=words,
            action="correct the cell",
        )
        for name, holds, words in checks
        if not holds(cells[name])
    ]
    order = int(cells.pop("order")) if not problems else 0
    known = {name: cells[name] for name in DECISION_COLUMNS if name != "order"}
    return Decision(order=order, row=table.label(index), **known), problems


def _value_rule(action: str) -> tuple[Callable[[str], bool], str]:
    if action == "center":
        words = f'two pixel numbers such as "512.3 498.7", or one of {", ".join(CENTERS)}'
        return lambda text: _center_of(text) is not None, words
    if action == "background":
        return lambda text: text in BACKGROUNDS, f"one of {', '.join(BACKGROUNDS)}"
    if action in OF_EXPOSURES:
        return lambda text: not text, f"an empty cell, for {action}"
    return lambda _: True, ""


def _center_of(text: str) -> str | tuple[float, float] | None:
    if text in CENTERS:
        return text
    found = _PIXELS.match(text)
    try:
        x, y = (float(found[1]), float(found[2])) if found else (math.nan, math.nan)
    except ValueError:
        return None
    return (x, y) if math.isfinite(x) and math.isfinite(y) else None


def _is_whole(text: str) -> bool:
    return re.fullmatch(r"[-+]?\d{1,15}", text) is not None


def _is_time(text: str) -> bool:
    try:
        datetime.fromisoformat(text)
    except ValueError:
        return False
    return True


def _same_order(file: str, decisions: Sequence[Decision]) -> list[Problem]:
    first: dict[int, Decision] = {}
    return [
        Problem(
            file=file,
            item=f"{one.row}, column order",
            found=f"{one.order}, which {earlier.row} has already",
            expected="each number once: it says which decision comes last",
            action="number the rows",
        )
        for one in decisions
        if (earlier := first.setdefault(one.order, one)) is not one
    ]


def excluded_exposures(
    decisions: Sequence[Decision], names: Collection[str]
) -> tuple[frozenset[str], list[Problem]]:
    """Return the names of the exposures left out, and decisions about none that exist."""
    out: set[str] = set()
    problems = []
    for one in decisions:
        if one.action not in OF_EXPOSURES:
            continue
        if one.item not in names:
            problems.append(_nobody(one, "an exposure", "exposures.ecsv"))
        elif one.action == "exclude":
            out.add(one.item)
        else:
            out.discard(one.item)
    return frozenset(out), problems


def chosen_reductions(
    decisions: Sequence[Decision],
    reduction: Reduction,
    measurements: Sequence[MeasurementInputs],
) -> tuple[dict[str, Reduction], list[Problem]]:
    """Return the settings of each measurement that a decision changes, by its id."""
    with_background = {one.id: bool(one.background) for one in measurements}
    identities = tuple(with_background)
    chosen: dict[str, Reduction] = {}
    problems = []
    for one in decisions:
        if one.action not in OF_MEASUREMENTS:
            continue
        if one.item != "*" and one.item not in identities:
            problems.append(_nobody(one, "a measurement that is left", "the campaign"))
            continue
        concerned = identities if one.item == "*" else (one.item,)
        bare = [identity for identity in concerned if not with_background[identity]]
        if one.action == "background" and one.value == "exposure" and bare:
            problems.append(_no_background(one, bare[0]))
        value = _center_of(one.value) if one.action == "center" else one.value
        for identity in concerned:
            before = chosen.get(identity, reduction)
            chosen[identity] = replace(before, **{one.action: value})
    return chosen, problems


def _nobody(one: Decision, what: str, where: str) -> Problem:
    return Problem(
        file=DECISIONS_FILE,
        item=f"{one.row}, column item",
        found=repr(one.item),
        expected=f"{what} of {where}",
        action="correct the name, or remove the row",
    )


def _no_background(one: Decision, identity: str) -> Problem:
    return Problem(
        file=DECISIONS_FILE,
        item=f"{one.row}, column value",
        found=f"'exposure' for measurement {identity}, which no background row serves",
        expected="another method, or a background row",
        action="choose another background",
    )
