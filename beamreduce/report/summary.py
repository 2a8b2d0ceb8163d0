"""The page that is read in a minute."""

from collections.abc import Sequence

from beamreduce.record import ResultsFolder
from beamreduce.report.flags import flagged, flags, severe
from beamreduce.report.page import Section, picture, render
from beamreduce.report.stored_words import Stored, infinity_with, measured_with, value_text

_ALT = "Half-power diameter of every measurement, as measured and at infinity, with bars"
DIAMETERS = (
    ("hpd_measured_arcsec", "HPD measured"),
    ("w90_measured_arcsec", "W90 measured"),
    ("hpd_infinity_arcsec", "HPD at infinity"),
    ("w90_infinity_arcsec", "W90 at infinity"),
    ("hpd_infinity_best_focus_arcsec", "HPD at infinity, best focus"),
)
AREAS = (
    ("effective_area_measured_cm2", "area measured"),
    ("effective_area_infinity_cm2", "area at infinity"),
)


def summary_section(results: ResultsFolder) -> Section:
    """Return one row a measurement, and what must be looked at first."""
    measurements = list(results.measurements.values())
    areas = [pair for pair in AREAS if any(m[pair[0]] is not None for m in measurements)]
    rows = [_row(results, m, areas) for m in measurements]
    looked = flagged(measurements)
    content = {
        "rows": rows,
        "areas": [words for _, words in areas],
        "diameters": [words for _, words in DIAMETERS],
        "looked": looked,
        "picture": picture(results.folder / "diameters", _ALT),
        "severe": [str(m["id"]) for m in measurements if severe(m)],
    }
    return Section(
        anchor="summary", title="In one minute", body=render("summary.html", content)
    )


def _row(
    results: ResultsFolder, m: Stored, areas: Sequence[tuple[str, str]]
) -> dict[str, object]:
    off_axis = f"{m['off_axis_arcmin']:g}"
    if m["azimuth_deg"] is not None and m["off_axis_arcmin"]:
        off_axis += f" at {m['azimuth_deg']:g} deg"
    return {
        "id": m["id"],
        "energy": f"{m['energy_keV']:.3f}",
        "aperture": m["aperture"],
        "off_axis": off_axis,
        "values": [value_text(m[key]) for key, _ in DIAMETERS],
        "areas": [value_text(m[key]) for key, _ in areas],
        "measured_with": measured_with(m),
        "infinity_with": infinity_with(m, results.mirror),
        "best_focus_mm": m["infinity_best_focus_mm"],
        "flags": len(flags(m)),
        "severe": severe(m),
    }
