"""The command for quadrants: its files, what it refuses, what it says with less."""

import json
import shutil

import numpy as np
import pytest
from click.testing import CliRunner

from beamreduce.cli import main
from beamreduce.errors import CampaignError, SettingsError
from beamreduce.reduction.quadrants_run import (
    QuadrantOptions,
    parse_target,
    run_quadrants,
)

QUIET = QuadrantOptions(figures=False)


@pytest.fixture
def campaign(few_quadrants, tmp_path):
    """A copy that may be changed."""
    shutil.copytree(few_quadrants, tmp_path / "campaign")
    return tmp_path / "campaign"


@pytest.fixture(scope="module")
def done(few_quadrants, tmp_path_factory):
    place = tmp_path_factory.mktemp("done") / "results"
    return run_quadrants(few_quadrants, place, options=QUIET)


def change(path, before, after):
    text = path.read_text()
    assert before in text
    path.write_text(text.replace(before, after))


def test_the_folder_holds_the_contract(done):
    content = json.loads((done.folder / "quadrants.json").read_text())
    assert content["format"] == "beamreduce-quadrants/1"
    assert [one["aperture"] for one in content["quadrants"]] == ["Q1", "Q2", "Q3", "Q4"]
    for one in content["quadrants"]:
        assert {"center_pixel", "center_uncertainty_pixel", "hpd_measured_arcsec", "move",
                "residual_pixel"} <= one.keys()  # fmt: skip
        assert all(np.isfinite(one["center_pixel"] + one["residual_pixel"]))
        assert {m["unit"] for m in one["move"]} == {"mm", "arcsec"}
    assert "interlocks" in content["notes"]["caution"]
    assert "HPD" in content["notes"]["diffraction Q1"]
    assert content["hpd_now_arcsec"] is None  # no slope errors from visible light
    assert "Q1" in content["notes"]["hpd_coincident_arcsec"]
    for name in ("settings.toml", "provenance.json", "run_log.json", "report.html",
                 "sensitivity.ecsv", "bar_errors.ecsv", "next_round.ecsv"):  # fmt: skip
        assert (done.folder / name).is_file(), name


def test_displacements_are_those_made(few_quadrants, done):
    """Before the move 0.3 mm apart; by counting 20 um an image, and targets of perfect
    cones are the same for all quadrants but for their azimuth."""
    truth = json.loads(few_quadrants.with_name("campaign.truth.json").read_text())[
        "quadrants"
    ]["rounds"]
    for one, true in zip(done.content["rounds"], truth, strict=True):
        names = sorted(one["displacement_mm"])
        found = np.array([one["displacement_mm"][name] for name in names])
        expected = np.array([true["displacement_mm"][name] for name in names])
        left = found - (expected - expected.mean(axis=0))
        middles = np.deg2rad([45, 135, 225, 315])
        outward = np.stack([np.cos(middles), np.sin(middles)], axis=1)
        left -= np.mean(np.sum(left * outward, axis=1)) * outward
        assert np.abs(left).max() < 0.08


def test_the_same_input_gives_the_same_bytes(few_quadrants, done, tmp_path):
    again = run_quadrants(few_quadrants, tmp_path / "again", options=QUIET)
    for name in ("quadrants.json", "quadrants.ecsv", "moves.ecsv", "images.fits"):
        assert (again.folder / name).read_bytes() == (done.folder / name).read_bytes(), name


def test_without_orientation_places_are_written_and_moves_refused(campaign, tmp_path):
    change(campaign / "campaign.toml", 'rotation = "90 deg"\n', "")
    run = CliRunner().invoke(
        main, ["quadrants", str(campaign), "-o", str(tmp_path / "out"), "--jobs", "1"]
    )
    assert run.exit_code == 0, run.output
    content = json.loads((tmp_path / "out" / "quadrants.json").read_text())
    assert all(one["center_pixel"] for one in content["quadrants"])
    assert all(one["move"] is None for one in content["quadrants"])
    assert "rotation of [detector]" in content["notes"]["move"]
    assert "rotation" in run.output


