"""Ranges that a number may lie in, with the words for messages."""

import math
from dataclasses import dataclass


@dataclass(frozen=True, kw_only=True)
class Range:
    """An interval; the numbers of any setting or table cell are held against one.

    ``words`` complete the sentence "expected a length …". Values that are not finite
    are outside every range, broken ones outside a range of whole numbers.
    """

    words: str
    low: float = -math.inf
    high: float = math.inf
    without_low: bool = False
    without_high: bool = False
    whole: bool = False

    def holds(self, value: float) -> bool:
        """Return True for a finite number inside the range."""
        try:
            if not math.isfinite(value):
                return False
        except OverflowError:  # a whole number of more than 308 digits
            return False
        if self.whole and value != int(value):
            return False
        above = value > self.low if self.without_low else value >= self.low
        below = value < self.high if self.without_high else value <= self.high
        return above and below


ANY = Range(words="that is finite")
ABOVE_ZERO = Range(words="above zero", low=0.0, without_low=True)
ZERO_OR_MORE = Range(words="of zero or more", low=0.0)
WHOLE_FROM_ONE = Range(words="that is whole and not below 1", low=1.0, whole=True)
FRACTION = Range(words="from 0 to 1", low=0.0, high=1.0)
FRACTION_ABOVE_ZERO = Range(
    words="above 0 and up to 1", low=0.0, high=1.0, without_low=True
)
FRACTION_BELOW_ONE = Range(words="from 0 to below 1", low=0.0, high=1.0, without_high=True)
