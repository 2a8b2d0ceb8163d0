"""Effective areas by energy, off the axis, and stray light."""

from collections.abc import Mapping, Sequence

from beamreduce.record import ResultsFolder
from beamreduce.report.page import Section, picture, render
from beamreduce.report.stored_words import Stored, field_name, model_with, value_text

_FIGURES = {
    "area_by_energy": "Area against energy: measured, at infinity, by the model alone. A "
    "measured point beside the model by more than its bar means that flux, mirror or model "
    "is not what the settings say.",
    "monitor": "Rate of the monitor in every exposure, over the mean of its kind. "
    "A slope is drift of the source, which the monitor takes out.",
    "vignetting": "Vignetting at the beamline and for a star. They differ: at the beamline "
    "each nesting's area is flat until the angle exceeds radius over source distance.",
    "vignetting_map": "Vignetting of a star over the field, with the optical axis.",
    "hpd_off_axis": "HPD against the angle off the axis, measured and for a star.",
}


def area_sections(results: ResultsFolder) -> list[Section]:
    """Return parts about areas; nothing where none was measured."""
    areas = results.content.get("effective_areas") or {}
    fields = results.content.get("off_axis") or []
    sections = []
    if areas.get("by_energy") or areas.get("monitor"):
        content = {
            "rows": [_row(row) for row in areas.get("by_energy", [])],
            "aperture": areas.get("aperture", "full"),
            "taken": model_with(results.mirror),
            "figures": _figures(results, ("area_by_energy", "monitor"), ""),
        }
        sections.append(
            Section(
                anchor="areas",
                title="Effective areas of the whole mirror",
                body=render("areas.html", content),
            )
        )
    sections += [_field(results, entry, k) for k, entry in enumerate(fields)]
    return sections


def _row(row: Stored) -> dict[str, object]:
    return {
        "energy": f"{row['energy_keV']:.4g}",
        "measured": value_text(row["effective_area_measured_cm2"]),
        "infinity": value_text(row["effective_area_infinity_cm2"]),
        "predicted": value_text(row["predicted_infinity_cm2"]),
        "ratio": f"{row['beam_over_star']:.4f}",
        "of": ", ".join(row["measurements"]),
    }


def _figures(
    results: ResultsFolder, kinds: Sequence[str], name: str
) -> list[dict[str, object]]:
    data = {"area_by_energy": "areas", "vignetting_map": "vignetting"}
    data |= {"hpd_off_axis": "off_axis"}
    shown = []
    for kind in kinds:
        words = _FIGURES[kind]
        image = picture(results.folder / f"{kind}{name}", words.split(". ", maxsplit=1)[0])
        table = f"{data.get(kind, kind)}{name}.ecsv"
        if image is not None:
            there = (results.folder / table).is_file()
            shown.append(
                {"image": image, "caption": words, "data": table if there else None}
            )
    return shown


def _field(results: ResultsFolder, entry: Mapping[str, object], place: int) -> Section:
    blades = {True: ", with pre-collimator", False: ", without pre-collimator"}
    name = f"_{field_name(entry)}"
    title = f"Off the axis at {entry['energy_keV']:.4g} keV"
    title += f", {entry['detector']}" if entry["detector"] else ""
    content = {
        "points": [_point(row) for row in entry.get("points") or []],
        "axes": _axes(entry.get("optical_axis") or {}),
        "facts": _facts(entry) + _scales(entry),
        "taken": model_with(results.mirror),
        "notes": sorted((entry.get("notes") or {}).items()),
        "figures": _figures(
            results, ("vignetting", "vignetting_map", "hpd_off_axis"), name
        ),
    }
    return Section(
        anchor=f"field-{place}",
        title=title + blades.get(entry["pre_collimator"], ""),
        body=render("field.html", content),
    )


def _point(row: Stored) -> dict[str, object]:
    off_axis = f"{row['off_axis_arcmin']:g}"
    if row["off_axis_arcmin"] and row["azimuth_deg"] is not None:
        off_axis += f" at {row['azimuth_deg']:g} deg"
    return {
        "id": row["id"],
        "off_axis": off_axis,
        "distance": f"{row['detector_distance_mm']:.6g}",
        "cells": [
            value_text(row[key])
            for key in (
                "effective_area_measured_cm2",
                "normalised_measured",
                "effective_area_infinity_cm2",
                "normalised_infinity",
                "hpd_measured_arcsec",
                "hpd_infinity_arcsec",
            )
        ],
    }


def _axes(found: Mapping[str, object]) -> list[tuple[str, str]]:
    rows = []
    for key, words in (
        ("from_quadrants", "optical axis from opposite quadrants"),
        ("from_symmetry", "optical axis from symmetry"),
    ):
        axis = found.get(key)
        if axis:
            x, y = (value_text(axis[c]) for c in ("x_arcmin", "y_arcmin"))
            rows.append((words, f"x {x}, y {y} arcmin"))
        else:
            rows.append((words, "not determined"))
    return rows


def _facts(entry: Mapping[str, object]) -> list[tuple[str, str]]:
    rows = []
    curve = entry.get("vignetting") or {}
    if curve.get("half_arcmin") is not None:
        rows.append(("half of a star's area at", f"{curve['half_arcmin']:.3g} arcmin"))
    if curve.get("field_arcmin") is not None:
        rows.append(("model good to", f"{curve['field_arcmin']:.3g} arcmin"))
    for name, words in (("measured", "as measured"), ("infinity", "for a star")):
        fit = (entry.get("fits") or {}).get(name)
        if fit:
            rows.append(
                (
                    f"curve through the points, {words}",
                    f"chi-square {fit['chi_square']:.1f} for "
                    f"{fit['degrees_of_freedom']} degrees of freedom",
                )
            )
    return rows


def _scales(entry: Mapping[str, object]) -> list[tuple[str, str]]:
    rows = []
    for one in entry.get("plate_scale") or []:
        words = f"{value_text(one['arcsec_per_mm'])} arcsec/mm as measured"
        if one.get("model_arcsec_per_mm") is not None:
            words += f", {value_text(one['model_arcsec_per_mm'])} by the model"
        words += f", {one['expected_arcsec_per_mm']:.5g} one radian over the distance"
        rows.append((f"plate scale at {one['detector_distance_mm']:.6g} mm", words))
    return rows
