"""How values with uncertainty are written, and which diameters are marked."""

import astropy.units as u
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from beamreduce.encircled_energy import Diameters
from beamreduce.errors import SettingsError
from beamreduce.figures import MarkedDiameter, Marks, marks_of
from beamreduce.record import Uncertain, rounded


@pytest.mark.parametrize(
    ("value", "spread", "text"),
    [
        (24.3149, 0.213, "24.31 ± 0.21"),
        (24.3149, 2.13, "24.3 ± 2.1"),
        (24.3149, 21.3, "24 ± 21"),
        (1234.56, 213.0, "1230 ± 210"),
        (0.612345, 0.00996, "0.612 ± 0.010"),
        (0.612345, 0.0094, "0.6123 ± 0.0094"),
        (-3.21, 0.5, "-3.21 ± 0.50"),
        (99.96, 99.6, "100 ± 100"),
        (2.5, 0.0, "2.5"),
        (-0.0001, 0.039, "0.000 ± 0.039"),
        (-0.4, 21.0, "0 ± 21"),
    ],
)
def test_two_digits_of_the_uncertainty(value, spread, text):
    # JCGM 100:2008, 7.2.6 and the example in 7.2.2: 100,021 47(35) g.
    assert rounded(Uncertain(value=value, statistical=spread)) == text


@given(st.floats(-1e6, 1e6), st.floats(1e-6, 1e6))
def test_rounding_loses_little_of_value_and_uncertainty(value, spread):
    shown_value, shown_spread = map(
        float, rounded(Uncertain(value=value, statistical=spread)).split(" ± ")
    )
    # Two digits: at most half of the last one, 5 % of an uncertainty that begins with 1.
    assert abs(shown_spread - spread) <= 0.0501 * spread
    assert abs(shown_value - value) <= 0.0501 * spread * (1 + 1e-9) + 1e-9 * abs(value)


def test_all_kinds_of_uncertainty_are_combined():
    text = rounded(Uncertain(value=5.0, statistical=0.03, systematic=0.04, model=0.12))
    assert text == "5.00 ± 0.13"


def measured(fractions):
    return Diameters(
        fractions=fractions,
        diameter_mm=tuple(
            Uncertain(value=1.0 + k, statistical=0.01) for k in range(len(fractions))
        ),
        reference_radius=6 * u.mm,
        replicates_mm=np.zeros((2, len(fractions))),
    )


def test_marks_take_names_and_angles_from_the_diameters():
    marks = marks_of(measured((0.5, 0.8)), detector_distance=5500 * u.mm)
    assert [mark.name for mark in marks.diameters] == ["HPD", "W80"]
    # 1 rad is 206 264.806 arcsec.
    assert marks.diameters[1].arcsec.value == pytest.approx(2 * 206264.806 / 5500)
    assert marks.diameters[1].radius_mm == 1.0
    assert marks.reference_radius == 6 * u.mm


def test_more_than_two_diameters_are_refused():
    mm = Uncertain(value=1.0, statistical=0.1)
    mark = MarkedDiameter(name="HPD", share=0.5, mm=mm, arcsec=mm)
    with pytest.raises(SettingsError, match="at most two diameters can be marked; got HPD"):
        Marks(reference_radius=6 * u.mm, diameters=(mark,) * 3)
