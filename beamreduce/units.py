"""The door for units: quantities come in, floats with a unit in their name go on."""

import math
import re

import astropy.units as u
import numpy as np
from astropy.units import Quantity

from beamreduce.errors import SettingsError

ELECTRON_PER_ADU = u.electron / u.adu

# The unit may not begin with a digit (but for "1/s"): "86 500 mm" is no 86 times 500 mm.
_NUMBER_AND_UNIT = re.compile(
    r"^\s*([+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?)"
    r"\s*((?:1\s*/\s*|[^\s\d.+-]).*?)?\s*$"
)


def parse_quantity(text: object, unit: u.UnitBase, *, name: str) -> Quantity:
    """Read a string such as ``"5.2 m"`` and convert it to a unit.

    Parameters
    ----------
    text
        Number and unit in one string.
    unit
        Unit wanted; any unit that converts to it is accepted.
    name
        What the value is called, for the message.

    Raises
    ------
    SettingsError
        When it is no string with a number and a unit, the unit does not convert,
        or the number is not finite.
    """
    example = f'a number and a unit in one string, such as "1 {unit.to_string()}"'
    if not isinstance(text, str):
        raise SettingsError(f"{name} must be {example}; got {text!r}")
    match = _NUMBER_AND_UNIT.match(text)
    if match is None:
        raise SettingsError(f"{name} must be {example}; got {text!r}")
    number, unit_text = match.groups()
    if unit_text is None:
        raise SettingsError(f"{name} must be {example}; got {text!r}, which has no unit")
    try:
        quantity = Quantity(float(number), u.Unit(unit_text))
    except (ValueError, TypeError):
        raise SettingsError(
            f"{name} must be {example}; got {text!r}, whose unit is not known"
        ) from None
    return convert(quantity, unit, name=name)


def convert(quantity: Quantity, unit: u.UnitBase, *, name: str) -> Quantity:
    """Convert a quantity to a unit, or say which argument has the wrong one."""
    if not isinstance(quantity, Quantity):
        raise SettingsError(f"{name} must have a unit ({unit}); got {quantity!r}")
    try:
        converted = quantity.to(unit)
    except u.UnitConversionError:
        raise SettingsError(
            f"{name} must have a unit that converts to {unit}; got {quantity}"
        ) from None
    if not np.all(np.isfinite(converted.value)):
        raise SettingsError(f"{name} must be finite; got {quantity}")
    return converted


def value_in(quantity: Quantity, unit: u.UnitBase, *, name: str) -> float:
    """Return one finite number in the unit wanted."""
    converted = convert(quantity, unit, name=name)
    if converted.shape != ():
        raise SettingsError(f"{name} must be one value; got shape {converted.shape}")
    return float(converted.value)


def positive_in(quantity: Quantity, unit: u.UnitBase, *, name: str) -> float:
    """Return one finite number above zero in the unit wanted."""
    value = value_in(quantity, unit, name=name)
    if value <= 0:
        raise SettingsError(f"{name} must be above zero; got {quantity}")
    return value


def arcsec_per_mm(distance_mm: float) -> float:
    """Angle in arcsec that 1 mm fills at a distance (paraxial: offset over distance)."""
    return math.degrees(1.0 / distance_mm) * 3600.0
