"""Exposures as numbers: how many photons each counted, and what it had to count them with.

A reading is what a ratio of fluxes is made of, wherever it comes from: the circle about an
image, a whole frame in the direct beam, a counter behind a known hole.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from beamreduce.campaign import Exposure
from beamreduce.campaign.exposure_amount import ExposureAmount
from beamreduce.errors import MeasurementError


@dataclass(frozen=True, kw_only=True)
class Reading:
    """What one exposure counted.

    Parameters
    ----------
    exposure
        The row.
    photons
        Net photons.
    noise_variance
        Variance of them that their own counting does not bring: background, detector.
    variance_per_photon
        Variance that each photon brings; 1 for a counter.
    amount
        Seconds or net monitor counts.
    factor
        Photons counted for each photon per mm² at the reference plane: area (mm²), spread
        of the beam, filter, efficiency, share of the line. Only for ratios within one set
        of readings where ``photons`` is in a circle of an image: then the area is left
        out, for it is what is wanted.
    """

    exposure: Exposure
    photons: float
    noise_variance: float
    variance_per_photon: float
    amount: ExposureAmount
    factor: float

    @property
    def collected(self) -> float:
        """Amount times factor: what the photons are to be divided by."""
        return self.amount.value * self.factor

    def expected_variance(self, rate: float) -> float:
        """Return the variance of the photons at a known rate, monitor counts included."""
        return (
            self.variance_per_photon * max(rate * self.collected, 1.0)
            + self.noise_variance
            + self.amount.own_variance * (rate * self.factor) ** 2
        )


@dataclass(frozen=True, kw_only=True)
class Rate:
    """Photons for each unit of amount and factor, from several readings together.

    Parameters
    ----------
    value
        ``Σ photons / Σ collected``, the most likely one for counts (for Poisson counts of
        known exposure the sum is all that matters).
    photons
        Relative standard uncertainty from counting photons, background and noise.
    monitor
        The same from counting of the monitor.
    declared
        The same from what is declared of amounts, common to all readings.
    chi_square, degrees_of_freedom
        Of the readings about the common rate.
    """

    value: float
    photons: float
    monitor: float
    declared: float
    chi_square: float
    degrees_of_freedom: int

    @property
    def scatter(self) -> float:
        """Factor by which repeats scatter more than counting; never below 1.

        ``√(χ²/ν)``, the ratio of Birge 1932, Phys. Rev. 40, 207 (from memory): what
        repeats show replaces what counting tells, where it is larger.
        """
        if not self.degrees_of_freedom:
            return 1.0
        return max(math.sqrt(self.chi_square / self.degrees_of_freedom), 1.0)

    @property
    def chance(self) -> float | None:
        """Chance of a larger chi-square; None for a single reading."""
        if not self.degrees_of_freedom:
            return None
        from scipy.stats import chi2  # noqa: PLC0415 - a quick look needs none of it

        return float(chi2.sf(self.chi_square, self.degrees_of_freedom))


def rate_of(readings: Sequence[Reading]) -> Rate:
    """Return the common rate of readings.

    Raises
    ------
    MeasurementError
        When nothing was collected, or no net photons were counted.
    """
    collected = sum(one.collected for one in readings)
    photons = sum(one.photons for one in readings)
    names = ", ".join(one.exposure.exposure for one in readings)
    if not collected > 0:
        raise MeasurementError(
            f"exposures {names}: found {collected:.4g} of live time or net monitor counts "
            f"to divide by; expected more than zero; check monitor_counts and "
            f"monitor_background"
        )
    if not photons > 0:
        raise MeasurementError(
            f"exposures {names}: found {photons:.4g} net photons; expected more than zero; "
            f"check that the beam was on"
        )
    rate = photons / collected
    noise = sum(o.variance_per_photon * max(o.photons, 0.0) + o.noise_variance
                for o in readings)  # fmt: skip
    monitor = sum(one.amount.own_variance * one.factor**2 for one in readings)
    declared = sum(one.amount.systematic * one.factor for one in readings)
    residuals = [
        (one.photons - rate * one.collected) ** 2 / one.expected_variance(rate)
        for one in readings
    ]
    return Rate(
        value=rate,
        photons=math.sqrt(max(noise, 1.0)) / photons,
        monitor=math.sqrt(monitor) / collected,
        declared=declared / collected,
        chi_square=float(sum(residuals)),
        degrees_of_freedom=len(readings) - 1,
    )


def scatter_between(readings: Sequence[Reading], rate: Rate) -> float:
    """Return how far readings differ beyond counting, relative; one standard deviation.

    The variance of the readings' own rates less the mean of what counting explains
    (analysis of variance, one-way); zero where counting explains it all.
    """
    if len(readings) < 2:
        return 0.0
    own = np.array([one.photons / one.collected for one in readings]) / rate.value
    counting = np.array(
        [one.expected_variance(rate.value) / (rate.value * one.collected) ** 2
         for one in readings]
    )  # fmt: skip
    return math.sqrt(max(float(own.var(ddof=1) - counting.mean()), 0.0))


def reading_rows(readings: Sequence[Reading], rate: Rate) -> list[dict[str, object]]:
    """Return each reading beside the common rate, as results.json holds it."""
    return [
        {
            "exposure": one.exposure.exposure,
            "photons": one.photons,
            "amount": one.amount.value,
            "amount_uncertainty": math.sqrt(one.amount.own_variance),
            "live_seconds": one.exposure.live_seconds,
            "relative_rate": one.photons / one.collected / rate.value,
            "relative_uncertainty": math.sqrt(one.expected_variance(rate.value))
            / (rate.value * one.collected),
        }
        for one in readings
    ]
