"""Results folders written as a run writes them, from numbers that a test chooses."""

import json

import numpy as np

from beamreduce.encircled_energy import UncertainCurve, write_curves
from beamreduce.record import Measurement, Uncertain, toml_text
from beamreduce.reduction.results_files import results_table
from beamreduce.units import arcsec_per_mm

DISTANCE_MM = 5544.0
REFERENCE_MM = 6.0
PIXEL_MM = 0.02
SETTINGS = {
    "format": "beamreduce-settings/1",
    "version": "0.1.0",
    "facility": {"source_distance": "86.0 m", "source_diameter": "0.5 mm"},
    "mirror": {
        "focal_length": "5.2 m",
        "inner_radius": "70.0 mm",
        "outer_radius": "190.0 mm",
        "reflector_length": "90.0 mm",
        "reflector_thickness": "0.17 mm",
        "coating": "Au",
        "roughness": "0.5 nm",
    },
    "detectors": {"detector": {"name": "", "pixel_size": "20.0 um"}},
    "uncertainties": {"mirror.roughness": "0.1 nm"},
}


def settings_with(**tables):
    """The usual settings with entries of some tables changed."""
    return {
        key: {**value, **tables.get(key, {})} if isinstance(value, dict) else value
        for key, value in SETTINGS.items()
    }


def measurement(identity="focus", *, hpd=50.0, counting=0.3, **changes):
    """One measurement: HPD in arcsec with its counting uncertainty, and a budget."""
    pixel, roughness = 5e-4 * hpd, 2e-3 * hpd
    budget = (
        {"term": "photon counting and detector noise", "kind": "statistical",
         "hpd_measured_arcsec": counting},
        {"term": "pixel size", "kind": "systematic", "hpd_measured_arcsec": pixel},
        {"term": "photon counting", "kind": "statistical", "hpd_infinity_arcsec": counting},
        {"term": "roughness", "kind": "systematic", "hpd_infinity_arcsec": roughness},
    )  # fmt: skip
    fields = {
        "id": identity,
        "exposures": (identity,),
        "aperture": "full",
        "energy_keV": 4.511,
        "off_axis_arcmin": 0.0,
        "azimuth_deg": None,
        "detector_distance_mm": DISTANCE_MM,
        "reference_radius_mm": REFERENCE_MM,
        "reference_radius_arcsec": REFERENCE_MM * arcsec_per_mm(DISTANCE_MM),
        "center_pixel": (500.0, 510.0),
        "center_uncertainty_pixel": (0.1, 0.1),
        "net_photons": Uncertain(value=30_000.0, statistical=180.0),
        "hpd_measured_arcsec": Uncertain(value=hpd, statistical=counting, systematic=pixel),
        "hpd_measured_mm": Uncertain(value=hpd / 37.2, statistical=counting / 37.2),
        "hpd_infinity_arcsec": Uncertain(
            value=hpd, statistical=counting, systematic=roughness
        ),
        "fit": {"folded": [identity]},
        "uncertainty_budget": budget,
        "inputs": {f"frames/{identity}.fits": f"{identity} {hpd!r}"},
    }
    return Measurement(**(fields | changes))


def curve_of(hpd=50.0, photons=30_000.0, *, seed=None, reference_mm=REFERENCE_MM):
    """A round Gaussian's curve with this HPD, drawn from so many photons."""
    reference = reference_mm * arcsec_per_mm(DISTANCE_MM)
    radii = np.linspace(0, reference, 151)[1:]
    sigma = hpd / 2 / np.sqrt(2 * np.log(2))
    fraction = 1 - np.exp(-((radii / sigma) ** 2) / 2)
    fraction /= fraction[-1]
    smaller = np.minimum.outer(fraction, fraction)
    covariance = (smaller - np.outer(fraction, fraction)) / photons
    if seed is not None:
        rings = np.diff(fraction, prepend=0.0)
        rng = np.random.default_rng(seed)
        fraction = np.cumsum(rng.multinomial(int(photons), rings)) / photons
    return UncertainCurve(radius_arcsec=radii, fraction=fraction, covariance=covariance)


def write_results(folder, measurements, *, settings=SETTINGS, curves=None):
    """Write a results folder; returns it."""
    folder.mkdir(parents=True)
    plain = [one.to_json() for one in measurements]
    stored = {
        "format": "beamreduce-results/1",
        "version": "0.1.0",
        "campaign": folder.name,
        "focus": [],
        "not_tested": ["Nothing."],
        "measurements": plain,
    }
    (folder / "results.json").write_text(json.dumps(stored, indent=1))
    results_table(plain).write(folder / "results.ecsv", format="ascii.ecsv")
    (folder / "settings.toml").write_text(toml_text(settings))
    for identity, (measured, star) in (curves or {}).items():
        write_curves(folder, identity, measured, star)
    return folder


def before_and_after(folder):
    """Results of a mirror before and after a quadrant moved by 20 pixels; two folders."""
    places = [(500.0, 500.0), (510.0, 500.0), (490.0, 500.0), (500.0, 510.0)]
    sides = []
    for name, moved, hpd, seed in (("before", 0, 50.0, 1), ("after", 20, 50.4, 2)):
        quadrants = [
            measurement(
                f"quadrant_{k + 1}",
                aperture=f"Q{k + 1}",
                center_pixel=(x + moved * (k == 2), y),
                inputs={f"frames/{name}_{k}": f"{name} {k}"},
            )
            for k, (x, y) in enumerate(places)
        ]
        whole = measurement(hpd=hpd, inputs={"frames/f": name})
        curve = curve_of(hpd, seed=seed)
        sides.append(
            write_results(
                folder / name, [whole, *quadrants], curves={"focus": (curve, curve)}
            )
        )
    return tuple(sides)
