"""The commands of this room: thin, and light to start."""

import ast
import sys
from pathlib import Path

import click

from beamreduce.progress_bar import ProgressBar

_FOLDER = click.Path(path_type=Path)


@click.command()
@click.argument("folder", type=_FOLDER)
@click.option("--id", "identity", help="Measurement whose number is meant.")
@click.option("--value", required=True, help="Key of the number; without --id, a file.")
@click.option("--quiet", is_flag=True, help="Print the first line only.")
def explain(folder: Path, identity: str | None, value: str, quiet: bool) -> None:
    """Show which steps and which raw frames a number was made from."""
    from beamreduce.rerun.explain import explain_text  # noqa: PLC0415 - light start

    text = explain_text(folder, value, identity)
    click.echo(text.splitlines()[0] if quiet else text)


@click.command()
@click.argument("folder", type=_FOLDER)
@click.option("--inputs", type=_FOLDER, help="Where the inputs are now.")
@click.option("-o", "--output", type=_FOLDER, help="Default: DIR.rerun beside DIR.")
@click.option("--fresh-environment", is_flag=True, help="Install the archived versions.")
@click.option("--jobs", type=click.IntRange(1), help="Processes; default one a core.")
@click.option("--quiet", is_flag=True, help="Print the verdict only.")
def rerun(folder: Path, jobs: int | None, quiet: bool, **how: object) -> None:
    """Do an archived run again in a fresh process and compare every number with it."""
    from beamreduce.reduction.workers import default_jobs  # noqa: PLC0415 - light start
    from beamreduce.rerun.again import (  # noqa: PLC0415
        RerunOptions,
        rerun_archive,
        rerun_text,
    )

    options = RerunOptions(jobs=jobs or default_jobs(), **how)
    with ProgressBar(quiet) as progress:
        done = rerun_archive(folder, options=options, progress=progress)
    if quiet:
        click.echo(f"verdict: {done.verdict}")
    else:
        click.echo(rerun_text(done))
        click.echo(f"report in {done.folder / 'report.html'}")
    sys.exit(0 if done.comes_back else 1)


@click.command()
@click.argument("campaign", type=_FOLDER)
@click.option("-o", "--output", type=_FOLDER, required=True, help="Folder to write.")
@click.option("--set", "overrides", multiple=True, help="NAME=VALUE of a parameter.")
@click.option("--notebooks", type=_FOLDER, help="Folder of notebooks; default: our own.")
@click.option("--time-limit", type=click.IntRange(1), default=1800, help="Seconds a cell.")
@click.option("--quiet", is_flag=True, help="No progress bar.")
def procedure(  # noqa: PLR0913 - one a command line option
    campaign: Path,
    output: Path,
    overrides: tuple[str, ...],
    notebooks: Path | None,
    time_limit: int,
    quiet: bool,
) -> None:
    """Run every notebook over a campaign and keep the executed copies as a book."""
    from beamreduce.rerun.procedure import (  # noqa: PLC0415 - light start
        ProcedureOptions,
        run_procedure,
    )

    options = ProcedureOptions(
        notebooks=notebooks,
        overrides=dict(_override(text) for text in overrides),
        time_limit_s=time_limit,
    )
    with ProgressBar(quiet) as progress:
        done = run_procedure(campaign, output, options=options, progress=progress)
    if not quiet:
        kept = f", {len(done.kept)} kept from before" if done.kept else ""
        click.echo(f"{len(done.run)} notebooks run{kept}")
        click.echo(f"book in {done.folder / 'book.html'}")


def _override(text: str) -> tuple[str, object]:
    name, sign, value = text.partition("=")
    if not sign or not name.strip():
        raise click.UsageError(f"--set {text}: expected NAME=VALUE")
    try:
        return name.strip(), ast.literal_eval(value.strip())
    except (ValueError, SyntaxError):
        return name.strip(), value.strip()
