"""A small results folder, stated instead of reduced."""

import json

import numpy as np
from astropy.table import Table
from matplotlib.figure import Figure

from beamreduce.record import quantity_keys, toml_text
from beamreduce.reduction.results_files import results_table

HOSTILE = '"><img src=x onerror=alert(1)><script>alert(2)</script>&amp;'
FIGURES = ("image", "eef", "infinity", "profile", "growth")
FOLDS = ("residuals", "focus", "lit")


def quantity(value, statistical=0.1, systematic=0.0, model=0.0):
    return {
        "value": value,
        "uncertainty": float(np.sqrt(statistical**2 + systematic**2 + model**2)),
        "statistical": statistical,
        "systematic": systematic,
        "model": model,
    }


def measurement(identity, **changes):
    """One measurement as results.json holds it."""
    hpd, star = quantity(50.0, 0.3, 0.03), quantity(54.0, 0.1, 0.0, 0.4)
    return dict.fromkeys(quantity_keys()) | {
        "id": identity,
        "exposures": [f"{identity}_1"],
        "aperture": "full",
        "energy_keV": 4.511,
        "off_axis_arcmin": 0.0,
        "azimuth_deg": None,
        "detector": None,
        "detector_position_mm": None,
        "detector_distance_mm": 5544.0,
        "reference_radius_mm": 6.0,
        "reference_radius_arcsec": 223.23,
        "center_pixel": [500.0, 501.0],
        "center_uncertainty_pixel": [0.1, 0.2],
        "net_photons": quantity(50_000.0, 230.0),
        "background_per_pixel": quantity(0.01, 0.001),
        "flux_beyond_reference": quantity(0.004, 0.001, 0.0, 0.002),
        "filled_fraction": 0.001,
        "saturated_fraction": 0.0,
        "hpd_measured_arcsec": hpd,
        "hpd_measured_mm": quantity(1.35, 0.008),
        "w90_measured_arcsec": quantity(141.0, 1.0),
        "hpd_infinity_arcsec": star,
        "w90_infinity_arcsec": quantity(148.0, 0.6, 0.0, 4.0),
        "infinity_detector_distance_mm": 5200.0,
        "hpd_infinity_best_focus_arcsec": quantity(50.5, 0.2, 0.0, 0.3),
        "infinity_best_focus_mm": 5211.9,
        "effective_area_measured_cm2": None,
        "effective_area_infinity_cm2": None,
        "effective_area_within_reference_measured_cm2": None,
        "effective_area_within_reference_infinity_cm2": None,
        "primary_exercised_fraction": 0.41,
        "fit": {
            "chi_square": 243.0,
            "degrees_of_freedom": 262,
            "chance": 0.79,
            "accepted": True,
            "model_share": 0.46,
            "area_ratio": quantity(1.85, 0.003, 0.0, 0.004),
            "folded": ["one"],
            "cone_angle_stage": "none",
            "cone_angle_error_arcsec": 0.0,
            "slope_error_arcsec": 15.8,
        },
        "hpd_by_reference_radius": [
            {"reference_radius_mm": 3.0, "hpd_measured_arcsec": quantity(48.7)},
            {"reference_radius_mm": 4.5, "hpd_measured_arcsec": quantity(49.6)},
        ],
        "sectors": [
            {"start_deg": 0.0, "end_deg": 180.0, "share": quantity(0.5, 0.01),
             "half_power_radius_mm": quantity(0.7, 0.01)},
            {"start_deg": 180.0, "end_deg": 360.0, "share": quantity(0.5, 0.01),
             "half_power_radius_mm": None},
        ],
        "uncertainty_budget": [
            {"term": "photon counting", "kind": "statistical",
             "hpd_measured_arcsec": 0.3, "w90_measured_arcsec": 1.0},
            {"term": "families", "kind": "model",
             "hpd_infinity_arcsec": 0.4, "w90_infinity_arcsec": 4.0},
        ],
        "blur_budget": [
            {"term": "pixel", "hpd_measured_arcsec": 0.85, "hpd_infinity_arcsec": None}
        ],
        "conventions": {"background": "exposure", "center": "centroid"},
        "matched": {"background": ["off_1"], "flat": []},
        "inputs": {f"frames/{identity}.fits": "0" * 64, "frames/off.fits": "1" * 64},
        "notes": {"effective_area_measured_cm2": "no direct exposure",
                  "effective_area_infinity_cm2": "no direct exposure"},
        "key": "k",
    } | changes  # fmt: skip


def write_results(folder, measurements, *, figures=False, **settings):
    """Write what a report is made from."""
    folder.mkdir(parents=True, exist_ok=True)
    results = {
        "format": "beamreduce-results/1",
        "version": "0.1.0",
        "campaign": settings.pop("campaign", "small"),
        "focus": [],
        "effective_areas": settings.pop("effective_areas", {}),
        "off_axis": settings.pop("off_axis", []),
        "not_tested": ["Vibration was not tested."],
        "measurements": measurements,
    }
    (folder / "results.json").write_text(json.dumps(results))
    results_table(measurements).write(folder / "results.ecsv", overwrite=True)
    used = {
        "facility": {"source_distance": "86.0 m"},
        "mirror": {"optical_constants": "henke", "roughness_model": "nevot_croce"},
        "detectors": {"detector": {"pixel_size": "20.0 um"}},
        "uncertainties": {"detector.pixel_size": "0.01 um"},
    } | settings
    (folder / "settings.toml").write_text(toml_text(used))
    for m in measurements:
        radius = np.linspace(2.0, 220.0, 80)
        rows = {
            "radius_angle": radius,
            "eef": radius / 220,
            "eef_uncertainty": 0 * radius + 0.01,
        }
        rows |= {
            "eef_infinity": radius / 225,
            "eef_infinity_uncertainty": 0 * radius + 0.02,
        }
        Table(rows).write(folder / f"eef_{m['id']}.ecsv", overwrite=True)
    if figures:
        names = [f"{kind}_{m['id']}" for kind in FIGURES for m in measurements]
        names += [f"{kind}_plate" for kind in FOLDS]
        for name in names:
            figure = Figure(figsize=(3, 2))
            figure.subplots().plot([0, 1])
            figure.savefig(folder / f"{name}.png")
            if not name.startswith("image"):
                figure.savefig(folder / f"{name}.svg", metadata={"Date": None})
        keys = {"keys": {i: "k" for m in measurements for i in m["fit"]["folded"]}}
        (folder / "folded_plate.json").write_text(json.dumps(keys))
    return folder
