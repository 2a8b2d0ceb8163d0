"""A number with its three uncertainties."""

import json
import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from beamreduce.errors import SettingsError
from beamreduce.record import Uncertain

numbers = st.floats(-1e6, 1e6)
sizes = st.floats(0.0, 1e6)
uncertain = st.builds(
    Uncertain, value=numbers, statistical=sizes, systematic=sizes, model=sizes
)


def test_parts_add_in_quadrature():
    assert Uncertain(value=9, statistical=2, systematic=3, model=6).uncertainty == 7.0


@given(uncertain, st.floats(-100, 100))
def test_scaling_scales_every_part(quantity, factor):
    scaled = quantity.scaled(factor)
    assert scaled.value == quantity.value * factor
    assert scaled.statistical >= 0
    assert scaled.uncertainty == pytest.approx(quantity.uncertainty * abs(factor))


@given(uncertain)
def test_it_survives_json(quantity):
    stored = json.loads(json.dumps(quantity.to_json(), allow_nan=False))
    assert Uncertain.from_json(stored) == quantity
    assert set(stored) == {"value", "uncertainty", "statistical", "systematic", "model"}


def test_a_relative_term_joins_the_systematic_part():
    quantity = Uncertain(value=-10, statistical=1, systematic=0.3).with_systematic(0.04)
    assert quantity.systematic == pytest.approx(0.5)
    assert (quantity.value, quantity.statistical, quantity.model) == (-10, 1, 0)


@pytest.mark.parametrize("part", ["value", "statistical", "systematic", "model"])
@pytest.mark.parametrize("number", [math.nan, math.inf])
def test_what_is_not_finite_is_refused(part, number):
    parts = {"value": 1.0, "statistical": 1.0, part: number}
    with pytest.raises(SettingsError, match=f"{part} must be a finite number"):
        Uncertain(**parts)


@pytest.mark.parametrize("part", ["statistical", "systematic", "model"])
def test_an_uncertainty_below_zero_is_refused(part):
    parts = {"value": 1.0, "statistical": 1.0, part: -0.1}
    with pytest.raises(SettingsError, match=f"{part} must be .* at least zero; got -0.1"):
        Uncertain(**parts)


def test_text_says_value_uncertainty_and_the_kinds_there_are():
    both = Uncertain(value=51.4747, statistical=0.3, systematic=0.04)
    assert str(both) == "51.47 ± 0.30 (statistical 0.3, systematic 0.04)"
    assert str(Uncertain(value=3.0, statistical=0.0)) == "3"