def test_without_adjusters_places_are_written(campaign, tmp_path):
    (campaign / "adjusters.ecsv").unlink()
    content = run_quadrants(campaign, tmp_path / "out", options=QUIET).content
    assert all(one["move"] is None for one in content["quadrants"])
    assert "adjusters.ecsv" in content["notes"]["move"]


def test_travel_that_cannot_reach_is_said_and_used_up(campaign, tmp_path):
    (campaign / "rounds.ecsv").unlink()
    table = campaign / "exposures.ecsv"
    rows = [line for line in table.read_text().split("\n") if "round1" not in line]
    table.write_text("\n".join(rows))
    change(campaign / "adjusters.ecsv", '"-0.6 mm" "0.6 mm"', '"-0.1 mm" "0.1 mm"')
    content = run_quadrants(campaign, tmp_path / "out", options=QUIET).content
    said = " ".join(content["short_of_target"])
    assert "Q1 stays" in said
    assert "end of the travel" in said
    steps = [m["steps"] for one in content["quadrants"] for m in one["move"]]
    assert max(map(abs, steps)) == 10


def test_a_quadrant_without_image_is_named_and_the_others_planned(campaign, tmp_path):
    (campaign / "rounds.ecsv").unlink()
    table = campaign / "exposures.ecsv"
    lost = ("round1", "round0_Q3")
    rows = [s for s in table.read_text().split("\n") if not any(x in s for x in lost)]
    table.write_text("\n".join(rows))
    content = run_quadrants(campaign, tmp_path / "out", options=QUIET).content
    by_name = {one["aperture"]: one for one in content["quadrants"]}
    assert by_name["Q3"]["center_pixel"] is None
    assert by_name["Q3"]["move"] is None
    assert any(m["steps"] for m in by_name["Q1"]["move"])
    assert "no image of Q3" in content["notes"]["missing"]


def test_moves_that_were_not_measured_afterwards_come_first(campaign, tmp_path):
    log = campaign / "rounds.ecsv"
    log.write_text(log.read_text() + '2 done Q1 x 3.0 ""\n')
    content = run_quadrants(campaign, tmp_path / "out", options=QUIET).content
    assert "round 2" in content["notes"]["move"]
    assert all(one["move"] is None for one in content["quadrants"])


@pytest.mark.parametrize(
    ("file", "before", "after", "words"),
    [
        ("exposures.ecsv", " Q1 ", " Q9 ", "the aperture Q9; expected full or one of Q1"),
        ("adjusters.ecsv", "Q1 x shift", "Q9 x shift", "found 'Q9'; expected one of Q1"),
        ("adjusters.ecsv", '"10 um"', '"10 arcsec"', "a length, for a shift"),
        ("rounds.ecsv", "round0_Q1", "round0_Q7", "expected a measurement of a single"),
        ("rounds.ecsv", "1 done Q1 x", "1 done Q1 w", "expected an adjuster of Q1"),
        ("rounds.ecsv", "1 done Q1 x", "1 moved Q1 x", "expected one of measured"),
        ("rounds.ecsv", "1 done", "3 done", "without a gap"),
        ("rounds.ecsv", "1 done Q1 x -30.0", "1 done Q1 x 0.5", "a whole number"),
    ],
)
def test_what_is_wrong_is_one_message(campaign, tmp_path, file, before, after, words):
    change(campaign / file, before, after)
    with pytest.raises(CampaignError) as caught:
        run_quadrants(campaign, tmp_path / "out", options=QUIET)
    assert words in str(caught.value)
    assert not (tmp_path / "out").exists()


def test_a_campaign_without_single_quadrants_is_refused(campaign, tmp_path):
    table = campaign / "exposures.ecsv"
    text = table.read_text()
    for number in (1, 2, 3, 4):
        text = text.replace(f" Q{number} ", " full ")
    table.write_text(text)
    with pytest.raises(CampaignError, match="a single quadrant open"):
        run_quadrants(campaign, tmp_path / "out", options=QUIET)


@pytest.mark.parametrize("text", ["40", "40 mm", "much", "-3 arcsec", "2 deg"])
def test_a_target_must_be_an_angle(text):
    with pytest.raises(SettingsError, match="half-power diameter wanted must be"):
        parse_target(text)
