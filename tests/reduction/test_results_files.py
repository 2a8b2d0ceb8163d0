import hashlib
import json
import os
import shutil
import subprocess
import tomllib
import warnings

import astropy.units as u
import numpy as np
import pytest
from astropy.io import fits
from astropy.table import QTable, Table
from prov.model import ProvDocument

from beamreduce.record import software_versions
from tests.folders import IMAGE_DISTANCE, PLATE
from tests.reduction.runs import REPLICATES, contents
from tests.reduction.schema import QUANTITIES, check_results, read_strictly

ARCSEC = 180 * 3600 / np.pi
IDS = ("al", "q1", "ti")
FILES = (
    ("eef", "ecsv"),
    ("eef_covariance", "fits"),
    ("net", "fits"),
    ("rings", "fits"),
    ("measured", "json"),
)
FOLDS = ("plate", "Q1+2arcmin+45deg")
BUDGET_KINDS = ("statistical", "systematic", "model")


def test_results_obey_the_contract(results):
    assert tuple(check_results(results)) == IDS
    stored = read_strictly(results / "results.json")
    assert stored["campaign"] == "small"
    assert stored["version"] == software_versions()["beamreduce"]


def test_what_is_there_is_what_is_promised(results):
    whole = {"results.json", "results.ecsv", "provenance.json", "settings.toml"}
    whole |= {"report.html", "versions.txt"}
    each = {f"{kind}_{i}.{end}" for kind, end in FILES for i in IDS}
    folds = {f"folded_{name}.json" for name in FOLDS}
    assert set(contents(results)) == whole | each | folds
    assert set(read_strictly(results / "run_log.json")) == {
        "started", "ended", "seconds", "host", "software",
    }  # fmt: skip


def test_settings_of_a_measurement_are_those_of_its_rows(results):
    found = check_results(results)
    assert found["ti"]["exposures"] == ["ti-1", "ti-2"]
    assert found["al"]["exposures"] == ["al"]
    assert (found["al"]["energy_keV"], found["ti"]["energy_keV"]) == (1.487, 4.511)
    assert (found["q1"]["aperture"], found["ti"]["aperture"]) == ("Q1", PLATE)
    assert (found["q1"]["azimuth_deg"], found["ti"]["azimuth_deg"]) == (45.0, None)
    assert (found["q1"]["off_axis_arcmin"], found["ti"]["off_axis_arcmin"]) == (2.0, 0.0)
    assert found["ti"]["matched"] == {
        "background": ["off-1", "off-2"],
        "direct": ["open-1"],
        "direct_background": ["off-1", "off-2"],
        "bias": ["bias-1", "bias-2"],
        "dark": ["dark-1", "dark-2"],
        "flat": [],
        "flat_dark": [],
    }
    assert found["al"]["matched"]["direct"] == []
    assert "areas are null" in found["al"]["notes"]["direct"]


@pytest.mark.parametrize("name", IDS)
def test_angles_are_offsets_over_the_distance(results, name):
    found = check_results(results)[name]
    assert found["detector_distance_mm"] == IMAGE_DISTANCE
    for size in ("hpd_measured", "w90_measured"):
        mm, arcsec = found[f"{size}_mm"], found[f"{size}_arcsec"]
        factor = ARCSEC / IMAGE_DISTANCE
        assert arcsec["value"] == pytest.approx(mm["value"] * factor, rel=1e-12)
        assert arcsec["statistical"] == pytest.approx(mm["statistical"] * factor, rel=1e-9)
    assert found["reference_radius_arcsec"] == pytest.approx(
        found["reference_radius_mm"] * ARCSEC / IMAGE_DISTANCE, rel=1e-12
    )


def test_declared_uncertainties_reach_the_diameters(results):
    """0.05 of 20 µm, and for al 2 mm of the distance; the gain moves photons only."""
    found = check_results(results)
    for name, distance in (("ti", 0.0), ("al", 2.0 / IMAGE_DISTANCE)):
        for size in ("hpd_measured", "w90_measured"):
            mm, arcsec = found[name][f"{size}_mm"], found[name][f"{size}_arcsec"]
            assert mm["systematic"] == pytest.approx(0.0025 * mm["value"])
            assert arcsec["systematic"] == pytest.approx(
                np.hypot(0.0025, distance) * arcsec["value"]
            )
        photons = found[name]["net_photons"]
        assert photons["systematic"] == pytest.approx(0.01 * photons["value"])


@pytest.mark.parametrize("name", IDS)
@pytest.mark.parametrize("size", ["hpd_measured_arcsec", "w90_measured_arcsec"])
def test_the_budget_adds_up_to_what_is_quoted(results, name, size):
    found = check_results(results)[name]
    for kind in BUDGET_KINDS:
        terms = [t[size] for t in found["uncertainty_budget"] if t["kind"] == kind]
        assert np.hypot.reduce([0.0, *terms]) == pytest.approx(
            found[size][kind], rel=1e-6, abs=1e-12
        )


