import math
import re

import numpy as np
import pytest
from astropy.io import fits

from beamreduce.errors import SettingsError
from beamreduce.reduction.plan import parse_goal, plan_exposures
from tests.folders import SETUP, SHAPE, default_rows, row, write_campaign, write_rows
from tests.reduction.runs import command, setup_with


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    return write_campaign(tmp_path_factory.mktemp("plan") / "c", setup=setup_with())


@pytest.mark.parametrize(
    ("text", "value"),
    [("1%", 0.01), ("1 %", 0.01), ("0.01", 0.01), (" .5% ", 0.005), ("1e-3", 0.001)],
)
def test_a_goal_is_a_share_or_a_percentage(text, value):
    assert parse_goal(text) == pytest.approx(value, rel=1e-15)


BAD_GOALS = ("", "%", "5", "1", "100%", "0", "0%", "-1%", "nan", "inf%", "1%%", "1..2%",
             "e", "1 percent", "1,5%")  # fmt: skip


@pytest.mark.parametrize("text", BAD_GOALS)
def test_other_goals_are_refused(text):
    with pytest.raises(SettingsError, match=r'--hpd must be .* such as "1%"; got'):
        parse_goal(text)


def test_a_bad_goal_is_a_bad_command_line(folder):
    done = command("plan", folder, "--hpd", "5")
    assert done.exit_code == 2
    assert "--hpd must be a precision between 0 % and 100 %" in done.stderr


def test_the_precision_so_far_is_that_of_the_photons(folder):
    """0.7213/√N for a Gaussian without background; that adds some per cent."""
    (need,) = plan_exposures(folder, "0.5%").needs
    assert need.id == "ti"
    assert need.precision_now == pytest.approx(0.7213 / math.sqrt(7900), rel=0.1)
    assert need.photons_in_all == pytest.approx((0.7213 / 0.005) ** 2, rel=0.2)


def test_frames_and_minutes_add_up(folder):
    """As many frames of the safe time as hold the photons that are missing."""
    (need,) = plan_exposures(folder, "0.45%").needs
    so_far = float(need.advice.split()[0])
    seconds = (need.photons_in_all / so_far - 1) * 20
    assert need.frames == math.ceil(seconds / need.frame_seconds)
    assert need.minutes == pytest.approx(need.frames * need.frame_seconds / 60)
    # 40 photons a pixel in 10 s; 0.8 of 96 photons fit, with four sigma 64 to 77.
    assert 14 < need.frame_seconds < 21


def test_what_is_planned_reaches_the_goal(tmp_path, folder):
    """Take the planned exposures and look again."""
    (need,) = plan_exposures(folder, "0.5%").needs
    rows = [
        row(f"more-{k}", "beam", need.frame_seconds, group="ti") for k in range(need.frames)
    ]
    more = write_campaign(
        tmp_path / "more", setup=setup_with(), rows=[*default_rows(), *rows]
    )
    (reached,) = plan_exposures(more, "0.5%").needs
    # The last frame may be nearly empty or not; a frame is a third of what was missing.
    assert 0.0042 < reached.precision_now < 0.0051


def test_a_goal_that_is_reached_needs_nothing(folder):
    (need,) = plan_exposures(folder, "2%").needs
    assert (need.frames, need.minutes, need.advice) == (0, 0, "reached already")


def test_more_beam_does_not_help_against_the_background(folder):
    (need,) = plan_exposures(folder, "0.01%").needs
    assert (need.frames, need.minutes, need.photons_in_all) == (None, None, None)
    assert "more or longer background exposures" in need.advice


def test_a_goal_out_of_reach_is_told(tmp_path):
    """The frames of 10 s, declared to have taken four months."""
    rows = [cells for cells in default_rows() if cells["kind"] not in ("bias", "dark")]
    folder = write_campaign(tmp_path / "c", setup=setup_with('dark = "none"'), rows=rows)
    write_rows(folder, [{**cells, "exposure_time": 1e7} for cells in rows])
    (need,) = plan_exposures(folder, "0.8%").needs
    assert need.advice.startswith("out of reach at this rate")


def test_without_photons_nothing_is_known(tmp_path):
    rows = [*default_rows(), row("shut", "beam")]
    folder = write_campaign(tmp_path / "c", setup=setup_with(), rows=rows)
    fits.writeto(folder / "frames/shut.fits", np.full(SHAPE, 490), overwrite=True)
    shut, ti = plan_exposures(folder, "0.5%").needs
    assert (shut.id, shut.precision_now, shut.frames) == ("shut", None, None)
    assert shut.advice.startswith("not known: measurement shut (frames/shut.fits)")
    assert ti.frames > 0


def test_saturated_frames_are_no_ground_for_a_plan(tmp_path):
    base = SETUP.replace("60000", "20000")
    folder = write_campaign(tmp_path / "c", setup=setup_with(base=base))
    (need,) = plan_exposures(folder, "2%").needs
    assert need.frames is None
    assert "inside the half-power circle" in need.advice
    assert re.search(
        r"an exposure time of about [\d.]+ s would have been safe", need.advice
    )


def test_the_command_prints_a_table(folder):
    done = command("plan", folder, "--hpd", "0.5%")
    assert (done.exit_code, done.stderr) == (0, "")
    goal, head, line, advice = done.stdout.splitlines()
    assert goal == "goal: HPD to 0.5 % of itself (statistical, 1 σ)"
    cells = re.fullmatch(r"ti +(\S+)% +(\d+) +(\S+) s +(\d+) +(\S+)", line)
    (need,) = plan_exposures(folder, "0.5%").needs
    assert float(cells[1]) == pytest.approx(100 * need.precision_now, abs=0.005)
    assert int(cells[2]) == round(need.photons_in_all)
    assert int(cells[4]) == need.frames
    assert len(head) == len(line)
    assert "net photons so far in 20 s" in advice
    quiet = command("plan", folder, "--hpd", "0.5%", "--quiet")
    assert quiet.stdout.splitlines() == [goal, head, line]
