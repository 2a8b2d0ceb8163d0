"""A number that people will quote, with its three kinds of uncertainty."""

import math
from collections.abc import Mapping
from dataclasses import dataclass, fields

from beamreduce.errors import SettingsError


@dataclass(frozen=True, kw_only=True, slots=True)
class Uncertain:
    """A value and its one-standard-deviation uncertainties, kept apart by kind.

    The unit is in the name of the key that the value is stored under.

    Parameters
    ----------
    value
        The number itself.
    statistical
        From counting: would differ if the exposure were repeated.
    systematic
        From the declared uncertainties of the settings: common to all repeats.
    model
        From the choice of a model: spread among sensible ones.

    Notes
    -----
    The combined standard uncertainty adds the three in quadrature
    (JCGM 100:2008, the GUM, section 5.1, uncorrelated inputs).
    """

    value: float
    statistical: float
    systematic: float = 0.0
    model: float = 0.0

    def __post_init__(self) -> None:
        for field in fields(self):
            number = getattr(self, field.name)
            if not math.isfinite(number) or (field.name != "value" and number < 0):
                raise SettingsError(
                    f"{field.name} must be a finite number"
                    f"{'' if field.name == 'value' else ' of at least zero'}; got {number}"
                )

    @property
    def uncertainty(self) -> float:
        """Combined standard uncertainty."""
        return math.hypot(self.statistical, self.systematic, self.model)

    def __str__(self) -> str:
        parts = (
            (name, getattr(self, name)) for name in ("statistical", "systematic", "model")
        )
        given = ", ".join(f"{name} {size:.2g}" for name, size in parts if size > 0)
        return rounded(self) + (given and f" ({given})")

    def scaled(self, factor: float) -> "Uncertain":
        """Return the same quantity in a unit that is ``1/factor`` as large."""
        size = abs(factor)
        return Uncertain(
            value=self.value * factor,
            statistical=self.statistical * size,
            systematic=self.systematic * size,
            model=self.model * size,
        )

    def with_systematic(self, relative: float) -> "Uncertain":
        """Return the same quantity with one more relative systematic term."""
        return Uncertain(
            value=self.value,
            statistical=self.statistical,
            systematic=math.hypot(self.systematic, self.value * relative),
            model=self.model,
        )

    def to_json(self) -> dict[str, float]:
        """Return the form that results.json holds."""
        return {
            "value": self.value,
            "uncertainty": self.uncertainty,
            "statistical": self.statistical,
            "systematic": self.systematic,
            "model": self.model,
        }

    @classmethod
    def from_json(cls, stored: Mapping[str, float]) -> "Uncertain":
        """Read the form that results.json holds."""
        return cls(
            value=stored["value"],
            statistical=stored["statistical"],
            systematic=stored["systematic"],
            model=stored["model"],
        )


def rounded(quantity: Uncertain) -> str:
    """Write a value and its combined standard uncertainty, two digits of the latter.

    Two significant digits at most: JCGM 100:2008, 7.2.6.
    """
    value, spread = quantity.value, quantity.uncertainty
    if spread == 0:
        return f"{value:.6g}"
    # Rounded first: 0.0996 has its two digits at 0.10.
    exponent = math.floor(math.log10(float(f"{spread:.1e}")))
    places = 1 - exponent
    if places > 0:
        return f"{value:z.{places}f} ± {spread:.{places}f}"
    return f"{round(value, places):z.0f} ± {round(spread, places):.0f}"
