"""The record of one measurement as results.json holds it."""

import json
import math

import numpy as np
import pytest

from beamreduce.errors import OutputError
from beamreduce.record import Measurement, Uncertain, quantity_keys
from tests.reduction.schema import QUANTITIES


def measurement(**changes):
    plain = {
        "id": "ti_focus",
        "exposures": ("e1", "e2"),
        "aperture": "full",
        "energy_keV": 4.511,
        "off_axis_arcmin": 0.0,
        "azimuth_deg": None,
        "detector_distance_mm": 5534.6,
        "reference_radius_mm": 6.0,
        "reference_radius_arcsec": 223.6,
        "center_pixel": (511.2, 498.7),
        "center_uncertainty_pixel": (0.1, 0.1),
    }
    return Measurement(**{**plain, **changes})


def test_a_quantity_is_whole_or_null_with_a_sentence():
    stored = measurement(
        hpd_measured_mm=Uncertain(value=2.0, statistical=0.03, systematic=0.04),
        notes={"w90_measured_mm": "saturated inside the circle"},
    ).to_json()
    assert stored["hpd_measured_mm"]["uncertainty"] == pytest.approx(0.05)
    for key in quantity_keys():
        if stored[key] is None:
            assert stored["notes"][key]
    assert stored["notes"]["w90_measured_mm"] == "saturated inside the circle"
    assert "hpd_measured_mm" not in stored["notes"]
    # No azimuth is a setting, not a number that is missing.
    assert stored["azimuth_deg"] is None
    assert "azimuth_deg" not in stored["notes"]


def test_it_is_plain_json():
    text = json.dumps(measurement().to_json(), allow_nan=False)
    assert json.loads(text)["center_pixel"] == [511.2, 498.7]


def test_numbers_of_numpy_stay_what_they_are():
    stored = measurement(
        fit={"accepted": np.bool_(True), "degrees_of_freedom": np.int64(7)},
        filled_fraction=np.float32(0.25),
    ).to_json()
    assert stored["fit"] == {"accepted": True, "degrees_of_freedom": 7}
    assert json.dumps(stored["fit"]) == '{"accepted": true, "degrees_of_freedom": 7}'
    assert stored["filled_fraction"] == 0.25


@pytest.mark.parametrize("number", [math.nan, -math.inf, np.float64(np.nan)])
def test_a_number_that_is_not_finite_is_never_written(number):
    with pytest.raises(OutputError, match=r"sectors\.share is (nan|-inf); results hold"):
        measurement(sectors=({"share": number},)).to_json()


def test_the_quantities_of_the_format():
    # The names that other people's programs read (format beamreduce-results/1).
    assert set(QUANTITIES) <= set(quantity_keys())
