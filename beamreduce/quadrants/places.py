"""Where the image of one quadrant is, how large it is and of which shape."""

import math
from dataclasses import dataclass

import astropy.units as u
import numpy as np

from beamreduce.background import NetImage
from beamreduce.campaign import MeasurementInputs
from beamreduce.image import Center
from beamreduce.infinity.declared import mirror_offset_mm
from beamreduce.record import Uncertain


@dataclass(frozen=True, kw_only=True)
class Shape:
    """Second moments of an image within a circle about its center.

    Parameters
    ----------
    radius_mm
        Of the circle: the half-power diameter, as for the center.
    longest_mm, shortest_mm
        Standard deviations of the light along the axes of the ellipse that has the same
        second moments.
    azimuth_deg
        Where the longest axis points, 0 to 180, in the frame of the mirror's azimuths.
    """

    radius_mm: float
    longest_mm: Uncertain
    shortest_mm: Uncertain
    azimuth_deg: float


@dataclass(frozen=True, kw_only=True)
class QuadrantImage:
    """The image of one quadrant in one measurement.

    Parameters
    ----------
    aperture, id
        Quadrant and measurement.
    distance_mm, energy_kev, pixel_mm
        Detector behind the reference plane, photon energy, side of a pixel.
    center_px, covariance_px2
        Center in pixels of the detector, (2,), and its covariance, (2, 2).
    place_mm, covariance_mm2
        The same in the frame of the mirror's azimuths, from an origin that is common to
        all images of one detector.
    hpd_arcsec
        Half-power diameter as measured; None where it cannot be had.
    shape
        Shape of its core; None where it has too few photons.
    stage_mm
        Where the detector's stage stood; NaN where that was not declared.
    """

    aperture: str
    id: str
    distance_mm: float
    energy_kev: float
    pixel_mm: float
    center_px: np.ndarray
    covariance_px2: np.ndarray
    place_mm: np.ndarray
    covariance_mm2: np.ndarray
    hpd_arcsec: Uncertain | None
    shape: Shape | None
    stage_mm: tuple[float, float]


def to_mirror(inputs: MeasurementInputs) -> np.ndarray:
    """Return the matrix that turns offsets on the detector into the mirror's frame."""
    return np.array([mirror_offset_mm(inputs, *unit) for unit in ((1, 0), (0, 1))]).T


def quadrant_image(
    inputs: MeasurementInputs,
    center: Center,
    hpd_arcsec: Uncertain | None,
    shape: Shape | None,
) -> QuadrantImage:
    """Describe the image of one quadrant.

    Parameters
    ----------
    inputs
        The measurement.
    center
        Center of its net image.
    hpd_arcsec, shape
        As measured.
    """
    pixel_mm = float(inputs.detector.pixel_size.to_value(u.mm))
    turn = to_mirror(inputs) * pixel_mm
    variance = center.x_uncertainty**2, center.y_uncertainty**2
    covariance = np.diag(variance) + center.xy_covariance * np.array([[0, 1], [1, 0]])
    row = inputs.beam[0].exposure
    return QuadrantImage(
        aperture=inputs.aperture,
        id=inputs.id,
        distance_mm=float(inputs.detector_distance.to_value(u.mm)),
        energy_kev=float(inputs.energy.to_value(u.keV)),
        pixel_mm=pixel_mm,
        center_px=np.array(center.xy),
        covariance_px2=covariance,
        place_mm=turn @ np.array(center.xy),
        covariance_mm2=turn @ covariance @ turn.T,
        hpd_arcsec=hpd_arcsec,
        shape=shape,
        stage_mm=tuple(
            math.nan if place is None else float(place.to_value(u.mm))
            for place in (row.detector_x, row.detector_y)
        ),
    )


def shape_of(inputs: MeasurementInputs, net: NetImage, center: Center) -> Shape | None:
    """Measure second moments within a circle whose radius is the half-power diameter.

    Uncertainties are the first-order propagation of every pixel's variance through the
    moment and through the circle, whose radius changes with the photons; the center, to
    which a moment is blind to first order, and the axes stay. None where noise makes a
    moment negative.
    """
    pixel_mm, half_px = net.image.pixel_mm, center.half_power_radius
    core = _Core.about(inputs, net, center)
    moments = core.moments(2 * half_px)
    if moments is None:
        return None
    sizes, axes = np.linalg.eigh(moments)
    if sizes[0] <= 0:
        return None
    found = []
    for size, axis in zip(sizes, axes.T, strict=True):
        error = math.sqrt(core.variance_of(axis, size, half_px)) / (2 * math.sqrt(size))
        found.append(Uncertain(value=math.sqrt(size), statistical=error).scaled(pixel_mm))
    return Shape(
        radius_mm=2 * half_px * pixel_mm,
        longest_mm=found[1],
        shortest_mm=found[0],
        azimuth_deg=math.degrees(math.atan2(axes[1, 1], axes[0, 1])) % 180.0,
    )


@dataclass(frozen=True)
class _Core:
    """Usable pixels near a center, in the mirror's frame: places, photons, variances."""

    places: np.ndarray
    away: np.ndarray
    photons: np.ndarray
    variance: np.ndarray

    @classmethod
    def about(cls, inputs: MeasurementInputs, net: NetImage, center: Center) -> "_Core":
        y, x = np.indices(net.photons.shape, sparse=True)
        offset = np.broadcast_arrays(x - center.x, y - center.y)
        near = (np.hypot(*offset) <= 3 * center.half_power_radius + 2) & net.usable
        places = to_mirror(inputs) @ np.stack([part[near] for part in offset])
        away = np.hypot(*places)
        return cls(places, away, net.photons[near], net.variance[near])

    def moments(self, radius: float) -> np.ndarray | None:
        """Second moments about their own mean, (2, 2); None without photons."""
        # Pixels on the circle count with a share that falls over one pixel.
        weight = self.photons * np.clip(radius + 0.5 - self.away, 0.0, 1.0)
        total = weight.sum()
        if not total > 0:
            return None
        places = self.places - (self.places @ weight / total)[:, None]
        return (places * weight) @ places.T / total

    def variance_of(self, axis: np.ndarray, size: float, half_px: float) -> float:
        """Variance of the moment along an axis."""
        radius, step = 2 * half_px, max(half_px / 12, 0.5)
        inside = self.away <= radius
        total = self.photons[inside].sum()
        mean = self.places[:, inside] @ self.photons[inside] / total
        along = axis @ (self.places - mean[:, None])
        wider, narrower = (self.moments(radius + s) for s in (2 * step, -2 * step))
        growth = axis @ (wider - narrower) @ axis / (4 * step)
        ring = self.photons[np.abs(self.away - half_px) <= step].sum() / (2 * step)
        # The circle's radius is twice the half-power one, of which a photon more outside
        # makes half a photon's worth, and one inside takes as much off.
        by_radius = growth / ring if ring > 0 else 0.0
        change = np.where(self.away < half_px, -by_radius, by_radius)
        change[inside] += (along[inside] ** 2 - size) / total
        within = self.away <= radius
        beyond = max(2 * self.photons[self.away < half_px].sum() - total, 0.0)
        per_photon = self.variance[within].sum() / total
        return float(
            change[within] ** 2 @ self.variance[within] + beyond * per_photon * by_radius**2
        )
