"""Azimuthal sectors of the image: a measure of asymmetry.

Not of mirror quadrants: in focus, rays cross the axis, so a bad quadrant shows in the
opposite sector.
"""

from dataclasses import dataclass

import numpy as np

from beamreduce.errors import MeasurementError, SettingsError
from beamreduce.record import Uncertain

# Light of the innermost pixels has no direction: where in its pixel it fell is not known.
CORE_PX = 1.5
# Parts along x and y of a pixel on a border; unequal, so that none lies on a diagonal.
_BORDER_STEPS = (8, 10)


@dataclass(frozen=True, kw_only=True)
class Sector:
    """The photons of one sector about the center.

    Parameters
    ----------
    start_deg, end_deg
        From the detector's +x axis towards +y.
    share
        Net photons of the sector over those of all sectors; what falls within a pixel and
        a half of the center counts evenly. ``model``: what it changes at most to do
        so out to four times that.
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
        Reference radius in pixels; a pixel belongs where its center is. Pixels on the
        border of two sectors are divided by area.
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
    inside = np.hypot(x, y) <= reference_px
    x, y = (np.broadcast_to(at, net.shape)[inside] for at in (x, y))
    parts = _parts(x, y, net[inside], variance[inside], count)
    everything = parts.photons.sum()
    if not everything > 0:
        raise MeasurementError(
            f"the net photons inside {reference_px:g} pixels about ({center_xy[0]:.1f}, "
            f"{center_xy[1]:.1f}) are {everything:.4g}; expected more than zero; check "
            f"that the beam was on and which background was taken off"
        )
    shares, spreads = parts.shares(CORE_PX)
    doubt = np.abs(shares - parts.shares(4 * CORE_PX)[0]).max()
    sectors = []
    for k in range(count):
        share = shares[k]
        others = spreads.sum() - spreads[k]
        scatter = np.sqrt((1 - share) ** 2 * spreads[k] + share**2 * others)
        sectors.append(
            Sector(
                start_deg=360 * k / count,
                end_deg=360 * (k + 1) / count,
                share=Uncertain(
                    value=float(share),
                    statistical=float(scatter / everything),
                    model=float(doubt),
                ),
                half_power_radius_px=_half_power(*parts.of(k), spreads[k]),
            )
        )
    return tuple(sectors)


@dataclass(frozen=True)
class _Parts:
    """Pixels, those on borders in parts: radius, sector, photons and variance of each."""

    radius: np.ndarray
    sector: np.ndarray
    photons: np.ndarray
    variance: np.ndarray
    count: int

    def shares(self, core_px: float) -> tuple[np.ndarray, np.ndarray]:
        """Share of each sector and its variance in photons²; the core counts evenly."""
        core = self.radius < core_px
        photons, variance = (
            np.bincount(self.sector[~core], values[~core], self.count)
            for values in (self.photons, self.variance)
        )
        photons = photons + self.photons[core].sum() / self.count
        variance = variance + self.variance[core].sum() / self.count**2
        return photons / self.photons.sum(), np.maximum(variance, 0.0)

    def of(self, number: int) -> tuple[np.ndarray, np.ndarray]:
        """Radius and photons of a sector and of its part of the core."""
        core = self.radius < CORE_PX
        here = core | (self.sector == number)
        weight = np.where(core[here], 1 / self.count, 1.0)
        return self.radius[here], weight * self.photons[here]


def _parts(
    x: np.ndarray, y: np.ndarray, photons: np.ndarray, variance: np.ndarray, count: int
) -> _Parts:
    turn = _turn(x, y, count)
    off_border = np.abs(turn - np.rint(turn)) * (2 * np.pi / count) * np.hypot(x, y)
    border = off_border < 1.0  # half a diagonal and more
    steps = [(np.arange(n) + 0.5) / n - 0.5 for n in _BORDER_STEPS]
    dx, dy = (step.ravel() for step in np.meshgrid(*steps))
    part_x, part_y = (
        at[border][:, None] + step for at, step in ((x, dx), (y, dy))
    )  # shape (pixels on borders, parts)
    sector = _turn(part_x, part_y, count).astype(int) % count
    # A sector that has the share f of a pixel has the share f² of its variance.
    share = np.stack([np.mean(sector == k, axis=1) for k in range(count)], axis=1)
    share = np.take_along_axis(share, sector, axis=1)
    of_part = np.ones(dx.size) / dx.size

    def joined(whole: np.ndarray, parts: np.ndarray) -> np.ndarray:
        return np.concatenate([whole[~border], parts.ravel()])

    return _Parts(
        radius=joined(np.hypot(x, y), np.hypot(part_x, part_y)),
        sector=joined(turn.astype(int) % count, sector),
        photons=joined(photons, photons[border][:, None] * of_part),
        variance=joined(variance, variance[border][:, None] * of_part * share),
        count=count,
    )


def _turn(x: np.ndarray, y: np.ndarray, count: int) -> np.ndarray:
    """Azimuth in sectors."""
    return np.arctan2(y, x) % (2 * np.pi) * (count / (2 * np.pi))


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
