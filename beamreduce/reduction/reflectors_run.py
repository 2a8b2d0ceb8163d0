"""The command ``reflectors``: a folder of height maps in, one archived run out."""

import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path

from threadpoolctl import threadpool_limits

from beamreduce.errors import Problem, ReflectorError
from beamreduce.record import (
    sha256_of_file,
    sha256_of_json,
    software_versions,
    write_text_whole,
)
from beamreduce.reduction.bar_table import bar_tolerances
from beamreduce.reduction.draw_reflectors import draw_reflectors
from beamreduce.reduction.output_folder import (
    OutputFolder,
    clear_partial,
    discard_partial,
    mark_finished,
    open_output,
    put_in_place,
    read_json,
    refuse_inside,
    same_results,
)
from beamreduce.reduction.reflectors_results import (
    MAP_NUMBERS,
    ReflectorRun,
    write_reflector_results,
)
from beamreduce.reduction.workers import Workers
from beamreduce.reflectors import (
    GRADES,
    NOT_GRADED,
    STAGES,
    GroupYield,
    Instrument,
    MapNumbers,
    MapRow,
    MapTreatment,
    MirrorPlan,
    ReflectorFolder,
    ReflectorNumbers,
    charts_by_batch,
    measure_map,
    mirror_plan,
    read_reflector_folder,
    reflector_numbers,
    yields_by_group,
)
from beamreduce.report import reflectors_report

Progress = Callable[[str, int, int], None]
_CHUNK = 16  # maps a job: enough that handing one over costs nothing
_MOST_ERRORS = 20


@dataclass(frozen=True, kw_only=True)
class ReflectorOptions:
    """How to run, as opposed to what to compute.

    Parameters
    ----------
    update
        Redo only what has changed when results are there.
    jobs
        Processes to use.
    figures
        Draw the figures of the report.
    """

    update: bool = False
    jobs: int = 1
    figures: bool = True


@dataclass(frozen=True, kw_only=True)
class GradedReflectors:
    """What a run left behind.

    Parameters
    ----------
    folder
        The results folder.
    numbers
        Of every reflector, in the order of the list.
    plan
        What goes where.
    yields
        By stage, batch, mandrel and coating run.
    reused
        Maps that were up to date.
    before
        Where older results were moved to.
    warnings
        What looks wrong in the input.
    unusable
        Maps that give no numbers, each with the reason.
    """

    folder: Path
    numbers: tuple[ReflectorNumbers, ...]
    plan: MirrorPlan
    yields: tuple[GroupYield, ...]
    reused: int
    before: Path | None
    warnings: tuple[Problem, ...]
    unusable: tuple[tuple[str, str], ...]


def grade_reflectors(
    maps_folder: Path | str,
    results_folder: Path | str,
    *,
    options: ReflectorOptions | None = None,
    progress: Progress | None = None,
) -> GradedReflectors:
    """Measure, grade and place all reflectors of a folder.

    Parameters
    ----------
    maps_folder
        Holds ``reflectors.toml``, ``maps.ecsv`` and the maps; never written.
    results_folder
        Made whole or not at all; maps that are finished are kept in ``DIR.partial``.
    options
        How to run.
    progress
        Called with (what, done, of how many).

    Raises
    ------
    ReflectorError
        When the folder or a map of it cannot be used.
    OutputError
        When results cannot be written there.
    """
    options = options or ReflectorOptions()
    started = time.time()
    tell = progress or (lambda what, done, total: None)
    folder = read_reflector_folder(maps_folder)
    refuse_inside(
        folder.folder,
        Path(results_folder),
        "the folder of maps",
        "that folder is never written",
    )
    with open_output(Path(results_folder), update=options.update) as output:
        if options.update:
            _take_over(output)
        maps, records, reused = _measure_all(folder, output, options.jobs, tell)
        numbers = reflector_numbers(folder.reflectors, maps, folder.setup)
        plan = mirror_plan(numbers, folder.setup)
        yields = yields_by_group(numbers, confidence=folder.setup.plan.confidence)
        bars, budget = bar_tolerances(folder.setup)
        clear_partial(output.partial)  # finished maps stay
        run = ReflectorRun(
            folder=folder,
            output=output,
            records=records,
            maps=maps,
            numbers=numbers,
            plan=plan,
            yields=yields,
            charts=charts_by_batch(numbers),
            bars=bars,
            budget=budget,
            started=started,
        )
        write_reflector_results(run, tell)
        if options.figures:
            draw_reflectors(run, tell)
        write_text_whole(output.partial / "report.html", reflectors_report(output.partial))
        if options.update and same_results(output):
            discard_partial(output)
            before = None
        else:
            before = put_in_place(output)
    return GradedReflectors(
        folder=output.final,
        numbers=numbers,
        plan=plan,
        yields=yields,
        reused=reused,
        before=before,
        warnings=folder.warnings,
        unusable=tuple((name, m.note) for name, m in maps.items() if not m.usable),
    )


