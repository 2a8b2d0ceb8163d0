"""The door for units: what comes in, and what is turned away with which words."""

import math

import astropy.units as u
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from beamreduce.errors import SettingsError
from beamreduce.units import (
    arcsec_per_mm,
    convert,
    parse_quantity,
    positive_in,
    value_in,
)


@pytest.mark.parametrize(
    ("text", "unit", "value"),
    [
        ("5.2 m", u.mm, 5200.0),
        ("5.2m", u.mm, 5200.0),
        ("  20 um ", u.mm, 0.02),
        ("-3e-2 cm", u.mm, -0.3),
        ("+.5 mm", u.mm, 0.5),
        ("3.65 eV", u.keV, 0.00365),
        ("2.0 electron/adu", u.electron / u.adu, 2.0),
        ("19.3 g/cm3", u.g / u.cm**3, 19.3),
        ("5 1/s", u.Hz, 5.0),
        ("90 deg", u.rad, math.pi / 2),
    ],
)
def test_a_number_and_a_unit(text, unit, value):
    found = parse_quantity(text, unit, name="length")
    assert found.unit == unit
    assert found.value == pytest.approx(value)


@given(st.floats(allow_nan=False, allow_infinity=False))
def test_every_finite_number_comes_back(number):
    text = f"{number!r} mm"
    assert parse_quantity(text, u.mm, name="length").value == number


@pytest.mark.parametrize(
    ("given_value", "words"),
    [
        ("5.2", "has no unit"),
        ("m", "must be a number and a unit"),
        ("", "must be a number and a unit"),
        ("nan mm", "must be a number and a unit"),
        ("inf mm", "must be a number and a unit"),
        ("1e400 mm", "must be finite"),
        ("5.2 furlongs", "whose unit is not known"),
        ("86 500 mm", "must be a number and a unit"),
        ("5,2 mm", "whose unit is not known|must be a number and a unit"),
        ("1 2", "must be a number and a unit"),
        (5.2, "must be a number and a unit"),
        (None, "must be a number and a unit"),
        (True, "must be a number and a unit"),
        ("5.2 s", "must have a unit that converts to mm"),
    ],
)
def test_what_is_no_length_is_turned_away(given_value, words):
    with pytest.raises(SettingsError, match=f"focal_length .*({words})"):
        parse_quantity(given_value, u.mm, name="focal_length")


def test_the_message_shows_what_came_and_an_example():
    with pytest.raises(SettingsError, match=r"such as \"1 mm\"; got '5\.2', which has no"):
        parse_quantity("5.2", u.mm, name="focal_length")


def test_quantities_are_converted_and_bare_numbers_refused():
    assert convert([1, 2] * u.m, u.mm, name="radii").value.tolist() == [1000, 2000]
    with pytest.raises(SettingsError, match=r"radii must have a unit \(mm\); got 3\.0"):
        convert(3.0, u.mm, name="radii")
    with pytest.raises(SettingsError, match="radii must have a unit that converts to mm"):
        convert(3.0 * u.keV, u.mm, name="radii")
    with pytest.raises(SettingsError, match="radii must be finite"):
        convert([1, np.nan] * u.mm, u.mm, name="radii")


def test_one_value_means_one():
    assert value_in(2 * u.m, u.mm, name="length") == 2000.0
    assert value_in(-2 * u.m, u.mm, name="length") == -2000.0
    with pytest.raises(SettingsError, match=r"length must be one value; got shape \(2,\)"):
        value_in([1, 2] * u.m, u.mm, name="length")


@pytest.mark.parametrize("value", [0.0, -1.0])
def test_above_zero_means_above_zero(value):
    assert positive_in(1e-9 * u.m, u.mm, name="length") == pytest.approx(1e-6)
    with pytest.raises(SettingsError, match="length must be above zero; got"):
        positive_in(value * u.mm, u.mm, name="length")


def test_arcsec_per_mm():
    # A radian has 206264.806247 arcsec.
    assert arcsec_per_mm(5200.0) == pytest.approx(206264.806247 / 5200, rel=1e-12)
