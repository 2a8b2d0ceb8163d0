"""The table of decisions that a rerun reads: the archived one, and what is missing."""

from collections.abc import Sequence
from pathlib import Path

from astropy.table import Table

from beamreduce.campaign import (
    DECISION_COLUMNS,
    DECISIONS_FILE,
    Decision,
    read_decisions,
)
from beamreduce.record import write_table_whole, write_whole
from beamreduce.rerun.inputs import InputState


def write_decisions(archive: Path, states: Sequence[InputState], work: Path) -> None:
    """Write the decisions of a rerun, where there are any.

    Raises
    ------
    CampaignError
        When the archived table cannot be read.
    """
    kept = archive / DECISIONS_FILE
    decisions = list(read_decisions(kept)) if kept.is_file() else []
    absent = [s for s in states if not s.there and s.source.exposure]
    if not absent:
        if decisions:  # the very file, since it is among the results
            write_whole(work / DECISIONS_FILE, lambda to: to.write_bytes(kept.read_bytes()))
        return
    first = max((one.order for one in decisions), default=0) + 1
    decisions += [
        Decision(
            order=first + index,
            time="2000-01-01T00:00:00Z",  # of no meaning: the reason says whose it is
            person="rerun",
            item=state.source.exposure,
            action="exclude",
            value="",
            reason=f"{state.source.path} is {state.state}",
        )
        for index, state in enumerate(absent)
    ]
    rows = [tuple(getattr(one, name) for name in DECISION_COLUMNS) for one in decisions]
    table = Table(rows=rows, names=DECISION_COLUMNS)
    write_table_whole(work / DECISIONS_FILE, table)
