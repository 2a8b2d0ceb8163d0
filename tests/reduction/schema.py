"""What results.json has to hold, written down apart from the code that makes it."""

import json
import math
from pathlib import Path

QUANTITIES = (
    "net_photons",
    "background_per_pixel",
    "flux_beyond_reference",
    "hpd_measured_arcsec",
    "hpd_measured_mm",
    "w90_measured_arcsec",
    "hpd_infinity_arcsec",
    "w90_infinity_arcsec",
    "hpd_infinity_best_focus_arcsec",
    "effective_area_measured_cm2",
    "effective_area_infinity_cm2",
    "effective_area_within_reference_measured_cm2",
    "effective_area_within_reference_infinity_cm2",
)
NUMBERS = (
    "energy_keV",
    "off_axis_arcmin",
    "detector_distance_mm",
    "reference_radius_mm",
    "reference_radius_arcsec",
    "filled_fraction",
    "saturated_fraction",
)
NUMBERS_OR_NULL = ("azimuth_deg", "infinity_detector_distance_mm",
                   "infinity_best_focus_mm", "primary_exercised_fraction")  # fmt: skip
OTHERS = (
    "id",
    "exposures",
    "aperture",
    "center_pixel",
    "center_uncertainty_pixel",
    "fit",
    "sectors",
    "uncertainty_budget",
    "blur_budget",
    "notes",
)
PARTS = {"value", "uncertainty", "statistical", "systematic", "model"}
FIT = {"chi_square", "degrees_of_freedom", "accepted", "model_share"}


def read_strictly(path):
    """Read JSON; NaN and infinities, which JSON does not know, are errors."""

    def refuse(word):
        raise AssertionError(f"{path} holds {word}")

    text = Path(path).read_text(encoding="utf-8")
    return json.loads(text, parse_constant=refuse)


def check_results(folder):
    """Check results.json of a results folder; returns its measurements by id."""
    stored = read_strictly(folder / "results.json")
    assert {"format", "version", "campaign", "focus", "not_tested", "measurements"} <= set(
        stored
    )
    assert stored["not_tested"]
    assert all(sentence.endswith(".") for sentence in stored["not_tested"])
    assert stored["format"] == "beamreduce-results/1"
    assert isinstance(stored["version"], str)
    assert isinstance(stored["campaign"], str)
    assert isinstance(stored["focus"], list)
    for measurement in stored["measurements"]:
        check_measurement(measurement)
    ids = [measurement["id"] for measurement in stored["measurements"]]
    assert len(set(ids)) == len(ids)
    return {measurement["id"]: measurement for measurement in stored["measurements"]}


def check_measurement(m):
    wanted = {*QUANTITIES, *NUMBERS, *NUMBERS_OR_NULL, *OTHERS}
    assert wanted <= set(m), wanted - set(m)
    for key in NUMBERS:
        assert is_number(m[key]), key
    for key in ("filled_fraction", "saturated_fraction"):
        assert 0 <= m[key] <= 1
    for key in NUMBERS_OR_NULL:
        assert m[key] is None or is_number(m[key]), key
    for key in QUANTITIES:
        if m[key] is not None:
            check_quantity(m[key], key)
    for key in ("center_pixel", "center_uncertainty_pixel"):
        assert len(m[key]) == 2
        assert all(is_number(x) for x in m[key])
    assert all(isinstance(name, str) for name in m["exposures"])
    assert m["exposures"]
    assert m["fit"] is None or set(m["fit"]) >= FIT
    for key in ("sectors", "uncertainty_budget", "blur_budget"):
        assert isinstance(m[key], list)
    assert all(isinstance(note, str) and note for note in m["notes"].values())
    for key, value in m.items():
        if value is None and key != "azimuth_deg":
            assert key in m["notes"], f"{m['id']}: {key} is null without a note"
    check_nested(m)
    check_areas(m)


def check_areas(m):
    """No area is smaller than the part of it inside the reference radius."""
    for place in ("measured", "infinity"):
        whole = m[f"effective_area_{place}_cm2"]
        inside = m[f"effective_area_within_reference_{place}_cm2"]
        if whole is not None and inside is not None:
            assert whole["value"] >= inside["value"] * (1 - 1e-12)


def check_nested(m):
    """Quantities inside lists obey the same rules; a null there is told in the notes."""
    for key, value in m.items():
        for row in value if isinstance(value, list) else ():
            for name, entry in row.items() if isinstance(row, dict) else ():
                if isinstance(entry, dict):
                    check_quantity(entry, f"{key}.{name}")
                if entry is None:
                    assert key in m["notes"], f"{m['id']}: {key}.{name} is null"


def check_quantity(quantity, key):
    assert set(quantity) == PARTS, key
    assert all(is_number(part) for part in quantity.values()), key
    parts = [quantity[kind] for kind in ("statistical", "systematic", "model")]
    assert min(parts) >= 0, key
    # In quadrature; the rest is rounding of 64-bit numbers.
    assert math.isclose(quantity["uncertainty"], math.hypot(*parts), rel_tol=1e-12), key


def is_number(value):
    return isinstance(value, int | float) and not isinstance(value, bool)
