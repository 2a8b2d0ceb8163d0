"""The page of a set of response files: what is in it, what it rests on, how sure it is."""

import json
from collections.abc import Mapping
from pathlib import Path

from beamreduce.record import Uncertain, rounded
from beamreduce.report.page import Section, picture, render_page
from beamreduce.report.plain_section import grid, plain_section

_FIGURES = {
    "area_curve": (
        "Effective area against energy: the mirror's model scaled through the measured "
        "lines, with its band; below, measured over model.",
        "area_total.ecsv",
    ),
    "line_profiles": ("How the detector spreads each line.", "line_profiles.ecsv"),
    "redistribution": (
        "Redistribution: share of photons of each energy in each channel.",
        "lines.rmf",
    ),
}


def responses_report(folder: Path) -> str:
    """Return the page of a folder of ``responses``, a pure function of its files.

    Parameters
    ----------
    folder
        Holds ``responses.json`` and the figures that are shown; those that are not there
        are left out.
    """
    content = json.loads((folder / "responses.json").read_text(encoding="utf-8"))
    sections = [
        _summary(content),
        _curve(content, folder),
        _redistribution(content, folder),
        _certificates(content),
    ]
    return render_page(
        "Response files",
        str(content["campaign"]),
        sections,
        version=str(content["version"]),
    )


def _summary(content: Mapping) -> Section:
    energy = content["energy"]
    rows = [
        [
            one["file"],
            one["words"],
            one["off_axis_arcmin"],
            one["azimuth_deg"],
            one["radius_arcsec"],
        ]
        for one in content["curves"]
    ]
    head = ["file", "what", "off axis (arcmin)", "azimuth (deg)", "radius (arcsec)"]
    listed = {row[0] for row in rows}
    others = ", ".join(name for name in content["files"] if name not in listed)
    looks = [str(note) for note in content["notes"]]
    looks += [f"{c['file']}: {note}" for c in content["curves"] for note in c["notes"]]
    return plain_section(
        "summary",
        "Summary",
        texts=[
            f"{energy['bins']} energies from {energy['lowest_keV']:g} to "
            f"{energy['highest_keV']:g} keV ({energy['spacing']}); the area is known from "
            f"{energy['valid_from_keV']:g} to {energy['valid_to_keV']:g} keV and is not "
            f"continued beyond. Statistical, systematic and model uncertainties are "
            f"columns of every ancillary file, what all energies share is in its "
            f"covariance.",
            f"Further files: {others}.",
        ],
        looks=looks,
        tables=[grid("ancillary responses", head, rows)],
    )


def _curve(content: Mapping, folder: Path) -> Section:
    factor = content["factor"]
    rows = [
        [
            line["id"],
            line["energy_keV"],
            line["area_cm2"],
            line["measured_over_model"],
            line["relative_uncertainty"],
            line["residual"],
        ]
        for line in content["lines"]
    ]
    head = ["measurement", "energy (keV)", "area (cm²)", "over model", "relative 1σ",
            "residual"]  # fmt: skip
    fit = (
        f"chi-square {factor['chi_square']:.3g} for {factor['degrees_of_freedom']} degrees "
        f"of freedom with {len(factor['parameters'])} parameter(s)"
    )
    accepted = factor["accepted"]
    return plain_section(
        "area",
        "Area against energy",
        texts=[
            f"The model is multiplied by {factor['form']}, pivot "
            f"{factor['pivot_keV']:.4g} keV, fitted to the measured lines: {fit}."
        ],
        looks=[] if accepted else [f"the lines do not lie on one smooth factor: {fit}"],
        fines=["The lines lie on it within their uncertainties."] if accepted else [],
        tables=[grid("measured lines", head, rows)],
        figures=_figures(folder, "area_curve"),
    )


def _redistribution(content: Mapping, folder: Path) -> Section:
    matrix = content["redistribution"]
    return plain_section(
        "redistribution",
        "Redistribution",
        texts=[
            f"{matrix['file']}: {matrix['channels']} channels; {matrix['source']}. At most "
            f"{matrix['largest_loss']:.2g} of the photons of an energy falls outside them."
        ],
        tables=_measured_lines(matrix),
        figures=_figures(folder, "line_profiles", "redistribution"),
    )


def _measured_lines(matrix: Mapping) -> list[dict[str, object]]:
    """The fitted lines, where spectra were given."""
    rows = [
        [
            f"{one['energy_keV']:.4g}",
            f"{one['counts']:.0f}",
            *(
                rounded(Uncertain.from_json(one[key]))
                for key in ("full_width_eV", "escape_fraction", "shelf_fraction")
            ),
            f"{one['deviance']:.0f} / {one['channels']}",
            "yes" if one["accepted"] else "NO",
        ]
        for one in matrix["lines"]
    ]
    head = ["line (keV)", "counts", "full width (eV)", "escape", "shelf",
            "deviance / channels", "described"]  # fmt: skip
    return [grid("measured lines of the detector", head, rows)] if rows else []


def _certificates(content: Mapping) -> Section:
    rows = [
        [one["item"], one["value"], one["uncertainty"], one["number"]]
        for one in content["certificates"]
    ]
    head = ["what", "value used", "declared uncertainty", "certificate"]
    return plain_section(
        "certificates",
        "What it rests on",
        texts=[
            "Certificates of the campaign that the areas come from. Inputs with their "
            "SHA-256 are in provenance.json; beamreduce rerun makes all of it again."
        ],
        tables=[grid("certificates", head, rows)],
    )


def _figures(folder: Path, *names: str) -> list[dict[str, object]]:
    found = []
    for name in names:
        caption, data = _FIGURES[name]
        image = picture(folder / name, caption)
        if image is not None:
            found.append({"image": image, "caption": caption, "data": data})
    return found
