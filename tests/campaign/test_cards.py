import astropy.units as u
import numpy as np
import pytest
from astropy.io import fits

from tests.campaign.tables import campaign, problems_of, read
from tests.folders import (
    IMAGE_DISTANCE,
    SETUP,
)


def cards_campaign(folder, cards, header, rows=None):
    """A campaign whose beam frame has the header cards given."""
    lines = "".join(f'{name} = "{card}"\n' for name, card in cards.items())
    rows = rows or [
        {"exposure": "a", "kind": "beam", "file": "a.fits", "exposure_time": 10.0,
         "energy": 4.511, "detector_distance": IMAGE_DISTANCE}
    ]  # fmt: skip
    campaign(folder, rows, setup=SETUP + "[cards]\n" + lines)
    image = fits.ImageHDU(np.ones((4, 4), np.int16))
    primary = fits.PrimaryHDU()
    for name, value in header.items():
        (image if name == "TEMP" else primary).header[name] = value
    fits.HDUList([primary, image]).writeto(folder / "a.fits")
    return folder


def test_mapped_cards_fill_what_is_absent(tmp_path):
    row_without = [{"exposure": "a", "kind": "beam", "file": "a.fits"}]
    cards = {
        "exposure_time": "EXPTIME",
        "energy": "LINE",
        "detector_distance": "DIST",
        "temperature": "TEMP",
        "pre_collimator": "PRECOL",
        "group": "OBJECT",
    }
    header = {"EXPTIME": 12, "LINE": (4511.0, "[eV] line"), "DIST": (5.5346, "[m] rail"),
              "TEMP": (300.0, "[K]"), "PRECOL": True, "OBJECT": "ti"}  # fmt: skip
    a = read(cards_campaign(tmp_path, cards, header, row_without))["a"]
    assert a.exposure_time == 12 * u.s
    assert a.energy.to_value(u.keV) == pytest.approx(4.511)
    assert a.detector_distance.to_value(u.mm) == pytest.approx(5534.6)
    assert a.temperature.to_value(u.deg_C) == pytest.approx(26.85)
    assert a.pre_collimator is True
    assert a.group == "ti"


def test_a_card_that_is_not_mapped_is_not_used(tmp_path):
    folder = cards_campaign(tmp_path, {"comment": "NOTE"}, {"EXPTIME": 99, "DEADTIME": 0.5})
    a = read(folder)["a"]
    assert a.exposure_time == 10 * u.s
    assert a.dead_time_fraction is None


def test_a_card_that_agrees_is_no_problem(tmp_path):
    folder = cards_campaign(tmp_path, {"energy": "LINE"}, {"LINE": (4511.0, "[eV]")})
    assert read(folder)["a"].energy == 4.511 * u.keV


def test_a_card_that_differs_from_its_cell_is_an_error(tmp_path):
    folder = cards_campaign(tmp_path, {"exposure_time": "EXPTIME"}, {"EXPTIME": 11.0})
    (problem,) = problems_of(folder)
    assert problem.startswith("a.fits: card EXPTIME: found 11 s, but 10 s in column")


@pytest.mark.parametrize(
    ("column", "value", "expected"),
    [
        ("temperature", "warm", "a number"),
        ("temperature", (3.0, "[mm] gauge"), "converts to deg_C"),
        ("temperature", (3.0, "[grads] gauge"), "a known unit in its comment"),
        ("pre_collimator", "maybe", "a logical value"),
    ],
)
def test_a_card_that_cannot_be_used_is_an_error(tmp_path, column, value, expected):
    folder = cards_campaign(tmp_path, {column: "TEMP"}, {"TEMP": value})
    (problem,) = problems_of(folder)
    assert problem.startswith("a.fits: card TEMP: ")
    assert expected in problem


def test_a_value_in_neither_table_nor_header_is_missed_once(tmp_path):
    row_without = [{"exposure": "a", "kind": "beam", "file": "a.fits",
                    "exposure_time": 10.0, "detector_distance": 1.0}]  # fmt: skip
    folder = cards_campaign(tmp_path, {"energy": "LINE"}, {}, row_without)
    (problem,) = problems_of(folder)
    assert "(exposure a), column energy" in problem
    assert "no usable card LINE" in problem
