"""The command line: thin, and light to start."""

import sys
from contextlib import suppress
from pathlib import Path

import click

from beamreduce.errors import BeamreduceError, SettingsError
from beamreduce.progress_bar import ProgressBar
from beamreduce.rerun.command_line import explain, procedure, rerun

_FOLDER = click.Path(path_type=Path)


class _Commands(click.Group):
    """Turns every failure into one message and the exit code that belongs to it."""

    def main(self, *args: object, **kwargs: object) -> object:
        # Not every terminal knows σ, and not every file name is text.
        with suppress(AttributeError):
            sys.stdout.reconfigure(errors="backslashreplace")
        try:
            return super().main(*args, standalone_mode=False, **kwargs)
        except click.exceptions.Exit as done:
            sys.exit(done.exit_code)
        except click.UsageError as error:
            error.show()
            sys.exit(2)
        except (click.Abort, KeyboardInterrupt):
            click.echo("interrupted; finished parts are kept", err=True)
            sys.exit(130)
        except BeamreduceError as error:
            click.echo(f"error: {error}", err=True)
            sys.exit(1)
        except Exception as error:  # the last line of defence, by design
            click.echo(_fault(error), err=True)
            sys.exit(3)


def _fault(error: Exception) -> str:
    import tempfile  # noqa: PLC0415 - light start
    import traceback  # noqa: PLC0415

    text = "".join(traceback.format_exception(error))
    try:
        # Not where the user stands: that may be the campaign folder.
        with tempfile.NamedTemporaryFile(
            "w", encoding="utf-8", prefix="beamreduce-fault-", suffix=".log", delete=False
        ) as log:
            log.write(text)
        where = f"details in {log.name}"
    except OSError:
        where = "the details could not be written anywhere"
    words = " ".join(str(error).split())
    return f"fault in the program: {type(error).__name__}: {words}; {where}"


