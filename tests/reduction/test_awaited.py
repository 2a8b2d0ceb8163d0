"""On shift the table is written ahead: it names frames that are not taken yet."""

import pytest

from beamreduce.campaign import inspect_campaign, read_campaign
from beamreduce.errors import CampaignError, MeasurementError
from beamreduce.reduction.plan import plan_exposures
from beamreduce.reduction.quicklook import quick_look
from tests.folders import changed, default_rows, row, write_campaign, write_rows
from tests.reduction.runs import command, reduced, setup_with, snapshot

ROWS = [*default_rows(), row("ti-3", "beam", group="ti"), row("al", "beam", energy=1.487)]


def ahead(folder, *absent, rows=ROWS, lines=()):
    """A campaign whose table names frames that are not there."""
    write_campaign(folder, setup=setup_with(*lines), rows=rows)
    for name in absent:
        (folder / f"frames/{name}.fits").unlink()
    return folder


def alone(folder, *names, lines=()):
    """A campaign whose table never named the others."""
    write_campaign(folder, setup=setup_with(*lines), rows=ROWS)
    rows = [cells for cells in ROWS if cells["exposure"] not in names]
    write_rows(folder, rows)
    return folder


def numbers(look):
    return look.numbers.hpd_mm, look.numbers.w90_mm, look.numbers.net_photons


def test_the_last_exposure_whose_frame_is_there_is_looked_at(tmp_path):
    folder = ahead(tmp_path / "c", "ti-3", "al")
    before = snapshot(folder)
    look = quick_look(folder)
    assert look.exposure.exposure == "ti-2"
    assert look.awaited is None  # beams to come are no lack
    assert look.change.earlier == "ti-1"
    assert snapshot(folder) == before


def test_masters_that_are_there_are_used_and_the_others_named(tmp_path):
    """The same numbers as if the table had never named what is not there."""
    absent = ("bias-2", "dark-1", "off-2", "ti-3", "al")
    look = quick_look(ahead(tmp_path / "c", *absent), "ti-2")
    assert numbers(look) == numbers(quick_look(alone(tmp_path / "d", *absent), "ti-2"))
    assert look.awaited == (
        "1 of 2 bias (bias-2), 1 of 2 dark (dark-1), 1 of 2 background (off-2); "
        "done without"
    )
    lines = command("quicklook", tmp_path / "c", "ti-2").stdout.splitlines()
    assert lines[1] == f"not there     {look.awaited}"
    assert lines[-1].startswith("GO ON")


def test_many_that_are_not_there_stay_one_line(tmp_path):
    rows = [*ROWS, *(row(f"more-{k}", "dark", 30.0) for k in range(9))]
    absent = [f"more-{k}" for k in range(9)]
    look = quick_look(ahead(tmp_path / "c", *absent, rows=rows))
    assert look.awaited == ("9 of 11 dark (more-0, more-1, more-2, more-3 …); done without")


def test_no_dark_yet_leaves_the_bias(tmp_path):
    look = quick_look(ahead(tmp_path / "c", "dark-1", "dark-2"), "ti-1")
    assert "2 of 2 dark" in look.awaited
    # A dark current of 5 adu a frame is in beam and beam-off frames alike; what is left
    # is the noise of the darks, far below that of the photons.
    hpd, sigma = quick_look(ahead(tmp_path / "d"), "ti-1").numbers.hpd_mm
    assert look.numbers.hpd_mm[0] == pytest.approx(hpd, abs=0.2 * sigma)
    assert look.verdict.startswith("GO ON")


def test_without_bias_and_dark_the_pedestal_would_count_as_photons(tmp_path):
    folder = ahead(tmp_path / "c", "bias-1", "bias-2", "dark-1", "dark-2")
    words = r"ti-1 \(frames/ti-1.fits\): found neither a bias nor a dark frame yet"
    with pytest.raises(MeasurementError, match=words):
        quick_look(folder, "ti-1")


@pytest.mark.parametrize(
    ("lines", "method"),
    [
        (['background = "exposure"'], "wings"),
        (['background = "annulus"'], "annulus"),
        ([], "wings"),
    ],
)
def test_no_background_yet_leaves_the_image_itself(tmp_path, lines, method):
    folder = ahead(tmp_path / "c", "off-1", "off-2", lines=lines)
    look = quick_look(folder, "ti-1")
    assert look.numbers.located.background.method == method
    assert "2 of 2 background (off-1, off-2)" in look.awaited
    assert f"background by {method}" in look.as_text()


def test_a_background_named_but_not_there_is_no_error(tmp_path):
    rows = changed(ROWS, "ti-1", background="off-2")
    look = quick_look(ahead(tmp_path / "c", "off-2", rows=rows), "ti-1")
    assert "off-2" in look.awaited


def test_an_exposure_whose_frame_is_not_there_is_one_error(tmp_path):
    folder = ahead(tmp_path / "c", "ti-3", "dark-1")
    done = command("quicklook", folder, "ti-3")
    assert (done.exit_code, done.stdout) == (1, "")
    assert done.stderr.splitlines() == [
        "error: frames/ti-3.fits: found no such file; expected the frame of exposure ti-3; "
        "wait until it is there, or name an exposure that was taken"
    ]


def test_no_frame_at_all_is_one_error(tmp_path):
    folder = write_campaign(tmp_path / "c", setup=setup_with(), rows=ROWS, frames=False)
    with pytest.raises(CampaignError, match="found no beam exposure with a frame"):
        quick_look(folder)
    with pytest.raises(CampaignError, match="found no exposure of kind beam with a frame"):
        plan_exposures(folder, "1%")


def test_a_wrong_path_is_still_an_error(tmp_path):
    rows = changed(ROWS, "ti-3", file="../ti-3.fits")
    folder = write_campaign(tmp_path / "c", setup=setup_with(), rows=rows[:-2])
    write_rows(folder, rows[:-1])
    with pytest.raises(CampaignError, match="leaves the campaign folder"):
        quick_look(folder)


def test_other_problems_are_still_errors(tmp_path):
    folder = ahead(tmp_path / "c", "ti-3")
    (folder / "frames/off-1.fits").write_bytes(b"SIMPLE")
    with pytest.raises(CampaignError, match=r"off-1\.fits"):
        quick_look(folder)


def test_inspect_and_reduce_refuse_what_is_not_there(tmp_path):
    folder = ahead(tmp_path / "c", "ti-3", "dark-1")
    found = [str(problem) for problem in inspect_campaign(folder).errors]
    assert len(found) == 2
    assert all("no such file" in problem for problem in found)
    with pytest.raises(CampaignError, match="no such file"):
        reduced(folder, tmp_path / "out")
    with pytest.raises(CampaignError, match="no such file"):
        read_campaign(folder)


def test_a_plan_uses_what_is_there(tmp_path):
    absent = ("ti-3", "al", "dark-2")
    plan = plan_exposures(ahead(tmp_path / "c", *absent), "0.5%")
    al, ti = plan.needs
    (truth,) = plan_exposures(alone(tmp_path / "d", *absent), "0.5%").needs
    assert ti == truth
    assert (al.id, al.frames) == ("al", None)
    assert al.advice == "not known: frames/al.fits is not there yet"
    assert plan.as_text().splitlines()[1] == f"not there: {plan.awaited}"
    assert plan.awaited == "1 of 2 dark (dark-2); done without"
