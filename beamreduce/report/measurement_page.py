"""Everything about one measurement."""

from beamreduce.record import ResultsFolder
from beamreduce.report.flags import flags, severe
from beamreduce.report.page import Section, picture, render
from beamreduce.report.stored_words import (
    Stored,
    infinity_with,
    measured_with,
    part_text,
    value_text,
)

_PARTS = ("statistical", "systematic", "model")
# Key, what it is, unit, factor to it, and which conventions belong to it.
_VALUES = (
    ("hpd_measured_arcsec", "HPD measured", "arcsec", 1.0, "measured"),
    ("hpd_measured_mm", "HPD measured", "mm", 1.0, "measured"),
    ("w90_measured_arcsec", "W90 measured", "arcsec", 1.0, "measured"),
    ("hpd_infinity_arcsec", "HPD at infinity", "arcsec", 1.0, "infinity"),
    ("w90_infinity_arcsec", "W90 at infinity", "arcsec", 1.0, "infinity"),
    ("hpd_infinity_best_focus_arcsec", "HPD at infinity, best focus", "arcsec", 1.0,
     "best"),
    ("effective_area_measured_cm2", "effective area measured", "cm²", 1.0, "measured"),
    ("effective_area_infinity_cm2", "effective area at infinity", "cm²", 1.0, "infinity"),
    ("effective_area_within_reference_measured_cm2",
     "effective area measured, within the reference radius", "cm²", 1.0, "measured"),
    ("effective_area_within_reference_infinity_cm2",
     "effective area at infinity, within the reference radius", "cm²", 1.0, "infinity"),
    ("net_photons", "net photons", "photons", 1.0, "measured"),
    ("background_per_pixel", "background", "photons a pixel", 1.0, "measured"),
    ("flux_beyond_reference", "flux beyond the reference radius", "% of that inside",
     100.0, "measured"),
)  # fmt: skip
_BLUR = ("hpd_measured_arcsec", "hpd_infinity_arcsec")
_FIGURES = {
    "image": "Net image. Look for light that is not round about the center, neighbours of "
    "bad pixels, and edges of the detector.",
    "eef": "Encircled energy as measured, with its band. A curve that still rises at the "
    "reference radius has light beyond it.",
    "infinity": "Encircled energy as measured and for a star, with bands.",
    "profile": "Radial profile. Points that level off show background left over or taken "
    "off too much.",
    "growth": "Curve of growth, with the background raised and lowered by its uncertainty. "
    "Curves that part at large radii say that the background rules the result.",
}
_DATA = {"image": "net_{}.fits", "eef": "eef_{}.ecsv", "infinity": "eef_{}.ecsv",
         "profile": "profile_{}.ecsv", "growth": "growth_{}.ecsv"}  # fmt: skip


def measurement_section(results: ResultsFolder, m: Stored) -> Section:
    """Return the part of the page about one measurement."""
    notes = m["notes"]
    content = {
        "m": m,
        "setting": _setting(m),
        "values": [_value(results, m, row) for row in _VALUES],
        "flags": flags(m),
        "severe": severe(m),
        "figures": _figures(results, m),
        "budgets": _budgets(results, m),
        "blur": [
            (row["term"], *(part_text(row[key]) for key in _BLUR))
            for row in m["blur_budget"]
        ],
        "fit": _fit(m),
        "configuration": configuration_of(m),
        "matched": [
            (kind, len(ids), ", ".join(ids))
            for kind, ids in m["matched"].items()
        ],
        "sectors": _sectors(m),
        "notes": sorted(notes.items()),
    }  # fmt: skip
    return Section(
        anchor=f"m-{m['id']}",
        title=str(m["id"]),
        body=render("measurement.html", content),
        level=2,
    )


def configuration_of(m: Stored) -> str | None:
    """Return the anchor of what a measurement was folded with; None without a fold."""
    fit = m["fit"]
    return None if fit is None else f"fold-{fit['folded'][0]}"


def _setting(m: Stored) -> list[tuple[str, str]]:
    center, spread = m["center_pixel"], m["center_uncertainty_pixel"]
    azimuth = "" if m["azimuth_deg"] is None else f" at azimuth {m['azimuth_deg']:g} deg"
    lit = m["primary_exercised_fraction"]
    lit_words = "not known" if lit is None else f"{100 * lit:.3g} % of their length"
    return [
        ("energy", f"{m['energy_keV']:.4g} keV"),
        ("aperture", str(m["aperture"])),
        ("off axis", f"{m['off_axis_arcmin']:g} arcmin{azimuth}"),
        ("detector distance", f"{m['detector_distance_mm']:.6g} mm"),
        ("center", ", ".join(
            f"{c:.3f} ± {s:.3f}" for c, s in zip(center, spread, strict=True)
        ) + " pixel (x, y; first pixel is 0)"),
        ("filled pixels", f"{100 * m['filled_fraction']:.2g} % of the photons"),
        ("saturated pixels", f"{100 * m['saturated_fraction']:.2g} % of the area"),
        ("primaries lit", lit_words),
        ("exposures", f"{len(m['exposures'])}: {', '.join(m['exposures'])}"),
    ]  # fmt: skip