@click.group(cls=_Commands, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(package_name="beamreduce")
def main() -> None:
    """Trusted numbers from beam tests of nested X-ray telescope mirrors."""


@main.command()
@click.argument("campaign", type=_FOLDER)
@click.option("--quiet", is_flag=True, help="Print problems only.")
def inspect(campaign: Path, quiet: bool) -> None:
    """Check a campaign folder and show which frames belong together."""
    from beamreduce.campaign import inspect_campaign  # noqa: PLC0415 - light start

    with ProgressBar(quiet) as progress:
        inspection = inspect_campaign(campaign, progress=progress)
    if quiet:
        for problem in inspection.problems:
            click.echo(str(problem))
    else:
        click.echo(inspection.as_text())
    sys.exit(0 if inspection.usable else 1)


@main.command()
@click.argument("campaign", type=_FOLDER)
@click.option("-o", "--output", type=_FOLDER, required=True, help="Folder for results.")
@click.option("--update", is_flag=True, help="Redo what has changed; keep what was there.")
@click.option("--jobs", type=click.IntRange(1), help="Processes; default one a core.")
@click.option(
    "--decisions", type=_FOLDER, help="Table of exclusions, centers, backgrounds."
)
@click.option("--quiet", is_flag=True, help="No progress bar, no table.")
def reduce(  # noqa: PLR0913 - one a command line option
    campaign: Path,
    output: Path,
    update: bool,
    jobs: int | None,
    decisions: Path | None,
    quiet: bool,
) -> None:
    """Reduce a campaign to encircled energy, HPD and W90."""
    from beamreduce.reduction import (  # noqa: PLC0415 - light start
        RunOptions,
        default_jobs,
        reduce_campaign,
        summary_table,
    )

    options = RunOptions(update=update, jobs=jobs or default_jobs(), decisions=decisions)
    with ProgressBar(quiet) as progress:
        done = reduce_campaign(campaign, output, options=options, progress=progress)
    for problem in done.warnings:
        click.echo(f"warning: {problem}", err=True)
    if not quiet:
        click.echo(summary_table(done.measurements))
        click.echo(f"results in {done.folder}")
        if done.reused:
            click.echo(f"{len(done.reused)} of {len(done.measurements)} were up to date")
        if done.before is not None:
            click.echo(f"earlier results moved to {done.before}")


@main.command()
@click.argument("scenario")
@click.option("-o", "--output", type=_FOLDER, required=True, help="Campaign folder.")
@click.option("--quiet", is_flag=True, help="No progress bar.")
def simulate(scenario: str, output: Path, quiet: bool) -> None:
    """Make a synthetic campaign, or maps of reflectors, with a known truth beside it."""
    from beamreduce.simulate import (  # noqa: PLC0415 - light start
        is_reflector_scenario,
        simulate_campaign,
        simulate_reflectors,
    )

    of_reflectors = is_reflector_scenario(scenario)
    run = simulate_reflectors if of_reflectors else simulate_campaign
    with ProgressBar(quiet) as progress:
        run(scenario, output, progress=progress)
    if not quiet:
        what = "maps of reflectors" if of_reflectors else "campaign"
        click.echo(f"{what} in {output}, truth in {output}.truth.json")


@main.command()
@click.argument(
    "part",
    type=click.Choice(["campaign", "reflectors", "quadrants", "before_after"]),
    default="campaign",
)
@click.option("-o", "--output", type=_FOLDER, help="Default: demo_run, by part.")
@click.option("--jobs", type=click.IntRange(1), help="Processes; default one a core.")
@click.option("--quiet", is_flag=True, help="No progress bar.")
def demo(part: str, output: Path | None, jobs: int | None, quiet: bool) -> None:
    """Make the synthetic campaign, reduce it and compare with its truth.

    PART is campaign, the default; reflectors: their height maps, graded; quadrants: four
    out of place, and the moves that bring them back; before_after: results of one mirror
    before and after a shake, compared.
    """
    from beamreduce.reduction import RunOptions, default_jobs  # noqa: PLC0415

    jobs = jobs or default_jobs()
    with ProgressBar(quiet) as progress:
        if part == "reflectors":
            from beamreduce.reduction.reflectors_run import (  # noqa: PLC0415
                ReflectorOptions,
            )
            from beamreduce.simulate.reflector_demo import (  # noqa: PLC0415
                run_reflector_demo as run,
            )

            options: object = ReflectorOptions(update=True, jobs=jobs)
            output = output or Path("demo_run") / "reflectors"
        elif part == "before_after":
            from beamreduce.simulate.before_after_demo import (  # noqa: PLC0415
                run_before_after_demo as run,
            )

            options = RunOptions(update=True, jobs=jobs, figures=False)
            output = output or Path("demo_run") / "before_after"
        elif part == "quadrants":
            from beamreduce.reduction.quadrants_run import (  # noqa: PLC0415
                QuadrantOptions,
            )
            from beamreduce.simulate.quadrant_demo import TARGET  # noqa: PLC0415
            from beamreduce.simulate.quadrant_demo import (  # noqa: PLC0415
                run_quadrant_demo as run,
            )

            options = QuadrantOptions(update=True, jobs=jobs, target_hpd=TARGET)
            output = output or Path("demo_run") / "quadrants"
        else:
            from beamreduce.simulate.demo import run_demo as run  # noqa: PLC0415

            options = RunOptions(update=True, jobs=jobs)
            output = output or Path("demo_run")
        click.echo(run(output, options=options, progress=progress))


@main.command()
@click.argument("campaign", type=_FOLDER)
@click.option("-o", "--output", type=_FOLDER, required=True, help="Folder for results.")
@click.option("--rounds", type=_FOLDER, help="Log of rounds; default: rounds.ecsv there.")
@click.option("--target-hpd", help='Budget of alignment bars for it: "40 arcsec".')
@click.option("--update", is_flag=True, help="Replace earlier results; keep them aside.")
@click.option("--jobs", type=click.IntRange(1), help="Processes; default one a core.")
@click.option("--quiet", is_flag=True, help="No progress bar, no table.")
def quadrants(  # noqa: PLR0913 - one a command line option
    campaign: Path,
    output: Path,
    rounds: Path | None,
    target_hpd: str | None,
    update: bool,
    jobs: int | None,
    quiet: bool,
) -> None:
    """Say where the images of quadrants are, and which moves make them coincide."""
    from beamreduce.reduction.quadrants_run import (  # noqa: PLC0415 - light start
        QuadrantOptions,
        parse_target,
        run_quadrants,
    )
    from beamreduce.reduction.quadrants_text import quadrants_text  # noqa: PLC0415
    from beamreduce.reduction.workers import default_jobs  # noqa: PLC0415

    try:
        target = None if target_hpd is None else parse_target(target_hpd)
    except SettingsError as error:
        raise click.UsageError(str(error)) from None
    options = QuadrantOptions(
        rounds=rounds, target_hpd=target, update=update, jobs=jobs or default_jobs()
    )
    with ProgressBar(quiet) as progress:
        done = run_quadrants(campaign, output, options=options, progress=progress)
    for problem in done.warnings:
        click.echo(f"warning: {problem}", err=True)
    if not quiet:
        click.echo(quadrants_text(done.content))
        click.echo(f"results in {done.folder}")
        if done.before is not None:
            click.echo(f"earlier results moved to {done.before}")


@main.command()
@click.argument("campaign", type=_FOLDER)
@click.argument("exposure", required=False)
@click.option("--quiet", is_flag=True, help="Print the verdict line only.")
def quicklook(campaign: Path, exposure: str | None, quiet: bool) -> None:
    """Judge one exposure in seconds; the newest beam exposure when none is named."""
    from beamreduce.reduction.quicklook import quick_look  # noqa: PLC0415 - light start

    look = quick_look(campaign, exposure)
    click.echo(look.verdict if quiet else look.as_text())


@main.command()
@click.argument("campaign", type=_FOLDER)
@click.option("--hpd", "goal", required=True, help='Uncertainty wanted, such as "1%".')
@click.option("--quiet", is_flag=True, help="Print the table only.")
def plan(campaign: Path, goal: str, quiet: bool) -> None:
    """Say how many photons, frames and minutes an HPD of a given precision still needs."""
    from beamreduce.reduction.plan import (  # noqa: PLC0415 - light start
        parse_goal,
        plan_exposures,
    )

    try:
        parse_goal(goal)
    except SettingsError as error:
        raise click.UsageError(str(error)) from None
    click.echo(plan_exposures(campaign, goal).as_text(with_advice=not quiet))


@main.command()
@click.argument("before", type=_FOLDER)
@click.argument("after", type=_FOLDER)
@click.option("-o", "--output", type=_FOLDER, required=True, help="Folder to write.")
@click.option("--margins", type=_FOLDER, help="TOML file: what change does not matter.")
@click.option("--update", is_flag=True, help="Replace an earlier comparison.")
@click.option("--quiet", is_flag=True, help="Print the verdict only.")
def compare(before: Path, after: Path, output: Path, quiet: bool, **how: object) -> None:
    """Say what changed between two results folders of one mirror."""
    from beamreduce.reduction.comparison_run import (  # noqa: PLC0415 - light start
        CompareOptions,
        compare_folders,
        comparison_table,
    )

    options = CompareOptions(**how)  # --margins and --update
    with ProgressBar(quiet) as progress:
        done = compare_folders(before, after, output, options=options, progress=progress)
    if quiet:
        click.echo(done.comparison.verdict)
        return
    click.echo(comparison_table(done.comparison))
    click.echo(f"comparison in {done.folder}")
    if done.moved is not None:
        click.echo(f"earlier comparison moved to {done.moved}")


@main.command()
@click.argument("folder", type=_FOLDER)
@click.option("-o", "--output", type=_FOLDER, required=True, help="Folder for results.")
@click.option("--update", is_flag=True, help="Redo what has changed; keep what was there.")
@click.option("--jobs", type=click.IntRange(1), help="Processes; default one a core.")
@click.option("--quiet", is_flag=True, help="No progress bar, no table.")
def reflectors(
    folder: Path, output: Path, update: bool, jobs: int | None, quiet: bool
) -> None:
    """Measure and grade reflectors by their height maps, and plan where they go."""
    from beamreduce.reduction import default_jobs  # noqa: PLC0415 - light start
    from beamreduce.reduction.reflectors_run import (  # noqa: PLC0415
        ReflectorOptions,
        grade_reflectors,
        grade_table,
    )

    options = ReflectorOptions(update=update, jobs=jobs or default_jobs())
    with ProgressBar(quiet) as progress:
        done = grade_reflectors(folder, output, options=options, progress=progress)
    for problem in done.warnings:
        click.echo(f"warning: {problem}", err=True)
    for name, reason in done.unusable:
        click.echo(f"warning: map {name} is not used: {reason}", err=True)
    for one in done.numbers:
        if not one.agree:
            name = one.reflector.reflector
            click.echo(f"warning: maps of reflector {name} disagree, see notes", err=True)
    if not quiet:
        click.echo(grade_table(done))
        click.echo(f"results in {done.folder}")
        if done.reused:
            click.echo(f"{done.reused} maps were up to date")
        if done.before is not None:
            click.echo(f"earlier results moved to {done.before}")


@main.command()
@click.argument("results", type=_FOLDER)
@click.option("-o", "--output", type=_FOLDER, required=True, help="Folder for the files.")
@click.option("--grid", type=_FOLDER, help="TOML file: energies, angles, radii, lines.")
@click.option("--update", is_flag=True, help="Replace an earlier set; keep it aside.")
@click.option("--quiet", is_flag=True, help="No progress bar, no table.")
def responses(
    results: Path, output: Path, grid: Path | None, update: bool, quiet: bool
) -> None:
    """Write effective area and redistribution as standard FITS response files."""
    from beamreduce.reduction.responses_run import (  # noqa: PLC0415 - light start
        ResponseOptions,
        responses_table,
        write_responses,
    )

    options = ResponseOptions(grid=grid, update=update)
    with ProgressBar(quiet) as progress:
        done = write_responses(results, output, options=options, progress=progress)
    if not quiet:
        click.echo(responses_table(done))
        click.echo(f"response files in {done.folder}")
        if done.before is not None:
            click.echo(f"earlier files moved to {done.before}")


for command in (explain, procedure, rerun):
    main.add_command(command)


if __name__ == "__main__":
    main()
