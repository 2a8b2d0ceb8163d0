"""The report says what the results say, and nothing that a file says does more."""

import re
from html.parser import HTMLParser

import numpy as np
import pytest
from astropy.table import Table

from beamreduce.errors import ResultsError
from beamreduce.report import campaign_report
from beamreduce.report.flags import flags, severe
from beamreduce.report.standard_tables import fixed_radii
from beamreduce.report.stored_words import part_text, value_text
from tests.report.made_results import (
    FIGURES,
    FOLDS,
    HOSTILE,
    measurement,
    quantity,
    write_results,
)

EMPTY = {"meta", "img", "br", "hr", "link", "input"}


class Page(HTMLParser):
    """Elements, and the text of every table row, of a page."""

    def __init__(self, text):
        super().__init__(convert_charrefs=True)
        self.elements, self.rows, self.open, self.words = [], [], [], []
        self.feed(text)

    def handle_starttag(self, tag, attrs):
        self.elements.append((tag, dict(attrs)))
        if tag not in EMPTY:
            self.open.append(tag)
        if tag == "tr":
            self.rows.append("")

    def handle_endtag(self, tag):
        assert self.open.pop() == tag

    def handle_data(self, data):
        self.words.append(data)
        if "tr" in self.open:
            self.rows[-1] += data + " "

    def tags(self, name):
        return [attrs for tag, attrs in self.elements if tag == name]


def page_of(folder):
    page = Page(campaign_report(folder))
    assert page.open == []
    return page


def test_nothing_from_files_becomes_markup(tmp_path):
    spoiled = measurement(
        "one",
        aperture=HOSTILE,
        notes={"hpd_infinity_arcsec": HOSTILE, HOSTILE: "x"},
        conventions={"background": HOSTILE, "center": "centroid"},
        inputs={HOSTILE: "0" * 64},
        matched={"background": [HOSTILE]},
    )
    folder = write_results(
        tmp_path,
        [spoiled],
        campaign=HOSTILE,
        mirror={"optical_constants": HOSTILE},
        certificates={"pixel_size": HOSTILE, HOSTILE: "text"},
        figures=True,
    )
    page = page_of(folder)
    assert not page.tags("script")
    assert all(image["src"].startswith("data:image/") for image in page.tags("img"))
    assert not any(key.startswith("on") for _, attrs in page.elements for key in attrs)
    assert "".join(page.words).count(HOSTILE) >= 8  # all of it still reads as it was


def test_every_figure_is_inside_and_told_in_words(tmp_path):
    page = page_of(write_results(tmp_path, [measurement("one")], figures=True))
    images = page.tags("img")
    assert len(images) == len(FIGURES) + len(FOLDS)
    assert all(len(image["alt"]) > 20 for image in images)
    text = campaign_report(tmp_path)
    assert re.findall(r'alt="[^"]+"', text)
    # Names of languages of the drawings inside are no addresses of this page.
    outside = re.findall(r'(?:src|href)="(?!data:|#)[^"]*"|url\(|@import|https?://', text)
    assert outside == []


def test_everything_links_to_a_place_that_is_there(tmp_path):
    page = page_of(write_results(tmp_path, [measurement("one"), measurement("two")]))
    places = [attrs["id"] for _, attrs in page.elements if "id" in attrs]
    assert len(places) == len(set(places))
    links = {attrs["href"][1:] for attrs in page.tags("a")}
    assert links <= set(places)
    assert {"m-one", "m-two", "not-tested", "tables", "sign-off"} <= links


def test_beside_every_diameter_stands_what_it_is_taken_with(tmp_path):
    page = page_of(write_results(tmp_path, [measurement("one")]))
    rows = [r for r in page.rows if re.match(r"\s*(HPD|W90|effective area)", r)]
    assert len(rows) == 6 + 4
    for row in rows:
        assert "within 223.23 arcsec" in row
        assert "background: exposure" in row
        if "at infinity" in row:
            assert "optical constants: henke; roughness: nevot–croce" in row
            assert "plane at 5200 mm" in row or "5211.9 mm (best focus)" in row
        else:
            assert "detector at 5544 mm" in row
    # In the summary and the standard tables it is the row below, or the same.
    text = " ".join(page.rows)
    assert text.count("optical constants: henke") >= 3 + 2 + 1


def test_what_is_absent_gives_its_reason(tmp_path):
    lost = measurement(
        "one", hpd_measured_arcsec=None, notes={"hpd_measured_arcsec": "lost"}
    )
    page = page_of(write_results(tmp_path, [lost]))
    assert any(re.search(r"HPD measured\s+none: lost", row) for row in page.rows)
    assert severe(lost)
    assert any("No HPD measured: lost." in text for text in flags(lost))
    assert "nan" not in " ".join(page.words).lower().split()


