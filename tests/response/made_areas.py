"""A results folder with areas that a test chooses, for response files."""

import astropy.units as u
import numpy as np
from astropy.io import fits
from astropy.table import QTable

from beamreduce.effective_area.terms import Term, with_terms
from beamreduce.mirror import MirrorDesign, nestings_from_design
from beamreduce.record import Uncertain
from beamreduce.response.mirror_model import Mirror, lights_of
from tests.before_after.made_results import SETTINGS, measurement, settings_with
from tests.before_after.made_results import write_results as write_plain

LINES = {"Al": 1.487, "Ti": 4.511, "Cu": 8.048}
DETECTOR = {
    "name": "",
    "pixel_size": "20.0 um",
    "mode": "integrating",
    "gain": "2.0 electron / adu",
    "read_noise": "6.0 electron",
    "electron_energy": "3.65 eV",
    "saturation": "60000.0 adu",
}
KEY = "effective_area_infinity_cm2"
WITHIN = "effective_area_within_reference_infinity_cm2"


def small_mirror():
    """A nest of a few pairs, so that tests are quick; as the settings below say."""
    design = MirrorDesign(
        focal_length=5.2 * u.m,
        inner_radius=170 * u.mm,
        outer_radius=190 * u.mm,
        reflector_length=90 * u.mm,
        reflector_thickness=0.17 * u.mm,
        coating="Au",
        roughness=0.5 * u.nm,
    )
    return Mirror(prescription=nestings_from_design(design), design=design)


def settings():
    return settings_with(mirror={"inner_radius": "170.0 mm"}) | {
        "campaign_folder": "nowhere",
        "detectors": {"detector": DETECTOR},
        "quadrants": {"Q1": ["0.0 deg", "90.0 deg"], "Q2": ["90.0 deg", "180.0 deg"]},
        "certificates": {"pixel_size": "PX-17"},
        "uncertainties": SETTINGS["uncertainties"] | {"detector.pixel_size": "0.01 um"},
    }


def model_area(energy_kev, **paths):
    mirror = small_mirror()
    lights = lights_of(mirror, np.array([energy_kev]), np.array([energy_kev]))
    return lights.areas(mirror.paths(**paths), [])[1][0]


def area_terms(relative=0.01, common=0.004):
    return (
        Term(name="photons", kind="statistical", relative=relative),
        Term(name="monitor", kind="systematic", relative=common, shared="monitor"),
        Term(name="families", kind="model", relative=0.002, shared="fold"),
    )


def line(identity, energy, area, *, terms=None, **changes):
    """One measurement with an area at infinity (cm²); None for none."""
    terms = area_terms() if terms is None else terms
    whole = None if area is None else with_terms(area, terms)
    within = None if area is None else with_terms(0.97 * area, terms)
    stored = {KEY: [t.to_json() for t in terms]} if area is not None else {}
    return measurement(
        identity,
        energy_keV=energy,
        effective_area_infinity_cm2=whole,
        effective_area_within_reference_infinity_cm2=within,
        area_at_infinity={"terms": stored} if area is not None else None,
        notes={KEY: "no direct row"} if area is None else {},
        **changes,
    )


def usual_measurements(factor=0.97):
    """Three lines on the axis, one quadrant, one angle; areas a factor off the model."""
    ones = [line(n, e, factor * model_area(e)) for n, e in LINES.items()]
    titanium = LINES["Ti"]
    quarter = model_area(titanium, between=(0.0, np.pi / 2))
    off = model_area(titanium, off_axis=3 * u.arcmin)
    return [
        *ones,
        line("Q1_Ti", titanium, factor * quarter, aperture="Q1"),
        line("off_Ti", titanium, factor * off, off_axis_arcmin=3.0, azimuth_deg=0.0),
    ]


def write_areas(folder, measurements=None, *, stored_settings=None):
    """Write a results folder with encircled energy and net images; returns it."""
    ones = usual_measurements() if measurements is None else measurements
    write_plain(folder, ones, settings=stored_settings or settings())
    for one in ones:
        _write_curve(folder, one)
        _write_image(folder, one)
    return folder


def _write_curve(folder, one):
    radius = np.linspace(0, one.reference_radius_arcsec, 121)[1:]
    share = 1 - np.exp(-((radius / 30) ** 2))
    table = QTable({"radius_angle": radius * u.arcsec})
    table["eef_infinity"] = share / share[-1]
    table["eef_infinity_uncertainty"] = 0.003 * (1 - share)
    table.write(folder / f"eef_{one.id}.ecsv", format="ascii.ecsv")


def _write_image(folder, one):
    image = np.zeros((24, 30), np.float32)
    image[12, 15] = 100.0
    hdu = fits.PrimaryHDU(image)
    for key, value in (
        ("XCENTER", 15.0), ("YCENTER", 12.0), ("PIXSIZE", 0.02), ("DETDIST", 5544.0),
    ):  # fmt: skip
        hdu.header[key] = value
    hdu.writeto(folder / f"net_{one.id}.fits")


def plain_area(value):
    return Uncertain(value=value, statistical=0.01 * value, systematic=0.004 * value)
