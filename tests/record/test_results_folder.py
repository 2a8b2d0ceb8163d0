"""Folders that are no results, and results that somebody has changed."""

import json

import pytest

from beamreduce.before_after import compare_results
from beamreduce.errors import ResultsError
from beamreduce.record import Uncertain, read_results
from tests.before_after.made_results import curve_of, measurement, write_results


@pytest.fixture
def folder(tmp_path):
    return write_results(
        tmp_path / "r", [measurement(), measurement("al", energy_keV=1.487)]
    )


def changed(folder, change):
    path = folder / "results.json"
    stored = json.loads(path.read_text())
    change(stored)
    path.write_text(json.dumps(stored))


def test_what_a_run_wrote_is_read(folder):
    found = read_results(folder)
    assert list(found.measurements) == ["focus", "al"]
    assert set(found.checksums) == {"results.json", "results.ecsv", "settings.toml"}


@pytest.mark.parametrize(
    ("spoil", "words"),
    [
        (lambda f: (f / "results.json").unlink(), "found no such file"),
        (lambda f: (f / "results.json").write_text("{"), "no sound JSON"),
        (lambda f: (f / "results.json").write_text("[1]"), "no JSON object"),
        (lambda f: (f / "results.json").write_text('{"a": NaN}'), "NaN in it"),
        (lambda f: (f / "results.json").write_bytes(b"\xff\xfe"), "no sound JSON"),
        (lambda f: (f / "settings.toml").unlink(), "settings that cannot be read"),
        (lambda f: (f / "settings.toml").write_text("a ="), "settings that cannot be read"),
        (lambda f: (f / "results.ecsv").unlink(), "that cannot be read"),
        (lambda f: (f / "results.ecsv").write_text("a b\n1 2\n"), "that cannot be read"),
    ],
)
def test_damaged_files_are_named(folder, spoil, words):
    spoil(folder)
    with pytest.raises(ResultsError, match="found ") as error:
        read_results(folder)
    assert words in str(error.value)
    assert "expected" in str(error.value)


def set_value(stored, key, part, value):
    stored["measurements"][0][key][part] = value


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (
            lambda s: s.update(format="beamreduce-results/2"),
            "format 'beamreduce-results/2'",
        ),
        (lambda s: s.update(format="beamreduce-quadrants/1"), "beamreduce-quadrants/1"),
        (lambda s: s.update(measurements=[]), "no measurements"),
        (lambda s: s["measurements"].append(s["measurements"][0]), "focus twice"),
        (lambda s: s["measurements"].pop(), "results.ecsv: found measurements al, focus"),
        (lambda s: s["measurements"].__setitem__(0, 3), "no object as measurement 1"),
        (lambda s: s["measurements"][0].pop("aperture"), "None for aperture"),
        (lambda s: s["measurements"][0].update(energy_keV="4"), "'4' for energy_keV"),
        (lambda s: s["measurements"][0].update(center_pixel=[1]), "[1] for center_pixel"),
        (
            lambda s: set_value(s, "hpd_measured_arcsec", "value", 49.0),
            "49.0 for the value",
        ),
        (lambda s: set_value(s, "hpd_measured_arcsec", "value", None), "numbers for value"),
        (
            lambda s: set_value(s, "hpd_measured_arcsec", "statistical", 0.1),
            "whose parts give",
        ),
        (lambda s: set_value(s, "hpd_measured_arcsec", "model", -1.0), "whose parts give"),
        (lambda s: s["measurements"][0].update(hpd_measured_arcsec=None), "has 50.0"),
    ],
)
def test_edited_results_are_refused(folder, change, words):
    changed(folder, change)
    with pytest.raises(ResultsError, match=r"results\.(json|ecsv): found") as error:
        read_results(folder)
    assert words in str(error.value)


@pytest.mark.parametrize("name", ["nowhere", "file"])
def test_no_folder_at_all(tmp_path, name):
    (tmp_path / "file").write_text("")
    with pytest.raises(ResultsError, match="no such folder"):
        read_results(tmp_path / name)


@pytest.mark.parametrize("damage", ["cut", "a byte"])
def test_a_damaged_curve_is_named(tmp_path, damage):
    sides = []
    for name in ("a", "b"):
        curves = {"focus": (curve_of(), None)}
        sides.append(write_results(tmp_path / name, [measurement()], curves=curves))
    path = sides[1] / "eef_covariance_focus.fits"
    content = bytearray(path.read_bytes())
    content[-3000] ^= 1
    path.write_bytes(content[:5000] if damage == "cut" else content)
    with pytest.raises(ResultsError, match="found no sound curves in it"):
        compare_results(*sides)


def test_null_with_its_note_is_fine(tmp_path):
    one = measurement(
        hpd_measured_arcsec=None,
        hpd_measured_mm=None,
        net_photons=Uncertain(value=3.0, statistical=1.0),
    )
    assert read_results(write_results(tmp_path / "n", [one])).measurements
