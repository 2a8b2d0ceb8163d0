"""The command compare: an archived folder, whole or not at all, and one message."""

import json
import shutil
import tomllib

import prov.model
import pytest
from astropy.table import Table

from beamreduce.before_after import settings_from
from beamreduce.reduction.comparison_run import CompareOptions, compare_folders
from tests.before_after.made_results import before_and_after, measurement, write_results
from tests.reduction.runs import command, contents, snapshot


@pytest.fixture(scope="module")
def sides(tmp_path_factory):
    return before_and_after(tmp_path_factory.mktemp("sides"))


@pytest.fixture(scope="module")
def done(sides, tmp_path_factory):
    return compare_folders(*sides, tmp_path_factory.mktemp("done") / "compared")


def test_the_folder_is_that_of_a_run(done):
    names = {path.name for path in done.folder.iterdir()}
    assert {
        "comparison.json", "settings.toml", "provenance.json", "run_log.json",
        "report.html", "margins.png", "margins.svg",
        "difference_eef_measured_focus.ecsv", "difference_eef_measured_focus.png",
        "difference_eef_infinity_focus.svg",
    } <= names  # fmt: skip
    assert not any(name.startswith(".") for name in names)
    assert not done.folder.with_name("compared.partial").exists()


def test_comparison_obeys_the_format(done):
    stored = json.loads((done.folder / "comparison.json").read_text())
    assert stored["format"] == "beamreduce-comparison/1"
    for quantity in stored["quantities"]:
        assert {"id", "key", "before", "after", "difference", "margin", "verdict"} <= set(
            quantity
        )
        assert {"value", "uncertainty"} <= set(quantity["difference"])
        assert quantity["verdict"] in {"unchanged", "changed", "undecided"}
        assert (quantity["needs"] is None) == (quantity["verdict"] != "undecided")
    assert stored["verdict"] == "changed"
    assert all(entry["reason"] for entry in stored["not_compared"])


def test_settings_tell_what_was_compared(done, sides):
    stored = tomllib.loads((done.folder / "settings.toml").read_text())
    assert stored["command"] == "compare"
    for side, key in zip(sides, ("before_folder", "after_folder"), strict=True):
        assert (done.folder / stored[key]).resolve() == side.resolve()
    assert stored["compare"]["margins"]["hpd"] == "3 %"
    again = settings_from(stored["compare"], done.folder / "settings.toml")
    assert again == done.comparison.settings


def test_provenance_is_read_by_an_independent_library(done):
    text = (done.folder / "provenance.json").read_text()
    document = prov.model.ProvDocument.deserialize(content=text)
    names = {str(record.identifier) for record in document.get_records()}
    assert {"br:comparison.json", "br:before/results.json", "br:compare"} <= names


def test_the_table_of_a_curve(done):
    table = Table.read(
        done.folder / "difference_eef_measured_focus.ecsv", format="ascii.ecsv"
    )
    assert table["radius_angle"].unit == "arcsec"
    found = table["eef_after"] - table["eef_before"]
    assert found == pytest.approx(table["difference"], abs=1e-12)
    assert table.meta["margin"] == 0.03


def test_the_page_opens_without_a_network_and_says_the_verdict(done):
    page = (done.folder / "report.html").read_text(encoding="utf-8")
    assert "http" not in page.replace("http://www.w3.org", "")
    for words in ("Changed:", "changed by +11.16", "unchanged within", "cannot tell",
                  "place among quadrants, x", "radiation-safety"):  # fmt: skip
        assert words in page
    assert page.count("<img") == 3


def test_the_same_results_give_the_same_bytes(done, sides, tmp_path):
    again = compare_folders(*sides, tmp_path / "a" / "compared")
    first, second = contents(done.folder), contents(again.folder)
    names = set(first) - {"settings.toml"}  # holds the way to the results
    assert set(second) == set(first)
    assert [name for name in names if first[name] != second[name]] == []


def test_results_are_not_touched(sides, tmp_path):
    before = [snapshot(side) for side in sides]
    compare_folders(*sides, tmp_path / "out", options=CompareOptions(figures=False))
    assert [snapshot(side) for side in sides] == before


def test_the_command_prints_every_verdict(sides, tmp_path):
    result = command("compare", *sides, "-o", tmp_path / "out")
    assert result.exit_code == 0
    assert "verdict: changed" in result.stdout
    again = command("compare", *sides, "-o", tmp_path / "out")
    assert again.exit_code == 1
    assert "expected an empty or new folder" in again.stderr
    moved = command("compare", *sides, "-o", tmp_path / "out", "--update")
    assert moved.exit_code == 0
    assert (tmp_path / "out.before-1" / "comparison.json").is_file()


def test_quiet_prints_one_word(sides, tmp_path):
    result = command("compare", *sides, "-o", tmp_path / "out", "--quiet")
    assert result.stdout == "changed\n"


def test_margins_are_read_and_kept(sides, tmp_path):
    margins = tmp_path / "margins.toml"
    margins.write_text(
        'format = "beamreduce-margins/1"\n[margins]\nquadrant_position = "1 arcmin"\n'
    )
    options = CompareOptions(margins=margins, figures=False)
    done = compare_folders(*sides, tmp_path / "out", options=options)
    assert done.comparison.verdict != "changed"
    stored = tomllib.loads((done.folder / "settings.toml").read_text())
    assert stored["compare"]["margins"]["quadrant_position"] == "60.0 arcsec"


@pytest.mark.parametrize("inside", ["before", "before/x", "."])
def test_nothing_is_written_into_results(sides, tmp_path, inside):
    folders = [shutil.copytree(side, tmp_path / side.name) for side in sides]
    result = command("compare", *folders, "-o", tmp_path / inside)
    assert result.exit_code == 1
    assert "results are never changed" in result.stderr


def test_an_error_leaves_nothing_half_written(sides, tmp_path):
    other = write_results(tmp_path / "other", [measurement(energy_keV=9.0)])
    result = command("compare", sides[0], other, "-o", tmp_path / "out")
    assert result.exit_code == 1
    assert result.stderr.count("\n") == 1
    assert "no measurement at a setting of" in result.stderr
    assert not (tmp_path / "out").exists()


def test_a_campaign_folder_is_no_results_folder(sides, tmp_path):
    (tmp_path / "campaign").mkdir()
    result = command("compare", sides[0], tmp_path / "campaign", "-o", tmp_path / "out")
    assert result.exit_code == 1
    assert "campaign folders have to be reduced first" in result.stderr


def test_results_that_share_nothing_but_settings_without_curves(sides, tmp_path):
    """Older results have no covariance of curves: all else is compared."""
    old = [shutil.copytree(side, tmp_path / side.name) for side in sides]
    for path in old[0].glob("eef_covariance_*"):
        path.unlink()
    done = compare_folders(*old, tmp_path / "out", options=CompareOptions(figures=False))
    assert done.comparison.curves == ()
    assert any("reduce again" in left.reason for left in done.comparison.left_out)
    assert "No curves could be compared" in (done.folder / "report.html").read_text()
