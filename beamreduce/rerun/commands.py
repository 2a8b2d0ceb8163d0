"""Which command made a folder of results, from which inputs, and how it is run again.

A further command that leaves settings.toml and provenance.json needs one entry here.
"""

import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from pathlib import Path

from beamreduce.campaign import DECISIONS_FILE
from beamreduce.errors import ResultsError
from beamreduce.record import toml_text, write_text_whole

# What a run is given: settings as archived, input folders by key, where to write, folder
# for small files of its own, and whether figures are wanted.
Settings = Mapping[str, object]


@dataclass(frozen=True, kw_only=True)
class Job:
    """One run to be done again.

    Parameters
    ----------
    settings
        As the archive holds them.
    inputs
        Input folders, by the key of the settings that names them.
    output
        Folder to make.
    work
        Existing folder for tables and margins that the run reads.
    archive
        What is run again; read, never written.
    figures
        Draw figures.
    jobs
        Processes to use.
    names
        Of small files whose content the settings keep, by their role.
    reference_radius_mm
        To keep where frames are missing that it was found from; None finds it again.
    """

    settings: Settings
    inputs: Mapping[str, Path]
    output: Path
    work: Path
    archive: Path
    figures: bool
    jobs: int
    names: Mapping[str, str] = field(default_factory=dict)
    reference_radius_mm: float | None = None


@dataclass(frozen=True, kw_only=True)
class Command:
    """A command whose folders can be made again.

    Parameters
    ----------
    inputs
        Keys of settings.toml that hold its input folders, relative to the results.
    roles
        First word of their entities in provenance.json, by key; None where all are files
        of the one input folder. Inputs of other words are kept in the settings.
    run
        Does a job.
    """

    inputs: tuple[str, ...]
    run: Callable[[Job], object]
    roles: Mapping[str, str] | None = None


def _reduce(job: Job) -> None:
    import astropy.units as u  # noqa: PLC0415 - slow import

    from beamreduce.reduction import RunOptions, reduce_campaign  # noqa: PLC0415

    decisions, radius_mm = job.work / DECISIONS_FILE, job.reference_radius_mm
    options = RunOptions(
        jobs=job.jobs,
        figures=job.figures,
        decisions=decisions if decisions.is_file() else None,
        reference_radius=None if radius_mm is None else radius_mm * u.mm,
    )
    reduce_campaign(job.inputs["campaign_folder"], job.output, options=options)


def _quadrants(job: Job) -> None:
    from beamreduce.reduction.quadrants_run import (  # noqa: PLC0415 - slow import
        QuadrantOptions,
        parse_target,
        run_quadrants,
    )

    given = job.settings.get("quadrants_command", {})
    campaign = job.inputs["campaign_folder"]
    log, target = given.get("rounds_file"), given.get("target_hpd")
    options = QuadrantOptions(
        rounds=None if log is None else campaign / log,
        target_hpd=None if target is None else parse_target(target),
        jobs=job.jobs,
        figures=job.figures,
    )
    run_quadrants(campaign, job.output, options=options)


def _reflectors(job: Job) -> None:
    from beamreduce.reduction.reflectors_run import (  # noqa: PLC0415 - slow import
        ReflectorOptions,
        grade_reflectors,
    )

    options = ReflectorOptions(jobs=job.jobs, figures=job.figures)
    grade_reflectors(job.inputs["maps_folder"], job.output, options=options)


def _compare(job: Job) -> None:
    from beamreduce.before_after.margins import FORMAT  # noqa: PLC0415 - slow import
    from beamreduce.reduction.comparison_run import (  # noqa: PLC0415
        CompareOptions,
        compare_folders,
    )

    margins = job.work / "margins.toml"
    write_text_whole(margins, toml_text({"format": FORMAT, **job.settings["compare"]}))
    options = CompareOptions(margins=margins, figures=job.figures)
    before, after = job.inputs["before_folder"], job.inputs["after_folder"]
    compare_folders(before, after, job.output, options=options)


def _responses(job: Job) -> None:
    from beamreduce.reduction.responses_run import (  # noqa: PLC0415 - slow import
        ResponseOptions,
        write_responses,
    )

    grid, content = None, job.settings.get("grid")
    if content:
        grid = job.work / job.names.get("grid", "grid.toml")
        write_text_whole(grid, toml_text(content))
    options = ResponseOptions(grid=grid, figures=job.figures)
    write_responses(job.inputs["results_folder"], job.output, options=options)


def _procedure(job: Job) -> None:
    from beamreduce.rerun.procedure import (  # noqa: PLC0415 - imports this module's users
        NOTEBOOKS,
        ProcedureOptions,
        run_procedure,
    )

    # The executed copies hold cells and parameters; their outputs are made anew.
    options = ProcedureOptions(notebooks=job.archive / NOTEBOOKS)
    run_procedure(job.inputs["campaign_folder"], job.output, options=options)


COMMANDS: Mapping[str, Command] = {
    "reduce": Command(inputs=("campaign_folder",), run=_reduce),
    "procedure": Command(inputs=("campaign_folder",), run=_procedure),
    "quadrants": Command(inputs=("campaign_folder",), run=_quadrants),
    "reflectors": Command(inputs=("maps_folder",), run=_reflectors),
    "compare": Command(
        inputs=("before_folder", "after_folder"),
        roles={"before_folder": "before", "after_folder": "after"},
        run=_compare,
    ),
    "responses": Command(
        inputs=("results_folder",), roles={"results_folder": "results"}, run=_responses
    ),
}


def command_of(settings: Settings, folder: Path) -> tuple[str, Command]:
    """Return the command that made a folder.

    Raises
    ------
    ResultsError
        When the settings name none that can be run again.
    """
    # Folders of reduce did not say so at first.
    name = str(settings.get("command", "reduce"))
    if name not in COMMANDS:
        raise ResultsError(
            f"{folder / 'settings.toml'}: found command = {name!r}; expected one of "
            f"{', '.join(COMMANDS)}; a newer version of beamreduce may know it"
        )
    return name, COMMANDS[name]


def input_folders(
    command: Command, settings: Settings, folder: Path, given: Path | None
) -> dict[str, Path]:
    """Return where the inputs are.

    Parameters
    ----------
    command, settings, folder
        Of the archive.
    given
        Where the inputs are now; for a command with several, the folder that holds them.
        None takes the places that the settings keep relative to the archive.

    Raises
    ------
    ResultsError
        When a folder is not there.
    """
    found = {}
    for key in command.inputs:
        kept = _unescaped(str(settings.get(key, "")))
        if not kept:
            raise ResultsError(
                f"{folder / 'settings.toml'}: found no {key}; expected the folder of the "
                f"inputs, relative to the results; the archive is damaged: take it from a "
                f"copy"
            )
        place = folder.resolve() / kept
        if given is not None:
            place = given if len(command.inputs) == 1 else given / Path(kept).name
        if not place.is_dir():
            raise ResultsError(
                f"{place}: found no folder of inputs; expected what {key} of the archive "
                f"names; give its new place with --inputs"
            )
        found[key] = place.resolve()
    return found


def _unescaped(text: str) -> str:
    """Undo what the settings do to bytes of a path that are no UTF-8."""
    return re.sub(r"\\udc([89a-f][0-9a-f])", lambda m: chr(0xDC00 + int(m[1], 16)), text)
