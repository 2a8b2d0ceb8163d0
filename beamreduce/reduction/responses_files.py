"""Writing a set of response files, its record, tables and figures."""

from collections.abc import Callable, Mapping
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

import astropy.units as u
import numpy as np

from beamreduce.errors import OutputError
from beamreduce.record import (
    Provenance,
    software_versions,
    toml_text,
    write_table_whole,
    write_text_whole,
)
from beamreduce.reduction.output_folder import clear_partial
from beamreduce.reduction.responses_content import ResponseSet
from beamreduce.reduction.run_log import json_text, run_log
from beamreduce.report import responses_report
from beamreduce.response.ancillary import write_ancillary
from beamreduce.response.area_set import NamedCurve
from beamreduce.response.conformance import check_response_file
from beamreduce.response.fits_file import Origin
from beamreduce.response.image_files import write_encircled, write_image_shape
from beamreduce.response.off_axis_files import write_area_grid, write_vignetting
from beamreduce.response.redistribution import write_redistribution
from beamreduce.response.request_file import ResponseRequest
from beamreduce.response.results_input import ResultsInput

if TYPE_CHECKING:
    from astropy.table import QTable

FORMAT = "beamreduce-responses/1"
Progress = Callable[[str, int, int], None]


@dataclass(frozen=True, kw_only=True)
class ResponseRun:
    """One run, ready to be written down.

    Parameters
    ----------
    content
        What was computed.
    given, request
        What it was computed from.
    inputs
        Checksums by name.
    folder
        Where the files go.
    results_place
        The results folder as seen from the final place.
    started
        When the run began, seconds since 1970.
    """

    content: ResponseSet
    given: ResultsInput
    request: ResponseRequest
    inputs: Mapping[str, str]
    folder: Path
    results_place: str
    started: float


def write_response_run(
    run: ResponseRun, tell: Progress, *, figures: bool
) -> tuple[str, ...]:
    """Write everything; returns the names of the response files.

    Raises
    ------
    OutputError
        When a file that was written does not pass our own check of its layout.
    """
    clear_partial(run.folder)  # making it again takes seconds
    files = _response_files(run, tell)
    wrong = [p for name in files for p in check_response_file(run.folder / name)]
    if wrong:
        raise OutputError(
            "the files do not conform, a fault of the program:\n"
            + "\n".join(str(one) for one in wrong)
        )
    write_tables(run)
    if figures:
        from beamreduce.reduction.draw_responses import draw_responses  # noqa: PLC0415

        draw_responses(run.folder, run.content, tell)
    text = json_text(responses_json(run, files))
    write_text_whole(run.folder / "responses.json", text)
    write_text_whole(run.folder / "report.html", responses_report(run.folder))
    write_text_whole(run.folder / "settings.toml", toml_text(_settings(run)))
    write_text_whole(run.folder / "provenance.json", json_text(_provenance(run, files)))
    write_text_whole(run.folder / "run_log.json", json_text(run_log(run.started)))
    return files


def _response_files(run: ResponseRun, tell: Progress) -> tuple[str, ...]:
    content, folder = run.content, run.folder
    origin = _origin(run)
    names = []
    for done, one in enumerate(content.curves):
        names.append(f"{one.name}.arf")
        path = folder / names[-1]
        write_ancillary(path, content.grid, one.curve, _origin(run, one), one.words)
        tell("ancillary responses", done + 1, len(content.curves))
    lines = replace(origin, history=(*origin.history, content.matrix.source))
    write_redistribution(folder / "lines.rmf", content.matrix, lines)
    names.append("lines.rmf")
    if content.areas is not None:
        write_area_grid(folder / "effective_area.fits", content.areas, origin)
        write_vignetting(folder / "vignetting.fits", content.areas, origin)
        names += ["effective_area.fits", "vignetting.fits"]
    if content.inside is not None:
        write_encircled(folder / "encircled_energy.fits", content.inside, origin)
        path = folder / "image_shape.fits"
        write_image_shape(path, content.inside, run.given.folder, origin)
        names += ["encircled_energy.fits", "image_shape.fits"]
    return tuple(names)


def _origin(run: ResponseRun, one: NamedCurve | None = None) -> Origin:
    edges = run.content.grid.edges_kev
    curve = run.content.curves[0].curve
    fit = curve.fit
    lines = ", ".join(f"{line.id} {line.energy_kev:g} keV" for line in curve.lines)
    history = [
        f"campaign: {run.given.campaign}",
        f"beamreduce {software_versions()['beamreduce']}, command responses",
        *(f"input {name} sha256 {digest[:16]}" for name, digest in _main_inputs(run)),
        "area of the mirror for a star at infinity; detector and filters not in it",
        f"model scaled through measured areas: {lines}",
        f"factor of {fit.parameters.size} parameter(s), chi-square {fit.chi_square:.2f} "
        f"for {fit.degrees_of_freedom} degrees of freedom",
        f"optical constants: {_tables(run)}",
        f"measured lines support {curve.lowest_kev:g} to {curve.highest_kev:g} keV",
        *(run.content.notes if one is None else one.curve.notes),
    ]
    if curve.beyond().any():
        history.append("energies beyond that are EXTRAPOLATED, as was asked for")
    return Origin(
        instrument=run.request.instrument,
        history=tuple(history),
        certificates=run.given.certificates,
        bounds=f"ENERG({edges[0]:.6g}-{edges[-1]:.6g})keV",
    )


def _main_inputs(run: ResponseRun) -> list[tuple[str, str]]:
    names = ("results/results.json", "results/settings.toml")
    return [(n, d) for n, d in run.inputs.items() if n in names or n.startswith("grid/")]


