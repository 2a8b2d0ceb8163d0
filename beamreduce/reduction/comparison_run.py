"""The command ``compare``: two results folders in, one archived comparison out."""

import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from beamreduce.before_after import (
    CompareSettings,
    Comparison,
    compare_results,
    read_margins,
)
from beamreduce.record import (
    Provenance,
    software_versions,
    toml_text,
    write_text_whole,
)
from beamreduce.reduction.comparison_files import draw_comparison, write_curve_tables
from beamreduce.reduction.output_folder import (
    OutputFolder,
    clear_partial,
    open_output,
    place_text,
    put_in_place,
    refuse_inside_results,
)
from beamreduce.reduction.run_log import json_text, run_log
from beamreduce.report import comparison_report

Progress = Callable[[str, int, int], None]


@dataclass(frozen=True, kw_only=True)
class CompareOptions:
    """How to compare.

    Parameters
    ----------
    margins
        A margins file; None for the defaults.
    update
        Replace an earlier comparison, which is moved aside.
    figures
        Draw figures.
    """

    margins: Path | None = None
    update: bool = False
    figures: bool = True


@dataclass(frozen=True, kw_only=True)
class Compared:
    """What a comparison left behind.

    Parameters
    ----------
    folder
        Where it is.
    comparison
        What it holds.
    moved
        Where an earlier one was moved to.
    """

    folder: Path
    comparison: Comparison
    moved: Path | None


def compare_folders(
    before: Path | str,
    after: Path | str,
    output_folder: Path | str,
    *,
    options: CompareOptions | None = None,
    progress: Progress | None = None,
) -> Compared:
    """Compare two results folders of one mirror and archive the comparison.

    Parameters
    ----------
    before, after
        Results folders of ``reduce``; never written.
    output_folder
        Made whole or not at all.
    options
        How to compare.
    progress
        Called with (what, done, of how many).

    Raises
    ------
    ResultsError
        When the folders cannot be compared, or the margins file cannot be used.
    OutputError
        When the comparison cannot be written there.
    """
    options = options or CompareOptions()
    started = time.time()
    place = Path(output_folder)
    for folder in (Path(before), Path(after)):
        refuse_inside_results(folder, place)
    tell = progress or (lambda what, done, total: None)
    settings = (
        CompareSettings() if options.margins is None else read_margins(options.margins)
    )
    with open_output(place, update=options.update) as output:
        comparison = compare_results(before, after, settings)
        _write(output, comparison, (options, tell), started)
        moved = put_in_place(output)
    return Compared(folder=output.final, comparison=comparison, moved=moved)


def comparison_table(comparison: Comparison) -> str:
    """Return one line a quantity for the terminal, and the verdict on all."""
    rows = comparison.judged
    ids = max((len(one.finding.id) for one in rows), default=0)
    keys = max((len(one.finding.key) for one in rows), default=0)
    lines = [
        f"{one.finding.id:<{ids}}  {one.finding.key:<{keys}}  {one.sentence}"
        for one in rows
    ]
    if comparison.left_out:
        lines.append(
            f"not compared: {len(comparison.left_out)}, reasons in comparison.json"
        )
    return "\n".join([*lines, f"verdict: {comparison.verdict}"])


def _write(
    output: OutputFolder,
    comparison: Comparison,
    how: tuple[CompareOptions, Progress],
    started: float,
) -> None:
    (options, tell), folder = how, output.partial
    clear_partial(output.partial)  # making it again takes seconds
    write_text_whole(folder / "comparison.json", json_text(comparison.to_json()))
    write_curve_tables(folder, comparison)
    if options.figures:
        tell("figures", 0, 1)
        draw_comparison(folder, comparison)
        tell("figures", 1, 1)
    write_text_whole(folder / "report.html", comparison_report(folder, comparison))
    write_text_whole(folder / "settings.toml", toml_text(_settings(output, comparison)))
    write_text_whole(folder / "provenance.json", json_text(_provenance(comparison)))
    write_text_whole(folder / "run_log.json", json_text(run_log(started)))


def _settings(output: OutputFolder, comparison: Comparison) -> dict[str, object]:
    return {
        "format": "beamreduce-settings/1",
        "version": software_versions()["beamreduce"],
        "command": "compare",
        "before_folder": place_text(comparison.before.folder.resolve(), output.final),
        "after_folder": place_text(comparison.after.folder.resolve(), output.final),
        "compare": comparison.settings.as_plain(),
    }


def _provenance(comparison: Comparison) -> dict[str, object]:
    record = Provenance()
    used = [record.entity("settings.toml", {"prov:type": "br:Settings"})]
    for side in ("before", "after"):
        run = getattr(comparison, side)
        used += [
            record.entity(f"{side}/{name}", {"br:path": name, "br:sha256": digest})
            for name, digest in run.checksums.items()
        ]
    made = [record.entity("comparison.json", {"br:path": "comparison.json"})]
    record.activity("compare", used=used, made=made, settings="settings.toml")
    return record.to_json()
