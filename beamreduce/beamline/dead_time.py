"""What a counter that is blind for a while after each count has missed."""

import math

import astropy.units as u
from astropy.units import Quantity

from beamreduce.errors import SettingsError
from beamreduce.record import Uncertain
from beamreduce.units import positive_in, value_in

DEAD_TIME_MODELS = ("non_paralysable", "paralysable")
TRUSTED_LOSS = 0.1  # above it the two models differ by more than 0.65 %


def measured_rate(true_rate: Quantity, dead_time: Quantity, model: str) -> Quantity:
    """Return the rate that a counter shows.

    Parameters
    ----------
    true_rate
        Counts a second that arrive.
    dead_time
        Time after a count in which the counter is blind.
    model
        ``non_paralysable``: ``m = n/(1 + nτ)``, what arrives while it is blind is lost.
        ``paralysable``: ``m = n exp(−nτ)``, what arrives makes it blind anew.

    Notes
    -----
    Knoll, Radiation Detection and Measurement, chapter 4 (from memory).
    """
    rate, blind = _rate(true_rate, "true_rate"), _time(dead_time)
    _check(model)
    if model == "paralysable":
        return rate * math.exp(-rate * blind) / u.s
    return rate / (1 + rate * blind) / u.s


def dead_time_fraction(measured: Quantity, dead_time: Quantity, model: str) -> Uncertain:
    """Return the share of what arrived that a counter missed: ``1 − m/n``.

    The model part is the difference that the other model makes: neither is to be trusted
    where they differ by more than the area's own uncertainty.

    Parameters
    ----------
    measured
        Counts a second that it shows.
    dead_time
        Time after a count in which it is blind.
    model
        As in :func:`measured_rate`.

    Raises
    ------
    SettingsError
        When no true rate shows as this one: at or above ``1/τ``, or ``1/(eτ)`` for the
        paralysable model.
    """
    rate = _rate(measured, "measured rate")
    if not rate:
        return Uncertain(value=0.0, statistical=0.0)
    chosen = 1 - rate / true_rate(measured, dead_time, model).to_value(1 / u.s)
    other = next(name for name in DEAD_TIME_MODELS if name != model)
    try:
        against = true_rate(measured, dead_time, other).to_value(1 / u.s)
        differs = abs(1 - rate / against - chosen)
    except SettingsError:  # beyond what the other could show at all
        differs = chosen
    return Uncertain(value=chosen, statistical=0.0, model=differs)


def true_rate(measured: Quantity, dead_time: Quantity, model: str) -> Quantity:
    """Return the rate that arrives, from the rate that a counter shows.

    ``n = m/(1 − mτ)``, or the smaller solution of ``m = n exp(−nτ)``.

    Raises
    ------
    SettingsError
        When no true rate shows as this one.
    """
    rate, blind = _rate(measured, "measured rate"), _time(dead_time)
    _check(model)
    busy = rate * blind
    highest = 1.0 if model == "non_paralysable" else math.exp(-1)
    if busy >= highest:
        raise SettingsError(
            f"measured rate must be below {highest / blind:.4g} per second, the most that "
            f"a {model.replace('_', '-')} counter blind for {dead_time} can show; got "
            f"{measured:.4g} (is the dead time right?)"
        )
    if model == "non_paralysable":
        return rate / (1 - busy) / u.s
    from scipy.special import lambertw  # noqa: PLC0415 - slow import, seldom needed

    # m τ = x exp(−x) with x = n τ: the principal branch is the smaller solution.
    return float(-lambertw(-busy).real) / blind / u.s


def _rate(rate: Quantity, name: str) -> float:
    value = value_in(rate, 1 / u.s, name=name)
    if value < 0:
        raise SettingsError(f"{name} must not be below zero; got {rate}")
    return value


def _time(dead_time: Quantity) -> float:
    return positive_in(dead_time, u.s, name="dead_time")


def _check(model: str) -> None:
    if model not in DEAD_TIME_MODELS:
        raise SettingsError(
            f"dead time model must be one of {', '.join(DEAD_TIME_MODELS)}; got {model!r}"
        )
