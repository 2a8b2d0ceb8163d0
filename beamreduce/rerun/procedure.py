"""``procedure``: all notebooks over one campaign, their executed copies kept as a book."""

import os
import shutil
import subprocess
import tempfile
import time
from collections.abc import Callable, Mapping
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING

from markupsafe import Markup

import beamreduce
from beamreduce.campaign import Campaign, read_campaign
from beamreduce.errors import ResultsError
from beamreduce.record import (
    Provenance,
    sha256_of_file,
    sha256_of_json,
    software_versions,
    toml_text,
    write_text_whole,
    write_whole,
)
from beamreduce.reduction.output_folder import (
    OutputFolder,
    mark_finished,
    open_output,
    place_text,
    put_in_place,
    refuse_inside_campaign,
)
from beamreduce.reduction.run_log import json_text, run_log
from beamreduce.report import Section, render_page
from beamreduce.rerun.run_notebooks import (
    check_overrides,
    execute,
    parameters_of,
    read_notebook,
    set_parameters,
)

if TYPE_CHECKING:
    from nbformat import NotebookNode

BOOK = "book.html"
PRINTED = "book.pdf"
_PRINT_S = 300
NOTEBOOKS = "notebooks"
Progress = Callable[[str, int, int], None]


@dataclass(frozen=True, kw_only=True)
class ProcedureOptions:
    """How to run the notebooks.

    Parameters
    ----------
    notebooks
        Folder that holds them; None takes those of the source.
    overrides
        Values of parameters, by name, for every notebook that has one of that name.
    time_limit_s
        For each cell.
    """

    notebooks: Path | None = None
    overrides: Mapping[str, object] = field(default_factory=dict)
    time_limit_s: int = 1800


@dataclass(frozen=True, kw_only=True)
class ProcedureDone:
    """What a procedure left: its folder, notebooks run, and kept from an earlier try."""

    folder: Path
    run: tuple[str, ...]
    kept: tuple[str, ...]


def run_procedure(
    campaign_folder: Path | str,
    output_folder: Path | str,
    *,
    options: ProcedureOptions | None = None,
    progress: Progress | None = None,
) -> ProcedureDone:
    """Run every notebook that takes a campaign, in the order of their names.

    Parameters
    ----------
    campaign_folder
        Never written.
    output_folder
        Made whole, or kept as ``DIR.partial`` from which the next run goes on.
    options
        How to run.
    progress
        Called with (notebook, cells done, of how many).

    Raises
    ------
    ResultsError
        With notebook, cell and one line when a cell fails, takes too long, or its kernel
        dies; when notebooks are missing.
    SettingsError
        When an override names no parameter.
    """
    options, started = options or ProcedureOptions(), time.time()
    tell = progress or (lambda what, done, total: None)
    campaign = read_campaign(Path(campaign_folder))
    refuse_inside_campaign(campaign.folder, Path(output_folder))
    paths = _notebooks(options.notebooks)
    with open_output(Path(output_folder), update=False) as output:
        place = output.partial / NOTEBOOKS
        place.mkdir(exist_ok=True)
        values = _parameters(campaign, place, paths, options)
        run, kept = [], []
        state = _state_of(campaign)
        for path in paths:
            key = sha256_of_json(
                [sha256_of_file(path), repr(values[path.name]), state, software_versions()]
            )
            done = place / path.name
            if output.note(path.stem).get("key") == key and done.is_file():
                kept.append(path.name)
                continue
            _run_one(path, done, values[path.name], (options, tell))
            mark_finished(output, path.stem, {"key": key})
            run.append(path.name)
        _write(output, campaign, values, started)
        put_in_place(output)
    return ProcedureDone(folder=output.final, run=tuple(run), kept=tuple(kept))


def _notebooks(folder: Path | None) -> list[Path]:
    place = folder or Path(beamreduce.__file__).parents[1] / "notebooks"
    found = sorted(place.glob("*.ipynb")) if place.is_dir() else []
    with_campaign = [
        path
        for path in found
        if "campaign_folder" in parameters_of(read_notebook(path), path.name)
    ]
    if not with_campaign:
        raise ResultsError(
            f"{place}: found no notebook with a parameter campaign_folder; expected "
            f"those of the source; give their folder with --notebooks"
        )
    return with_campaign


def _parameters(
    campaign: Campaign, place: Path, paths: list[Path], options: ProcedureOptions
) -> dict[str, dict[str, object]]:
    """Return every notebook's parameters: its own, the campaign's, those asked."""
    known = {p.name: parameters_of(read_notebook(p), p.name) for p in paths}
    check_overrides(options.overrides, known)
    ids = [one.id for one in campaign.measurements]
    reference = campaign.setup.reduction.reference_radius
    for values in known.values():
        for name in values:
            if name == "campaign_folder":
                values[name] = os.path.relpath(campaign.folder.resolve(), place)
            elif name == "results_folder":
                values[name] = os.path.join("..", "results")  # noqa: PTH118 - relative
            elif name == "measurement" and values[name] not in ids:
                values[name] = ids[0]
            elif name == "reference_radius_mm" and reference is not None:
                values[name] = float(reference.to_value("mm"))
            if name in options.overrides:
                values[name] = options.overrides[name]
    return known