def _tables(run: ResponseRun) -> str:
    return "; ".join(
        f"{name} {one.density.to_value(u.g / u.cm**3):g} g/cm**3 by {one.table} "
        f"({one.record['optical_constants_version']})"
        for name, one in run.given.mirror.coatings.items()
    )


def responses_json(run: ResponseRun, files: tuple[str, ...]) -> dict[str, object]:
    """Return what responses.json holds."""
    whole = run.content.curves[0].curve
    fit = whole.fit
    return {
        "format": FORMAT,
        "version": software_versions()["beamreduce"],
        "campaign": run.given.campaign,
        "files": list(files),
        "energy": {
            "spacing": run.content.grid.spacing,
            "bins": run.content.grid.bins,
            "lowest_keV": float(run.content.grid.edges_kev[0]),
            "highest_keV": float(run.content.grid.edges_kev[-1]),
            "valid_from_keV": whole.lowest_kev,
            "valid_to_keV": whole.highest_kev,
        },
        "factor": {
            "form": "exp(p0 + p1 ln(E/pivot) + p2 ln(E/pivot)^2 ... + other models)",
            "pivot_keV": fit.pivot_kev,
            "parameters": fit.parameters.tolist(),
            "covariance": fit.covariance.tolist(),
            "chi_square": fit.chi_square,
            "degrees_of_freedom": fit.degrees_of_freedom,
            "accepted": fit.accepted,
            "other_models": dict(fit.other_models),
        },
        "lines": [
            {
                "id": line.id,
                "energy_keV": line.energy_kev,
                "area_cm2": line.area_cm2,
                "measured_over_model": float(fit.ratio[k]),
                "factor": float(fit.fitted[k]),
                "residual": float(fit.residual[k]),
                "relative_uncertainty": float(fit.relative[k]),
            }
            for k, line in enumerate(whole.lines)
        ],
        "curves": [
            {
                "file": f"{one.name}.arf",
                "words": one.words,
                "aperture": one.aperture,
                "off_axis_arcmin": one.off_axis_arcmin,
                "azimuth_deg": one.azimuth_deg,
                "radius_arcsec": one.radius_arcsec,
                "notes": list(one.curve.notes),
            }
            for one in run.content.curves
        ],
        "surface": None if run.content.surface is None else run.content.surface.to_json(),
        "redistribution": {
            "file": "lines.rmf",
            "source": run.content.matrix.source,
            "channels": run.content.matrix.channel_edges_kev.size - 1,
            "largest_loss": float(run.content.matrix.loss.max()),
            "detector": run.content.detector,
            "lines": [
                {
                    "energy_keV": one.energy_kev,
                    "counts": one.counts,
                    "full_width_eV": one.full_width_ev.to_json(),
                    "escape_fraction": one.escape_fraction.to_json(),
                    "shelf_fraction": one.shelf_fraction.to_json(),
                    "deviance": one.deviance,
                    "channels": one.channels,
                    "accepted": one.accepted,
                }
                for one in run.content.matrix.fitted
            ],
        },
        "certificates": [asdict(one) for one in run.given.certificates],
        "notes": list(run.content.notes),
    }


def curve_table(one: NamedCurve) -> "QTable":
    """Return a curve as ``area_<name>.ecsv`` holds it."""
    from astropy.table import QTable  # noqa: PLC0415 - slow import

    curve = one.curve
    table = QTable({"energy": curve.energy_kev * u.keV, "area": curve.area_cm2 * u.cm**2})
    for kind in ("statistical", "systematic", "model"):
        table[kind] = curve.uncertainty_cm2(kind) * u.cm**2
    table["area_uncertainty"] = curve.uncertainty_cm2() * u.cm**2
    table["model_area"] = curve.model_cm2 * u.cm**2
    table["extrapolated"] = curve.beyond()
    return table


def lines_table(one: NamedCurve) -> "QTable":
    """Return the measured lines beside the curve, as ``area_lines.ecsv`` holds them."""
    from astropy.table import QTable  # noqa: PLC0415 - slow import

    curve = one.curve
    area = np.array([line.area_cm2 for line in curve.lines])
    return QTable(
        {
            "id": [line.id for line in curve.lines],
            "energy": np.array([line.energy_kev for line in curve.lines]) * u.keV,
            "area": area * u.cm**2,
            "area_uncertainty": area * curve.fit.relative * u.cm**2,
            "measured_over_model": curve.fit.ratio,
            "factor": curve.fit.fitted,
            "residual": curve.fit.residual,
        }
    )


def write_tables(run: ResponseRun) -> None:
    """Write the data behind the figures."""
    curves = run.content.curves
    tables = {f"area_{one.name}": curve_table(one) for one in curves}
    tables["area_lines"] = lines_table(curves[0])
    for name, table in tables.items():
        write_table_whole(run.folder / f"{name}.ecsv", table)


def _settings(run: ResponseRun) -> dict[str, object]:
    return {
        "format": "beamreduce-settings/1",
        "version": software_versions()["beamreduce"],
        "command": "responses",
        "results_folder": run.results_place,
        "grid": dict(run.request.content),
    }


def _provenance(run: ResponseRun, files: tuple[str, ...]) -> dict[str, object]:
    record = Provenance()
    used = [record.entity("settings.toml", {"prov:type": "br:Settings"})]
    used += [
        record.entity(name, {"br:path": name.partition("/")[2], "br:sha256": digest})
        for name, digest in run.inputs.items()
    ]
    made = [record.entity(name, {"br:path": name}) for name in files]
    made += [record.entity("report.html", {"br:path": "report.html"})]
    record.activity("responses", used=used, made=made, settings="settings.toml")
    return record.to_json()
