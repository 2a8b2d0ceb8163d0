"""Where the image of one quadrant is, how large it is and of which shape."""

import math
from dataclasses import dataclass

import astropy.units as u
import numpy as np

from beamreduce.background import NetImage
from beamreduce.campaign import MeasurementInputs
from beamreduce.image import Center, FocalImage
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


def shape_of(
    inputs: MeasurementInputs, image: FocalImage, net: NetImage, center: Center
) -> Shape | None:
    """Measure second moments within a circle whose radius is the half-power diameter.

    Uncertainties are the first-order propagation of every pixel's variance. None where
    noise makes a moment negative.
    """
    radius_px = 2 * center.half_power_radius
    y, x = np.indices(net.photons.shape, sparse=True)
    offset = np.broadcast_arrays(x - center.x, y - center.y)
    inside = (np.hypot(*offset) <= radius_px) & net.usable
    weights = net.photons[inside]
    noise = np.broadcast_to(image.noise_variance, inside.shape)[inside]
    variance = np.maximum(image.variance_per_photon * image.photons[inside] + noise, 0.0)
    total = weights.sum()
    if not total > 0:
        return None
    places = to_mirror(inputs) @ np.stack([part[inside] for part in offset])
    places = places - (places @ weights / total)[:, None]
    moments = (places * weights) @ places.T / total
    sizes, axes = np.linalg.eigh(moments)
    if sizes[0] <= 0:
        return None
    found = []
    for size, axis in zip(sizes, axes.T, strict=True):
        change = ((axis @ places) ** 2 - size) / total
        error = math.sqrt(float(change**2 @ variance)) / (2 * math.sqrt(size))
        found.append(
            Uncertain(value=math.sqrt(size), statistical=error).scaled(image.pixel_mm)
        )
    return Shape(
        radius_mm=radius_px * image.pixel_mm,
        longest_mm=found[1],
        shortest_mm=found[0],
        azimuth_deg=math.degrees(math.atan2(axes[1, 1], axes[0, 1])) % 180.0,
    )