def _state_of(campaign: Campaign) -> list[object]:
    """What a campaign is like, so that changed frames make notebooks run again."""
    files = sorted(p for p in campaign.folder.rglob("*") if p.is_file())
    return [
        [p.relative_to(campaign.folder).as_posix(), p.stat().st_size, p.stat().st_mtime_ns]
        for p in files
    ]


def _run_one(
    path: Path,
    done: Path,
    values: Mapping[str, object],
    how: tuple[ProcedureOptions, Progress],
) -> None:
    import nbformat  # noqa: PLC0415 - an extra, and slow

    options, tell = how
    notebook = read_notebook(path)
    set_parameters(notebook, values)
    fault = execute(
        notebook,
        done.parent,
        options.time_limit_s,
        lambda cells, of: tell(path.stem, cells, of),
    )
    text = nbformat.writes(notebook)
    write_whole(done, lambda to: to.write_text(text, encoding="utf-8"))
    if fault:
        raise ResultsError(
            f"{path.name}: {fault}; what ran is in {done}; run the same command again to "
            f"go on with this notebook"
        )


def _write(
    output: OutputFolder,
    campaign: Campaign,
    values: Mapping[str, Mapping[str, object]],
    started: float,
) -> None:
    folder = output.partial
    settings = {
        "format": "beamreduce-settings/1",
        "version": software_versions()["beamreduce"],
        "command": "procedure",
        "campaign_folder": place_text(campaign.folder.resolve(), output.final),
        "parameters": values,
    }
    write_text_whole(folder / "settings.toml", toml_text(settings))
    write_text_whole(folder / BOOK, _book(folder / NOTEBOOKS, campaign, list(values)))
    _print_book(folder)
    write_text_whole(
        folder / "provenance.json", json_text(_provenance(campaign, list(values)))
    )
    write_text_whole(folder / "run_log.json", json_text(run_log(started)))


def _provenance(campaign: Campaign, names: list[str]) -> dict[str, object]:
    record = Provenance()
    files = ["campaign.toml", "exposures.ecsv", *(e.file for e in campaign.exposures)]
    used = [record.entity("settings.toml", {"prov:type": "br:Settings"})]
    for file in sorted({file for file in files if file}):
        attributes = {"br:path": file, "br:sha256": sha256_of_file(campaign.folder / file)}
        used.append(record.entity(f"frame/{file}", attributes))
    made = []
    for name in names:
        path = f"{NOTEBOOKS}/{name}"
        made.append(record.entity(path, {"br:path": path}))
        record.activity(name, used=used, made=[made[-1]], settings="settings.toml")
    book = [record.entity(BOOK, {"br:path": BOOK})]
    record.activity("book", used=made, made=book, settings="in the order of names")
    return record.to_json()


def _book(folder: Path, campaign: Campaign, names: list[str]) -> str:
    """One page of all executed notebooks; nothing in it asks for a network."""
    from nbconvert import HTMLExporter  # noqa: PLC0415 - an extra, and slow

    exporter = HTMLExporter(template_name="basic", exclude_anchor_links=True)
    sections = []
    for name in names:
        notebook = read_notebook(folder / name)
        _name_pictures(notebook)
        body, _ = exporter.from_notebook_node(notebook)
        title = name.removesuffix(".ipynb").replace("_", " ")
        anchor = f"notebook-{name.split('_')[0]}-{len(sections)}"
        sections.append(Section(anchor=anchor, title=title, body=Markup(body)))
    version = software_versions()["beamreduce"]
    return render_page("The procedure", campaign.setup.name, sections, version=version)


def _print_book(folder: Path) -> None:
    """Print the book to PDF where this machine has a Chromium; else leave that out."""
    browser = shutil.which("chromium") or shutil.which("chromium-browser")
    if browser is None:
        return
    with tempfile.TemporaryDirectory() as profile:
        asked = [
            browser,
            "--headless",
            "--disable-gpu",
            "--no-pdf-header-footer",
            f"--user-data-dir={profile}",
            f"--print-to-pdf={folder / PRINTED}",
        ]
        if hasattr(os, "geteuid") and os.geteuid() == 0:  # there is no sandbox to be had
            asked.append("--no-sandbox")
        asked.append((folder / BOOK).resolve().as_uri())
        with suppress(OSError, subprocess.TimeoutExpired):
            subprocess.run(asked, capture_output=True, timeout=_PRINT_S, check=False)


def _name_pictures(notebook: "NotebookNode") -> None:
    """Give every picture the heading that it stands under, for those who cannot see it."""
    heading = "the beginning"
    for cell in notebook.cells:
        if cell.cell_type == "markdown":
            titles = [line for line in cell.source.splitlines() if line.startswith("#")]
            heading = titles[-1].lstrip("# ") if titles else heading
        for output in cell.get("outputs", ()):
            if "image/png" in output.get("data", {}):
                alt = f"Figure under the heading: {heading}"
                output.metadata.setdefault("image/png", {})["alt"] = alt