def test_hpd_is_given_for_three_reference_radii(results):
    for found in check_results(results).values():
        others = found["hpd_by_reference_radius"]
        shares = [
            row["reference_radius_mm"] / found["reference_radius_mm"] for row in others
        ]
        assert shares == pytest.approx([0.5, 0.75])
        assert all(row["hpd_measured_arcsec"]["uncertainty"] > 0 for row in others)


def test_the_table_equals_the_json(results):
    table = QTable.read(results / "results.ecsv", format="ascii.ecsv")
    found = check_results(results)
    assert list(table["id"]) == list(IDS)
    assert table["exposures"][2] == "ti-1 ti-2"
    for name, line in zip(IDS, table, strict=True):
        for key in QUANTITIES:
            for part, column in (("value", key), ("uncertainty", f"{key}_uncertainty")):
                same_cell(line[column], found[name][key] and found[name][key][part])
        for key in ("energy_keV", "azimuth_deg", "reference_radius_mm", "filled_fraction",
                    "infinity_detector_distance_mm", "infinity_best_focus_mm"):  # fmt: skip
            same_cell(line[key], found[name][key])
        center = [line[f"center_{axis}_pixel"].to_value(u.pix) for axis in "xy"]
        assert center == found[name]["center_pixel"]


def same_cell(cell, number):
    """A cell of the table and a number of the JSON, both absent or both the same."""
    if number is None:
        assert np.all(getattr(cell, "mask", cell is np.ma.masked))
    else:
        assert float(getattr(cell, "value", cell)) == number


def test_columns_have_units(results):
    table = Table.read(results / "results.ecsv", format="ascii.ecsv")
    for column, unit in (
        ("hpd_measured_arcsec", u.arcsec),
        ("hpd_measured_arcsec_uncertainty", u.arcsec),
        ("effective_area_infinity_cm2", u.cm**2),
        ("energy_keV", u.keV),
        ("reference_radius_mm", u.mm),
        ("azimuth_deg", u.deg),
        ("net_photons", u.ph),
        ("background_per_pixel", u.ph / u.pix),
    ):
        assert table[column].unit == unit, column


@pytest.mark.parametrize("name", IDS)
def test_the_curve_has_the_columns_of_the_contract(results, name):
    curve = Table.read(results / f"eef_{name}.ecsv", format="ascii.ecsv")
    assert curve.colnames == [
        "radius", "radius_angle", "eef", "eef_uncertainty", "eef_infinity",
        "eef_infinity_uncertainty", "covered_area",
    ]  # fmt: skip
    assert (curve["radius"].unit, curve["radius_angle"].unit) == (u.mm, u.arcsec)
    assert np.all(curve["eef_infinity"].mask)
    assert np.all(np.diff(curve["radius"]) > 0)
    found = check_results(results)[name]
    assert curve["radius"][-1] == pytest.approx(found["reference_radius_mm"], rel=1e-12)
    assert curve["radius_angle"][-1] == pytest.approx(
        found["reference_radius_arcsec"], rel=1e-12
    )
    assert curve["eef"][-1] == pytest.approx(1.0, rel=1e-12)
    assert curve["eef_uncertainty"][-1] == pytest.approx(0.0, abs=1e-9)
    assert np.all(curve["covered_area"] == pytest.approx(1.0))
    half = np.interp(0.5, curve["eef"], np.asarray(curve["radius"]) ** 2) ** 0.5
    assert found["hpd_measured_mm"]["value"] == pytest.approx(2 * half, rel=1e-3)


@pytest.mark.parametrize("name", IDS)
def test_net_images_have_checksums_that_fit(results, name):
    path = results / f"net_{name}.fits"
    with warnings.catch_warnings():
        warnings.simplefilter("error")  # a wrong checksum is a warning to the reader
        with fits.open(path, checksum=True) as content:
            assert [hdu.name for hdu in content] == ["NET", "VARIANCE", "MASK"]
            assert all("CHECKSUM" in h.header and "DATASUM" in h.header for h in content)
            assert not any(":" in h.header.comments["CHECKSUM"] for h in content)
            assert content["NET"].data.shape == (64, 64)
            assert np.all(content["VARIANCE"].data > 0)
            assert not content["MASK"].data.any()
            header = content["NET"].header
    found = check_results(results)[name]
    assert header["XCENTER"] == found["center_pixel"][0]
    assert header["MEASID"] == name


