"""The panel without a browser: every control does what it says."""

import pytest

from beamreduce.campaign import read_decisions
from beamreduce.errors import CampaignError, SettingsError
from beamreduce.panel import inspection_panel
from tests.folders import default_rows, write_campaign

pytest.importorskip("ipympl")


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    return write_campaign(tmp_path_factory.mktemp("panel") / "c")


@pytest.fixture
def panel(folder, tmp_path):
    return inspection_panel(folder, decisions=tmp_path / "decisions.ecsv")


def test_it_opens_on_the_first_measurement(panel):
    c = panel.controls
    assert c.measurement.value == c.measurement.options[0]
    assert c.x.value == pytest.approx(panel.opened.located.center.x, abs=0.005)
    assert f"{panel.reading.hpd_arcsec.value:.3g}"[:3] in c.numbers.value
    assert panel.settled
    assert not c.said.value.replace('<p role="status"></p>', "")


def test_a_moved_center_is_followed_and_settled(panel):
    before = panel.reading.hpd_arcsec.value
    panel.controls.x.value += 3.0
    assert panel.reading.center_xy[0] == panel.controls.x.value
    assert panel.reading.hpd_arcsec.value > before
    assert panel.settled  # there is no kernel here that would wait
    assert panel.opened.located.center.rule == "given"


def test_buttons_move_by_a_pixel_and_back(panel):
    x, y = panel.controls.x.value, panel.controls.y.value
    panel.controls.steps[(1, 0)].click()
    panel.controls.steps[(0, -1)].click()
    assert (panel.controls.x.value, panel.controls.y.value) == pytest.approx(
        (x + 1, y - 1), abs=0.011
    )
    panel.controls.found.click()
    assert (panel.controls.x.value, panel.controls.y.value) == (x, y)


def test_another_background_and_radius(panel):
    panel.controls.background.value = "annulus"
    assert panel.opened.background_method == "annulus"
    panel.controls.reference_mm.value = 0.4
    assert panel.reading.reference_radius.value == pytest.approx(0.4)
    assert "inside 0.4 mm" in panel.controls.numbers.value


@pytest.mark.parametrize(
    ("name", "value", "words"),
    [
        ("reference_mm", 99.0, "beyond the frame"),
        ("reference_mm", -1.0, "must be above zero"),
        ("x", 60.0, "beyond the frame"),
    ],
)
def test_what_cannot_be_is_said_and_nothing_is_lost(panel, name, value, words):
    before = panel.reading
    getattr(panel.controls, name).value = value
    assert "Not done: " in panel.controls.said.value
    assert words in panel.controls.said.value
    assert "Traceback" not in panel.controls.said.value
    assert panel.reading is before


def test_decisions_are_added_one_behind_the_other(panel):
    c = panel.controls
    c.keep_center.click()
    assert "needs who decides" in c.said.value
    assert not panel.decisions.exists()
    c.person.value, c.reason.value = "A. Shift", 'a "dust" grain'
    c.x.value = 33.0
    c.keep_center.click()
    c.keep_background.click()
    c.leave_out.click()
    assert "choose one exposure first" in c.said.value
    c.exposure.value = c.exposure.options[1]
    c.leave_out.click()
    kept = read_decisions(panel.decisions)
    assert [(one.order, one.action) for one in kept] == [
        (1, "center"), (2, "background"), (3, "exclude"),
    ]  # fmt: skip
    assert kept[0].value.startswith("33.00 ")
    assert kept[0].reason == 'a "dust" grain'
    assert kept[2].item == c.exposure.options[1]


def test_a_table_that_cannot_be_used_is_left_as_it_is(panel):
    panel.decisions.write_text("order time\n1 now\n", encoding="utf-8")
    before = panel.decisions.read_text()
    panel.controls.person.value, panel.controls.reason.value = "A", "b"
    panel.controls.keep_center.click()
    assert "Not done: " in panel.controls.said.value
    assert panel.decisions.read_text() == before


def test_a_place_that_cannot_be_written_is_said(folder, tmp_path):
    (tmp_path / "file").write_text("")
    panel = inspection_panel(folder, decisions=tmp_path / "file" / "d.ecsv", person="A")
    panel.controls.reason.value = "b"
    panel.controls.keep_center.click()
    assert "Not done: " in panel.controls.said.value


def test_the_picture_needs_no_kernel(panel):
    figure = panel.picture()
    # Three axes with their second scales, and the colour bar.
    titles = [axes.get_ylabel() for axes in figure.axes]
    assert "encircled energy fraction" in titles
    assert "net photons per mm²" in titles


def test_folders_that_cannot_be_opened(tmp_path, folder):
    with pytest.raises(CampaignError, match=r"campaign\.toml"):
        inspection_panel(tmp_path)
    with pytest.raises(SettingsError, match="never written"):
        inspection_panel(folder, decisions=folder / "decisions.ecsv")
    dark = [row for row in default_rows() if row["kind"] != "beam"]
    only_dark = write_campaign(tmp_path / "dark", rows=dark)
    with pytest.raises((SettingsError, CampaignError), match="beam"):
        inspection_panel(only_dark)


def test_axes_stand_where_they_are_seen_before_anything_is_drawn(panel):
    def places():
        return [axes.get_position().bounds for axes in panel.canvas.figure.axes]

    panel.controls.background.value = "annulus"  # drawn anew
    at_first = places()
    panel.canvas.figure.draw_without_rendering()
    assert places() == at_first
    panel.controls.x.value += 1.0
    panel.canvas.figure.draw_without_rendering()
    assert places() == at_first
