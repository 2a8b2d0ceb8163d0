"""Azimuthal sectors of the image: a measure of asymmetry.

Not of mirror quadrants: in focus, rays cross the axis, so a bad quadrant shows in the
opposite sector.
"""

from dataclasses import dataclass

import numpy as np

from beamreduce.errors import MeasurementError, SettingsError
from beamreduce.record import Uncertain


@dataclass(frozen=True, kw_only=True)
class Sector:
    """The photons of one sector about the center.

    Parameters
    ----------
    start_deg, end_deg
        From the detector's +x axis towards +y.
    share
        Net photons of the sector over those of all sectors.
    half_power_radius_px
        Radius that holds half the sector's net photons; None where the sector has none.
    """

    start_deg: float
    end_deg: float
    share: Uncertain
    half_power_radius_px: Uncertain | None


def measure_sectors(
    net: np.ndarray,
    variance: np.ndarray,
    center_xy: tuple[float, float],
    reference_px: float,
    *,
    count: int = 8,
) -> tuple[Sector, ...]:
    """Divide the image about its center into sectors and measure each.

    Parameters
    ----------
    net, variance
        Net photons and their variance a pixel, shape (ny, nx).
    center_xy
        Center in pixels; sector 0 starts at +x and goes towards +y.
    reference_px
        Reference radius in pixels; a pixel belongs where its center is.
    count
        Number of sectors.

    Raises
    ------
    MeasurementError
        When the net photons inside the reference radius are not above zero.
    """
    if count < 2:
        raise SettingsError(f"count of sectors must be at least 2; got {count}")
    ny, nx = net.shape
    x = np.arange(nx) - center_xy[0]
    y = np.arange(ny)[:, None] - center_xy[1]
    radius = np.hypot(x, y)
    inside = radius <= reference_px
    turn = np.arctan2(y, x)[inside] % (2 * np.pi) / (2 * np.pi)
    number = np.minimum((turn * count).astype(int), count - 1)
    radius, photons, spread = radius[inside], net[inside], variance[inside]
    totals = np.bincount(number, photons, count)
    variances = np.maximum(np.bincount(number, spread, count), 0.0)
    everything = totals.sum()
    if not everything > 0:
        raise MeasurementError(
            f"the net photons inside {reference_px:g} pixels about ({center_xy[0]:.1f}, "
            f"{center_xy[1]:.1f}) are {everything:.4g}; expected more than zero; check "
            f"that the beam was on and which background was taken off"
        )
    sectors = []
    for k in range(count):
        share = totals[k] / everything
        others = variances.sum() - variances[k]
        scatter = np.sqrt((1 - share) ** 2 * variances[k] + share**2 * others)
        here = number == k
        sectors.append(
            Sector(
                start_deg=360 * k / count,
                end_deg=360 * (k + 1) / count,
                share=Uncertain(
                    value=float(share), statistical=float(scatter / everything)
                ),
                half_power_radius_px=_half_power(radius[here], photons[here], variances[k]),
            )
        )
    return tuple(sectors)


def _half_power(
    radius: np.ndarray, photons: np.ndarray, variance: float
) -> Uncertain | None:
    """Median radius with the order-statistic uncertainty, from one-pixel bins."""
    growth = np.cumsum(np.bincount(radius.astype(int), photons))
    total = growth[-1] if growth.size else 0.0
    if total <= 3 * np.sqrt(variance):
        return None
    edges = np.arange(growth.size + 1.0)
    curve = np.concatenate([[0.0], np.maximum.accumulate(growth)]) / total
    low, middle, high = (
        float(np.interp(level, curve, edges)) for level in (0.35, 0.5, 0.65)
    )
    # σ(r) = √(q(1-q)/N)/EEF′(r) with the relative noise √(variance)/total for 1/√N.
    return Uncertain(
        value=middle,
        statistical=float(0.5 * np.sqrt(variance) / total * (high - low) / 0.3),
    )
