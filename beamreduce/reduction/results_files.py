"""The files of a results folder that speak of the whole campaign."""

import shutil
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

import astropy.units as u
from astropy.units import Quantity

from beamreduce.campaign import DECISION_COLUMNS, DECISIONS_FILE, Campaign
from beamreduce.mirror import (
    DEFAULT_ROUGHNESS_MODEL,
    DEFAULT_TABLE,
    PRESCRIPTION_FILE,
)
from beamreduce.record import (
    plain_json,
    quantity_keys,
    software_versions,
    toml_text,
    write_table_whole,
    write_text_whole,
    write_whole,
)
from beamreduce.reduction.area_files import write_area_files
from beamreduce.reduction.campaign_provenance import campaign_provenance
from beamreduce.reduction.configurations import Configuration
from beamreduce.reduction.keys import RESULTS_FORMAT, as_plain
from beamreduce.reduction.output_folder import OutputFolder, place_text
from beamreduce.reduction.run_log import json_text, run_log
from beamreduce.response.results_input import stored_nest

if TYPE_CHECKING:
    from astropy.table import MaskedColumn, Table

_UNITS = {
    "arcsec": u.arcsec,
    "arcmin": u.arcmin,
    "mm": u.mm,
    "cm2": u.cm**2,
    "keV": u.keV,
    "deg": u.deg,
    "photons": u.ph,
    "pixel": u.ph / u.pix,
}


@dataclass(frozen=True, kw_only=True)
class CampaignRun:
    """One run over a campaign, ready to be written down.

    Parameters
    ----------
    campaign
        What was read.
    output
        Where the files go.
    measurements
        Numbers of every measurement as results.json holds them, in campaign order.
    focus
        What each configuration on the axis tells of the focus.
    not_tested
        What all these numbers are silent about, in sentences.
    effective_areas, off_axis
        Areas of the campaign as a whole, and what it tells off the axis.
    reference_radius
        The campaign's one value.
    started
        When the run began, seconds since 1970.
    folds
        Which measurements were folded together.
    figures
        Draw figures.
    decisions_file
        Table of decisions that were applied, to be copied.
    """

    campaign: Campaign
    output: OutputFolder
    measurements: Sequence[Mapping[str, object]]
    focus: Sequence[Mapping[str, object]]
    not_tested: Sequence[str]
    effective_areas: Mapping[str, object]
    off_axis: Sequence[Mapping[str, object]]
    reference_radius: Quantity
    started: float
    folds: Sequence[Configuration]
    figures: bool = True
    decisions_file: Path | None = None


def write_campaign_results(run: CampaignRun) -> None:
    """Write results.json, results.ecsv, provenance, settings and the run log."""
    folder = run.output.partial
    results = {
        "format": RESULTS_FORMAT,
        "version": software_versions()["beamreduce"],
        "campaign": run.campaign.setup.name,
        "focus": list(run.focus),
        "not_tested": list(run.not_tested),
        "effective_areas": plain_json(run.effective_areas),
        "off_axis": plain_json(run.off_axis),
        "decisions": [
            {key: getattr(one, key) for key in DECISION_COLUMNS}
            for one in run.campaign.decisions
        ],
        "measurements": list(run.measurements),
    }
    write_text_whole(folder / "results.json", json_text(results))
    write_area_files(folder, results)
    if run.figures:
        from beamreduce.reduction.draw_areas import (  # noqa: PLC0415 - slow import
            draw_area_figures,
        )
        from beamreduce.reduction.draw_diameters import (  # noqa: PLC0415 - slow import
            draw_all_diameters,
        )

        draw_area_figures(folder, results)
        draw_all_diameters(folder, run.measurements)
    table = results_table(run.measurements)
    write_table_whole(folder / "results.ecsv", table)
    source = run.decisions_file
    if source is not None:
        write_whole(folder / DECISIONS_FILE, lambda path: shutil.copyfile(source, path))
    write_text_whole(folder / "settings.toml", toml_text(settings(run)))
    story = campaign_provenance(
        run.campaign, folder, (run.measurements, run.folds), run.decisions_file
    )
    write_text_whole(folder / "provenance.json", json_text(story))
    write_text_whole(folder / "run_log.json", json_text(run_log(run.started)))


def results_table(measurements: Sequence[Mapping[str, object]]) -> "Table":
    """Return one row a measurement; a quantity gives a value and an uncertainty column."""
    from astropy.table import Table  # noqa: PLC0415 - slow import

    table = Table(masked=True)
    for key in ("id", "exposures", "aperture"):
        values = [m[key] for m in measurements]
        table[key] = [v if isinstance(v, str) else " ".join(v) for v in values]
    for key in ("energy_keV", "off_axis_arcmin", "azimuth_deg", "detector_distance_mm",
                "reference_radius_mm", "reference_radius_arcsec",
                "infinity_detector_distance_mm", "infinity_best_focus_mm"):  # fmt: skip
        table[key] = _column([m[key] for m in measurements], key)
    for axis, name in enumerate("xy"):
        for key in ("center_pixel", "center_uncertainty_pixel"):
            column = [m[key][axis] for m in measurements]
            table[key.replace("center", f"center_{name}")] = column * u.pix
    for key in ("filled_fraction", "saturated_fraction", "primary_exercised_fraction"):
        table[key] = _column([m[key] for m in measurements], key)
    for key in quantity_keys():
        for part, suffix in (("value", ""), ("uncertainty", "_uncertainty")):
            values = [None if m[key] is None else m[key][part] for m in measurements]
            table[key + suffix] = _column(values, key)
    return table


def settings(run: CampaignRun) -> dict[str, object]:
    """Return all settings as they were used, defaults filled in."""
    used = campaign_settings(run.campaign, run.output)
    used["reduction"]["reference_radius"] = as_plain(run.reference_radius)  # type: ignore[index]
    given = {} if run.decisions_file is None else {"decisions_file": DECISIONS_FILE}
    return {"command": "reduce", **used, **given}


def campaign_settings(campaign: Campaign, output: OutputFolder) -> dict[str, object]:
    """Return all settings of a campaign, and where it is as seen from the results."""
    setup = campaign.setup
    mirror = replace(
        setup.mirror,
        optical_constants=setup.mirror.optical_constants or DEFAULT_TABLE,
        roughness_model=setup.mirror.roughness_model or DEFAULT_ROUGHNESS_MODEL,
    )
    return {
        "format": "beamreduce-settings/1",
        "version": software_versions()["beamreduce"],
        "campaign_folder": place_text(campaign.folder, output.final),
        "campaign": {"name": setup.name},
        "facility": as_plain(setup.facility),
        "mirror": as_plain(mirror),
        "detectors": as_plain(
            {name or "detector": d for name, d in setup.detectors.items()}
        ),
        "reduction": as_plain(setup.reduction),
        "quadrants": as_plain(setup.quadrants),
        "cards": as_plain(setup.cards),
        "uncertainties": as_plain(setup.uncertainties),
        "certificates": dict(setup.certificates),
        # What follows from [mirror] alone is not written twice.
        "nestings": stored_nest(campaign.prescription)
        if (campaign.folder / PRESCRIPTION_FILE).is_file()
        else None,
    }


def _column(values: list[float | None], key: str) -> "MaskedColumn":
    from astropy.table import MaskedColumn  # noqa: PLC0415 - slow import

    unit = next((unit for name, unit in _UNITS.items() if key.endswith(name)), None)
    return MaskedColumn(
        [0.0 if v is None else v for v in values],
        mask=[v is None for v in values],
        unit=unit,
        dtype=float,
    )
