"""The files of a quadrants folder."""

import io
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from astropy.units import Quantity

from beamreduce.campaign import ADJUSTER_FILE, Campaign
from beamreduce.record import (
    Provenance,
    sha256_of_file,
    toml_text,
    write_table_whole,
    write_text_whole,
    write_whole,
)
from beamreduce.reduction.keys import as_plain
from beamreduce.reduction.output_folder import OutputFolder, clear_partial
from beamreduce.reduction.quadrants_content import content_of
from beamreduce.reduction.quadrants_page import quadrants_html
from beamreduce.reduction.quadrants_step import QuadrantsFound
from beamreduce.reduction.quadrants_tables import (
    bar_table,
    budget_table,
    convergence_table,
    focus_table,
    move_table,
    next_round_table,
    quadrant_table,
    sensitivity_table,
)
from beamreduce.reduction.results_files import campaign_settings
from beamreduce.reduction.run_log import json_text, run_log

if TYPE_CHECKING:
    from astropy.table import Table

RESULT = "quadrants.json"


@dataclass(frozen=True, kw_only=True)
class QuadrantsRun:
    """One run, ready to be written down.

    Parameters
    ----------
    campaign
        What was read.
    output
        Where files go.
    found
        What was found.
    log
        The log of rounds that was read; None without one.
    target_hpd
        For the budget of bars.
    figures
        Draw figures.
    started
        When the run began, seconds since 1970.
    """

    campaign: Campaign
    output: OutputFolder
    found: QuadrantsFound
    log: Path | None
    target_hpd: Quantity | None
    figures: bool
    started: float


def write_quadrants(run: QuadrantsRun) -> dict[str, object]:
    """Write every file of the folder; returns what quadrants.json holds."""
    folder, found = run.output.partial, run.found
    clear_partial(folder)
    content = content_of(run.campaign, found)
    tables: dict[str, Callable[[QuadrantsFound], Table]] = {
        "quadrants": quadrant_table,
        "bar_errors": bar_table,
    }
    if any(one.displaced is not None for one in found.rounds):
        tables["convergence"] = convergence_table
    if found.budget is not None:
        tables["bar_budget"] = budget_table
    if found.effects:
        tables["sensitivity"] = sensitivity_table
    if found.plan is not None:
        tables |= {"moves": move_table, "next_round": next_round_table}
    if found.now is not None:
        tables["focus"] = focus_table
    for name, table_of in tables.items():
        write_table_whole(folder / f"{name}.ecsv", table_of(found))
    write_whole(folder / "images.fits", lambda place: place.write_bytes(_images(found)))
    if run.figures:
        from beamreduce.reduction.draw_quadrants import (  # noqa: PLC0415 - slow import
            draw_quadrants,
        )

        draw_quadrants(folder, found)
    write_text_whole(folder / "report.html", quadrants_html(folder, content, found))
    write_text_whole(folder / RESULT, json_text(content))
    write_text_whole(folder / "settings.toml", toml_text(_settings(run)))
    write_text_whole(folder / "provenance.json", json_text(_provenance(run, list(tables))))
    write_text_whole(folder / "run_log.json", json_text(run_log(run.started)))
    return content


def _images(found: QuadrantsFound) -> bytes:
    """Cores of all images as FITS, without time stamps: the same bytes every time."""
    from astropy.io import fits  # noqa: PLC0415 - slow import

    units = [fits.PrimaryHDU()]
    for one in (m for r in found.rounds for m in r.measured):
        photons, (x, y) = one.cut
        image = fits.ImageHDU(photons, name=one.image.id[:60])
        image.header["MEASURED"] = (one.image.id, "measurement")
        image.header["APERTURE"] = (one.image.aperture, "quadrant")
        image.header["BUNIT"] = "photon"
        image.header["CORNER_X"] = (x, "column of the first pixel in the frame, from 0")
        image.header["CORNER_Y"] = (y, "row of the first pixel in the frame, from 0")
        units.append(image)
    written = io.BytesIO()
    fits.HDUList(units).writeto(written)
    return written.getvalue()


def _settings(run: QuadrantsRun) -> Mapping[str, object]:
    measured = run.found.last.measured[0]
    used = campaign_settings(run.campaign, run.output)
    used["reduction"]["reference_radius"] = as_plain(measured.request.reference_radius)
    log = {} if run.log is None else {"rounds_file": run.log.name}
    target = {} if run.target_hpd is None else {"target_hpd": as_plain(run.target_hpd)}
    return {**used, "command": "quadrants", "quadrants_command": log | target}


def _provenance(run: QuadrantsRun, tables: list[str]) -> dict[str, object]:
    """Which frames and tables made which numbers."""
    record = Provenance()
    settings = record.entity("settings.toml", {"prov:type": "br:Settings"})
    others = [settings]
    for name, path in (
        (ADJUSTER_FILE, run.campaign.folder / ADJUSTER_FILE),
        ("rounds", run.log),
    ):
        if path is not None and path.exists():
            digest = sha256_of_file(path)
            attributes = {"br:path": path.name, "br:sha256": digest}
            others.append(record.entity(name, attributes))
    images = []
    for one in (m for r in run.found.rounds for m in r.measured):
        frames = [
            record.entity(f"frame/{path}", {"br:path": path, "br:sha256": digest})
            for path, digest in one.inputs.items()
        ]
        images.append(record.entity(f"image/{one.image.id}", {"br:path": "quadrants.ecsv"}))
        record.activity(
            f"measure/{one.image.id}",
            used=[*frames, settings],
            made=[images[-1]],
            settings="settings.toml",
        )
    made = [record.entity(RESULT, {"br:path": RESULT})]
    made += [record.entity(f"{t}.ecsv", {"br:path": f"{t}.ecsv"}) for t in tables]
    record.activity(
        "quadrants", used=[*images, *others], made=made, settings="settings.toml"
    )
    return record.to_json()