@pytest.mark.parametrize("name", IDS)
def test_net_images_pass_the_verifier(results, name):
    program = shutil.which("fitsverify")
    if program is None:
        assert os.environ.get("CI") != "true", "CI must have fitsverify"
        pytest.skip("the program fitsverify is not installed")
    path = results / f"net_{name}.fits"
    done = subprocess.run(
        [program, "-q", path], capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stdout
    assert "verification OK" in done.stdout


def test_photons_of_the_net_image_are_those_that_are_quoted(results):
    """Whole pixels in the circle against exact overlap: the border holds hardly any."""
    found = check_results(results)["ti"]
    data = fits.getdata(results / "net_ti.fits").astype(float)
    y, x = np.indices(data.shape)
    radius = np.hypot(x - found["center_pixel"][0], y - found["center_pixel"][1])
    inside = data[radius <= found["reference_radius_mm"] / 0.02].sum()
    # Border pixels: 2π·31 of them with 0.04 photons each, of which half are in doubt.
    assert inside == pytest.approx(found["net_photons"]["value"], abs=10)


def test_provenance_is_read_by_an_independent_library(results, campaign):
    document = ProvDocument.deserialize(results / "provenance.json", format="json")
    kinds = {type(record).__name__ for record in document.get_records()}
    assert {"ProvEntity", "ProvActivity", "ProvAgent", "ProvUsage"} <= kinds
    frames = {}
    for record in document.get_records():
        attributes = {str(name): value for name, value in record.attributes}
        if str(record.identifier).startswith("br:frame/"):
            frames[attributes["br:path"]] = attributes["br:sha256"]
    assert len(frames) == 11
    for file, digest in frames.items():
        assert digest == hashlib.sha256((campaign / file).read_bytes()).hexdigest()
    inputs = {}
    for found in check_results(results).values():
        inputs |= found["inputs"]
    assert inputs == frames


def test_provenance_names_every_file_once_and_no_other(results):
    document = json.loads((results / "provenance.json").read_text())
    made = [relation["prov:entity"] for relation in document["wasGeneratedBy"].values()]
    assert len(made) == len(set(made))  # an entity has one maker (PROV-CONSTRAINTS 6.1)
    files = {name.removeprefix("br:") for name in made if "/" not in name}
    about_itself = {"provenance.json", "versions.txt"}
    assert files == set(contents(results)) - about_itself


def test_provenance_relates_only_what_it_describes(results):
    document = json.loads((results / "provenance.json").read_text())
    for relation in ("used", "wasGeneratedBy"):
        for one in document[relation].values():
            assert one["prov:entity"] in document["entity"]
            assert one["prov:activity"] in document["activity"]
    makers = {
        r["prov:entity"]: r["prov:activity"] for r in document["wasGeneratedBy"].values()
    }
    raw = set(document["entity"]) - set(makers)
    # Pictures in between have a maker; what has none is an input.
    assert {name.split("/")[0] for name in raw if "image" not in name} == {
        "br:input",
        "br:frame",
    }


def test_data_sums_are_those_of_an_independent_library(results, campaign):
    document = json.loads((results / "provenance.json").read_text())
    frames = [e for e in document["entity"].values() if "br:datasum" in e]
    assert len(frames) == 11
    for frame in frames:
        with fits.open(campaign / frame["br:path"]) as hdus:
            assert frame["br:datasum"].split() == [h.header["DATASUM"] for h in hdus]


def test_checksums_of_the_folder_hold_for_sha256sum(results):
    program = shutil.which("sha256sum")
    if program is None:
        pytest.skip("there is no program sha256sum here")
    said = subprocess.run(
        [program, "-c", "--strict", "SHA256SUMS"],
        cwd=results,
        capture_output=True,
        text=True,
    )
    assert said.returncode == 0, said.stdout
    files = {line.split(": ")[0] for line in said.stdout.splitlines()}
    assert files == set(contents(results))


def test_versions_are_those_that_are_installed(results):
    lines = (results / "versions.txt").read_text().split()
    found = dict(line.split("==") for line in lines)
    assert {"beamreduce", "numpy", "astropy", "numba", "matplotlib"} <= set(found)
    assert found["numpy"] == np.__version__
    assert list(found) == sorted(found)


def test_settings_are_those_that_were_used(results, campaign):
    settings = tomllib.loads((results / "settings.toml").read_text())
    found = check_results(results)["ti"]
    assert settings["reduction"]["reference_radius"] == f"{found['reference_radius_mm']} mm"
    assert settings["reduction"]["bootstrap_replicates"] == REPLICATES
    assert settings["reduction"]["background_scale"] == "time"  # a default
    assert settings["mirror"]["gap"] == "0.0 mm"  # another
    assert settings["facility"]["source_distance"] == "86.0 m"
    assert settings["uncertainties"]["facility.source_distance"] == "0.005 m"
    assert settings["uncertainties"]["detector.pixel_size"] == "0.05 um"
    assert (results / settings["campaign_folder"]).resolve() == campaign.resolve()
