import astropy.units as u
import pytest

from beamreduce.beamline.dead_time import (
    DEAD_TIME_MODELS,
    dead_time_fraction,
    measured_rate,
    true_rate,
)
from beamreduce.errors import SettingsError

TAU = 10 * u.us


@pytest.mark.parametrize("model", DEAD_TIME_MODELS)
@pytest.mark.parametrize("rate", [1.0, 1e3, 3e4, 9e4])
def test_what_a_counter_shows_goes_back_to_what_arrives(model, rate):
    arriving = rate / u.s
    if model == "paralysable" and rate * 1e-5 > 1:
        pytest.skip("two true rates show alike beyond 1/τ")
    shown = measured_rate(arriving, TAU, model)
    assert true_rate(shown, TAU, model).to_value(1 / u.s) == pytest.approx(rate, rel=1e-9)


def test_the_other_model_is_the_model_part():
    lost = dead_time_fraction(1e4 / u.s, TAU, "non_paralysable")
    assert lost.value == pytest.approx(0.1)
    assert lost.model == pytest.approx(1 - 1e4 / 11183.255916 - 0.1, rel=1e-6)


def test_nothing_counted_is_nothing_lost():
    lost = dead_time_fraction(0 / u.s, TAU, "paralysable")
    assert (lost.value, lost.model) == (0.0, 0.0)


@pytest.mark.parametrize(
    ("model", "most"), [("non_paralysable", "1e\\+05"), ("paralysable", "3.679e\\+04")]
)
def test_more_than_a_counter_can_show_is_refused(model, most):
    with pytest.raises(SettingsError, match=f"measured rate must be below {most}"):
        true_rate(1.1e5 / u.s, TAU, model)


def test_a_rate_below_zero_and_an_unknown_model_are_refused():
    with pytest.raises(SettingsError, match="must not be below zero"):
        true_rate(-1 / u.s, TAU, "paralysable")
    with pytest.raises(SettingsError, match="dead time model must be one of"):
        measured_rate(1 / u.s, TAU, "dead")
