"""Adjusters of a made mirror, the moves made with them, and the log of its rounds."""

import math
from collections.abc import Iterator
from functools import lru_cache
from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np
from astropy.table import Table

from beamreduce.campaign import ADJUSTER_FILE, ROUND_FILE, Adjuster, read_adjusters
from beamreduce.errors import CampaignError
from beamreduce.quadrants import moved
from beamreduce.raytrace import MirrorState
from beamreduce.simulate.made_mirror import QUADRANT_NAMES
from beamreduce.simulate.scenario_file import Scenario

_SHOWN = (
    "quadrant",
    "adjuster",
    "motion",
    "direction",
    "stage",
    "pivot",
    "step",
    "travel_min",
    "travel_max",
    "locked",
)


def write_adjusters(scenario: Scenario, folder: Path) -> None:
    """Write adjusters.ecsv where the scenario has adjusters."""
    if not scenario.adjusters:
        return
    rows = [[getattr(one, name) for name in _SHOWN] for one in scenario.adjusters]
    table = Table(rows=rows, names=_SHOWN)
    table.write(folder / ADJUSTER_FILE, format="ascii.ecsv")


def write_rounds(scenario: Scenario, folder: Path) -> None:
    """Write rounds.ecsv: moves and the measurements after them, where there are any."""
    if not scenario.moves:
        return
    rows = list(_events(scenario))
    names = ("round", "action", "quadrant", "adjuster", "steps", "measurement")
    columns = list(zip(*rows, strict=True))
    table = Table({name: list(column) for name, column in zip(names, columns, strict=True)})
    table["steps"] = np.array([math.nan if s is None else s for s in table["steps"]], float)
    table.write(folder / ROUND_FILE, format="ascii.ecsv")


def moved_mirror(mirror: MirrorState, scenario: Scenario, round_: int) -> MirrorState:
    """Return the mirror after the moves of all rounds up to one, as they really went."""
    declared = {(one.quadrant, one.adjuster): one for one in scenario.adjusters}
    for move in scenario.moves:
        if move.round <= round_:
            where = move.quadrant, move.adjuster
            adjuster = _adjusters(scenario)[where]
            amount = move.done * adjuster.step * declared[where].works
            mirror = moved(mirror, adjuster, amount)
    return mirror


def check_rounds(scenario: Scenario) -> list[str]:
    """Return what is wrong with adjusters, moves and rounds."""
    try:
        known = _adjusters(scenario)
    except CampaignError as error:
        return [f"made.adjuster: {line}" for line in str(error).splitlines()]
    problems = [
        f"made.move: {move.quadrant} {move.adjuster} is not in [[made.adjuster]]"
        for move in scenario.moves
        if (move.quadrant, move.adjuster) not in known
    ]
    last = max((move.round for move in scenario.moves), default=0)
    problems.extend(
        f"made.exposures {item.name}: round {item.round} is beyond the last move's, {last}"
        for item in scenario.exposures
        if item.round > last
    )
    return problems


def _events(scenario: Scenario) -> Iterator[tuple[int, str, str, str, int | None, str]]:
    for number in range(max(move.round for move in scenario.moves) + 1):
        for action in ("planned", "done"):
            for move in scenario.moves:
                if move.round == number:
                    steps = getattr(move, action)
                    yield number, action, move.quadrant, move.adjuster, steps, ""
        for item in scenario.exposures:
            single = item.kind == "beam" and item.aperture in QUADRANT_NAMES
            if single and item.off_axis is None and item.round == number:
                yield number, "measured", item.aperture, "", None, item.name


def _adjusters(scenario: Scenario) -> dict[tuple[str, str], Adjuster]:
    """Adjusters as the campaign's reader reads them."""
    if not scenario.adjusters:
        return {}
    return _read(tuple(scenario.adjusters))


@lru_cache(maxsize=8)
def _read(adjusters: tuple) -> dict[tuple[str, str], Adjuster]:
    rows = [[getattr(one, name) for name in _SHOWN] for one in adjusters]
    with TemporaryDirectory() as folder:
        path = Path(folder) / ADJUSTER_FILE
        Table(rows=rows, names=_SHOWN).write(path, format="ascii.ecsv")
        found = read_adjusters(path, QUADRANT_NAMES)
    return {(one.quadrant, one.name): one for one in found}