def _value(
    results: ResultsFolder, m: Stored, row: tuple[str, str, str, float, str]
) -> dict[str, object]:
    key, words, unit, factor, taken = row
    stored = m[key]
    says = {
        "measured": measured_with(m),
        "infinity": infinity_with(m, results.mirror),
        "best": infinity_with(m, results.mirror, best_focus=True),
    }[taken]
    parts = [None] * 3 if stored is None else [factor * stored[p] for p in _PARTS]
    return {
        "words": words,
        "unit": unit,
        "text": value_text(stored, factor),
        "why": m["notes"].get(key, "no reason is recorded"),
        "parts": [part_text(part) for part in parts],
        "with": says,
    }


def _figures(results: ResultsFolder, m: Stored) -> list[dict[str, object]]:
    shown = []
    for name, caption in _FIGURES.items():
        image = picture(results.folder / f"{name}_{m['id']}", _alt(name, m))
        data = _DATA[name].format(m["id"])
        if image is not None:
            exists = (results.folder / data).is_file()
            shown.append(
                {"image": image, "caption": caption, "data": data if exists else None}
            )
    return shown


def _alt(name: str, m: Stored) -> str:
    hpd = value_text(m["hpd_measured_arcsec"])
    star = value_text(m["hpd_infinity_arcsec"])
    of = f"{m['id']} at {m['energy_keV']:.4g} keV"
    half = "no HPD" if hpd is None else f"HPD {hpd} arcsec"
    return {
        "image": f"Net image of {of}, with the circles of HPD, W90 and reference radius",
        "eef": f"Encircled energy of {of} against radius: {half}",
        "infinity": f"Encircled energy of {of} as measured, {half}, and for a star, "
        + ("no HPD" if star is None else f"HPD {star} arcsec"),
        "profile": f"Photons per area of {of} against radius",
        "growth": f"Net photons of {of} inside a circle against its radius, with the "
        "background raised and lowered by its uncertainty",
    }[name]


def _budgets(results: ResultsFolder, m: Stored) -> list[dict[str, object]]:
    tables = []
    for words, keys, taken in (
        ("Uncertainty of what was measured",
         ("hpd_measured_arcsec", "w90_measured_arcsec"), measured_with(m)),
        ("Uncertainty at infinity",
         ("hpd_infinity_arcsec", "w90_infinity_arcsec"), infinity_with(m, results.mirror)),
    ):  # fmt: skip
        rows = [
            (row["term"], row["kind"], *(part_text(row.get(key)) for key in keys))
            for row in m["uncertainty_budget"]
            if any(key in row for key in keys)
        ]
        if rows:
            tables.append({"words": words, "with": taken, "rows": rows})
    return tables


def _fit(m: Stored) -> list[tuple[str, str]]:
    fit = m["fit"]
    if fit is None:
        return []
    return [
        ("chi-square", f"{fit['chi_square']:.1f} for {fit['degrees_of_freedom']} degrees "
         f"of freedom; chance of a larger one {fit['chance']:.2g}"),
        ("accepted", "yes" if fit["accepted"] else "no"),
        ("area for a star over area at the beamline", value_text(fit["area_ratio"]) or "–"),
        ("share of the model", f"{100 * fit['model_share']:.1f} % of a star's light is not "
         "shown by the diverging beam"),
        ("slope error", f"{fit['slope_error_arcsec']:.3g} arcsec rms a reflection"),
        ("cone-angle error", f"{fit['cone_angle_error_arcsec']:.2g} arcsec "
         f"({fit['cone_angle_stage']})"),
        ("folded together", ", ".join(fit["folded"])),
    ]  # fmt: skip


def _sectors(m: Stored) -> list[tuple[str, str, str]]:
    return [
        (
            f"{one['start_deg']:g} to {one['end_deg']:g}",
            value_text(one["share"], 100.0) or "–",
            value_text(one["half_power_radius_mm"]) or "–",
        )
        for one in m["sectors"]
    ]
