"""Whether maps of one reflector tell the same: repeated ones, and other magnifications."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

from scipy.stats import chi2

from beamreduce.record import Uncertain
from beamreduce.reflectors.band_powers import BANDS_A_DECADE, BandPowers

UNLIKELY = 0.001  # of repeats that differ this much by chance


@dataclass(frozen=True, kw_only=True)
class Agreement:
    """How well numbers that should be one agree.

    Parameters
    ----------
    combined
        Mean of the values; its statistical uncertainty is the larger of what the maps
        claim and what their scatter shows.
    chi_square, degrees_of_freedom
        Of the differences.
    probability
        Of a larger chi-square by chance.
    """

    combined: Uncertain
    chi_square: float
    degrees_of_freedom: int
    probability: float

    @property
    def agree(self) -> bool:
        """False when chance would do this once in a thousand times."""
        return self.probability >= UNLIKELY


def combine(values: Sequence[Uncertain]) -> Agreement:
    """Return the mean of repeated values, and whether they agree.

    Notes
    -----
    Every map weighs the same: its own estimate of its uncertainty rises with its value, and
    weights from it would draw the mean low. Where the scatter exceeds the claimed
    uncertainty, the standard deviation of the mean is taken (JCGM 100:2008, 4.2.3).
    Systematic terms are common to all maps and stay.
    """
    n = len(values)
    mean = sum(v.value for v in values) / n
    claimed = math.sqrt(sum(v.statistical**2 for v in values)) / n
    systematic = sum(v.systematic for v in values) / n
    if n == 1:
        only = Uncertain(value=mean, statistical=claimed, systematic=systematic)
        return Agreement(
            combined=only, chi_square=0.0, degrees_of_freedom=0, probability=1.0
        )
    squares = sum((v.value - mean) ** 2 for v in values)
    # One common uncertainty: under the hypothesis all maps are of the same surface.
    variance = sum(v.statistical**2 for v in values) / n
    chi_square = squares / variance if variance > 0 else (math.inf if squares else 0.0)
    seen = math.sqrt(squares / (n * (n - 1)))
    return Agreement(
        combined=Uncertain(
            value=mean, statistical=max(claimed, seen), systematic=systematic
        ),
        chi_square=min(chi_square, 1e12),
        degrees_of_freedom=n - 1,
        probability=float(chi2.sf(chi_square, n - 1)),
    )


@dataclass(frozen=True, kw_only=True)
class BandAgreement:
    """Two magnifications compared in the band that both show.

    Parameters
    ----------
    low_per_um, high_per_um
        The band.
    rms_nm
        Of each map within it.
    ratio
        First over second.
    agreement
        Chi-square and mean of the two.
    """

    low_per_um: float
    high_per_um: float
    rms_nm: tuple[Uncertain, Uncertain]
    ratio: float
    agreement: Agreement


# Optics blur the shortest waves of a map, and its shape took the longest: stay away from
# the edges of both maps by a factor of two.
_AWAY = round(BANDS_A_DECADE * math.log10(2.0))


def compare_magnifications(first: BandPowers, second: BandPowers) -> BandAgreement | None:
    """Compare two maps of one surface in the band of waves that both show.

    Returns None when they have no band in common. It keeps a factor of two away from the
    edges of each map.
    """
    low = max(one.first for one in (first, second)) + _AWAY
    high = min(one.first + len(one.area_nm2) for one in (first, second)) - _AWAY
    if not low < high:
        return None
    rms = tuple(one.rms_nm(low, high) for one in (first, second))
    if min(value.value for value in rms) <= 0:
        return None
    return BandAgreement(
        low_per_um=10 ** (low / BANDS_A_DECADE),
        high_per_um=10 ** (high / BANDS_A_DECADE),
        rms_nm=rms,
        ratio=rms[0].value / rms[1].value,
        agreement=combine(rms),
    )