def test_a_refused_fit_is_flagged_and_a_sound_one_is_not():
    sound = measurement("one")
    assert not severe(sound)
    refused = measurement("one", fit=sound["fit"] | {"accepted": False})
    assert severe(refused)
    assert any("chi-square 243 for 262" in text for text in flags(refused))


def test_three_reference_radii_at_least(tmp_path):
    page = page_of(write_results(tmp_path, [measurement("one")]))
    rows = [row for row in page.rows if re.match(r"one\s+[\d.]+\s+[\d.]+", row)]
    found = {tuple(row.split()[1:3]) for row in rows}
    for row in rows:  # each says the radius that it is for, not the measurement's own
        mm, arcsec = row.split()[1:3]
        assert f"within {arcsec} arcsec ({mm} mm)" in row
    assert {("3", "111.61"), ("4.5", "167.42"), ("6", "223.23")} <= found


def test_certificates_stand_with_what_they_are_for(tmp_path):
    folder = write_results(
        tmp_path,
        [measurement("one")],
        certificates={"pixel_size": "stage micrometer 17", "hole_area": "bore gauge 4"},
    )
    page = page_of(folder)
    rows = " | ".join(page.rows)
    assert re.search(r"pixel size\s+20.0 um ± 0.01 um\s+stage micrometer 17", rows)
    assert re.search(r"hole area\s.*bore gauge 4", rows)
    assert re.search(r"source distance\s+86.0 m\s", rows)


def test_areas_and_directions_have_their_parts(tmp_path):
    area, share = quantity(600.0, 6.0, 3.0, 4.0), quantity(0.91, 0.01)
    keys = ("effective_area_measured_cm2", "effective_area_infinity_cm2")
    by_energy = {"energy_keV": 4.511, "measurements": ["one"], **dict.fromkeys(keys, area)}
    by_energy |= {"predicted_infinity_cm2": quantity(610.0, 9.0), "beam_over_star": 0.535}
    point = dict.fromkeys(keys, area) | {
        "id": "one", "off_axis_arcmin": 3.0, "azimuth_deg": 90.0,
        "detector_distance_mm": 5544.0, "normalised_measured": share,
        "normalised_infinity": share, "hpd_measured_arcsec": None,
        "hpd_infinity_arcsec": quantity(54.0),
    }  # fmt: skip
    axis = {"x_arcmin": quantity(0.2), "y_arcmin": quantity(1.0)}
    field = {
        "energy_keV": 4.511, "detector": "", "pre_collimator": None, "points": [point],
        "vignetting": {"half_arcmin": None, "field_arcmin": 6.0}, "fits": None,
        "optical_axis": {"from_quadrants": axis, "from_symmetry": None},
        "notes": {"scope": HOSTILE},
    }  # fmt: skip
    folder = write_results(
        tmp_path,
        [measurement("one")],
        effective_areas={"aperture": "full", "by_energy": [by_energy], "monitor": []},
        off_axis=[field, {"energy_keV": 8.0, "detector": "b", "pre_collimator": False,
                          "notes": {"model": "no light"}}],
    )  # fmt: skip
    page = page_of(folder)
    rows = " | ".join(page.rows)
    assert re.search(r"4.511\s+600.0 ± 7.8\s+600.0 ± 7.8\s+610.0 ± 9.0\s+0.5350", rows)
    assert re.search(r"3 at 90 deg\s+5544\s+600.0 ± 7.8\s+0.910 ± 0.010", rows)
    text = "".join(page.words)
    assert "x 0.20 ± 0.10, y 1.00 ± 0.10 arcmin" in text
    assert "Off the axis at 8 keV, b, without pre-collimator" in text
    assert HOSTILE in text


def test_same_files_same_bytes(tmp_path):
    folder = write_results(tmp_path, [measurement("one")], figures=True)
    assert campaign_report(folder) == campaign_report(folder)


def test_a_folder_without_results_is_refused(tmp_path):
    with pytest.raises(ResultsError, match="no such file"):
        campaign_report(tmp_path)


@pytest.mark.parametrize(("first", "last"), [(2.0, 220.0), (0.05, 4.0), (30.0, 900.0)])
def test_fixed_radii_are_round_and_inside_the_curve(first, last):
    radius = np.linspace(first, last, 300)
    curve = Table({"radius_angle": radius, "eef": np.linspace(0, 1, 300)})
    radii = fixed_radii([curve])
    assert 3 <= len(radii) <= 9
    assert radii == sorted(radii)
    assert first <= radii[0] <= radii[-1] <= last
    assert all(float(f"{r:.2g}") == pytest.approx(r, rel=1e-12) for r in radii)


def test_numbers_are_written_with_two_digits_of_their_uncertainty():
    assert value_text(quantity(50.1512, 0.2832)) == "50.15 ± 0.28"
    assert value_text(None) is None
    assert [part_text(v) for v in (0.0, 0.01234, 345.6, None)] == ["0", "0.012", "350", "–"]