def _measure_all(
    folder: ReflectorFolder,
    output: OutputFolder,
    jobs: int,
    tell: Progress,
) -> tuple[dict[str, MapNumbers], list[dict[str, object]], int]:
    """Measure every map that is not finished; returns numbers, records and reused."""
    rows = [row for reflector in folder.reflectors for row in reflector.maps]
    setup = folder.setup
    chunks = [
        (rows[i : i + _CHUNK], setup.treatment, setup.instrument, output)
        for i in range(0, len(rows), _CHUNK)
    ]
    done = reused = 0
    errors: list[str] = []
    with Workers(jobs) as run_all:
        for fresh, wrong, count in run_all(_measure_chunk, chunks):
            done += count
            reused += count - fresh - len(wrong)
            errors += wrong
            tell("maps", done, len(rows))
    if errors:
        more = len(errors) - _MOST_ERRORS
        shown = sorted(errors)[:_MOST_ERRORS] + ([f"and {more} more"] if more > 0 else [])
        raise ReflectorError("\n".join(shown))
    records = [output.note(row.map) for row in rows]
    maps = {r["map"]: MapNumbers.from_json(r) for r in records}
    return maps, records, reused


def _measure_chunk(
    job: tuple[Sequence[MapRow], MapTreatment, Instrument, OutputFolder],
) -> tuple[int, list[str], int]:
    """Measure some maps; returns how many were not finished, errors, and their number."""
    rows, treatment, instrument, output = job
    # One thread of linear algebra: maps go on in parallel, and sums do not depend on it.
    with threadpool_limits(1):
        return _measured(rows, (treatment, instrument), output)


def _measured(
    rows: Sequence[MapRow],
    how: tuple[MapTreatment, Instrument],
    output: OutputFolder,
) -> tuple[int, list[str], int]:
    treatment, instrument = how
    fresh, errors = 0, []
    for row in rows:
        digest = sha256_of_file(row.path)
        key = _key(row, digest, treatment, instrument)
        if output.note(row.map).get("key") == key:
            continue
        try:
            numbers = measure_map(row, treatment, instrument)
        except ReflectorError as error:
            errors.append(str(error))
            continue
        content = {**numbers.to_json(), "sha256": digest, "key": key}
        mark_finished(output, row.map, content)
        fresh += 1
    return fresh, errors, len(rows)


def _key(row: MapRow, digest: str, treatment: MapTreatment, instrument: Instrument) -> str:
    """Equal key, equal numbers: the map is not measured again."""
    declared = {k: v for k, v in asdict(row).items() if k not in ("path", "reflector")}
    return sha256_of_json(
        {
            "sha256": digest,
            "row": declared,
            "treatment": asdict(treatment),
            "instrument": asdict(instrument),
            "versions": software_versions(),
        }
    )


def _take_over(output: OutputFolder) -> None:
    """Note maps of earlier results as finished; their keys say whether they still are."""
    earlier = read_json(output.final / MAP_NUMBERS).get("maps")
    for record in earlier if isinstance(earlier, list) else ():
        known = isinstance(record, Mapping) and isinstance(record.get("map"), str)
        if known and not output.finished(record["map"]).exists():
            mark_finished(output, record["map"], record)


def grade_table(done: GradedReflectors) -> str:
    """Return grades, yields and orders in a few lines for the terminal."""
    counts: dict[tuple[str, str], int] = {}
    for n in done.numbers:
        key = n.reflector.stage, n.grade.grade
        counts[key] = counts.get(key, 0) + 1
    plan = done.plan.plan
    reserves = sum(entry.grade == "reserve" for entry in plan.filled)
    grades = (*GRADES, NOT_GRADED)
    lines = ["  ".join([f"{'stage':<10}", *(f"{grade:>10}" for grade in grades)])]
    for stage in STAGES:
        row = [f"{counts.get((stage, grade), 0):>10}" for grade in grades]
        lines.append("  ".join([f"{stage:<10}", *row]))
    lines.append(
        f"{len(plan.filled) - len(plan.empty)} of {len(plan.filled)} slots filled, "
        f"{reserves} by reserves; {len(plan.spares)} spares"
    )
    if done.plan.to_form:
        orders = [order.to_form for order in done.plan.to_form]
        known = sum(count for count in orders if count is not None)
        lines.append(
            f"to form next: {known} reflectors of {len(orders)} kinds, see to_form.ecsv"
        )
    lines += [f"note: {note}" for note in done.plan.notes]
    return "\n".join(lines)
