"""Plate scale: how far the image moves for a known move of the source."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from beamreduce.errors import MeasurementError
from beamreduce.record import Uncertain
from beamreduce.units import arcsec_per_mm


@dataclass(frozen=True, kw_only=True)
class ImagePlace:
    """Where an image is, for a source moved sideways by a known angle.

    Parameters
    ----------
    id
        Measurement.
    off_axis_arcmin
        Direction (x, y) of the source from the mirror's axis.
    center_mm
        Of its image on the detector, (x, y), any origin.
    uncertainty_mm
        Standard uncertainty an axis.
    """

    id: str
    off_axis_arcmin: tuple[float, float]
    center_mm: tuple[float, float]
    uncertainty_mm: float


@dataclass(frozen=True, kw_only=True)
class PlateScale:
    """The scale that images at known places tell.

    Parameters
    ----------
    arcsec_per_mm
        Measured.
    expected_arcsec_per_mm
        One radian over the detector's distance: a shifted source moves its image by
        ``D`` times the angle, whatever the focal length.
    residuals_mm
        Of each image, (x, y).
    """

    arcsec_per_mm: Uncertain
    expected_arcsec_per_mm: float
    residuals_mm: tuple[tuple[float, float], ...]


def plate_scale(places: Sequence[ImagePlace], distance_mm: float) -> PlateScale:
    """Fit ``center = c + s R θ``: origin, scale, turn or mirror image of the detector.

    Parameters
    ----------
    places
        Images at one detector distance, of sources moved sideways.
    distance_mm
        That distance.

    Raises
    ------
    MeasurementError
        When there are fewer than two different directions.
    """
    angle = np.array([p.off_axis_arcmin for p in places]).reshape(-1, 2)
    center = np.array([p.center_mm for p in places]).reshape(-1, 2)
    if np.unique(np.round(angle, 9), axis=0).shape[0] < 2:
        raise MeasurementError(
            "a plate scale needs images of a source at two different places at least; got "
            f"{len(places)} images of one"
        )
    fits = [_fit(angle, center, flip) for flip in (1.0, -1.0)]
    scale, residuals, spread = min(fits, key=lambda fit: float((fit[1] ** 2).sum()))
    noise = float(np.mean([p.uncertainty_mm**2 for p in places])) ** 0.5
    error = noise / spread
    arcsec = 60.0 / scale
    return PlateScale(
        arcsec_per_mm=Uncertain(value=arcsec, statistical=arcsec * error / scale),
        expected_arcsec_per_mm=arcsec_per_mm(distance_mm),
        residuals_mm=tuple((float(x), float(y)) for x, y in residuals),
    )


def _fit(
    angle: np.ndarray, center: np.ndarray, flip: float
) -> tuple[float, np.ndarray, float]:
    """Scale in mm an arcmin, residuals, and the length that a scale is measured along."""
    z = (angle - angle.mean(axis=0)) @ np.array([1.0, 1j * flip])
    w = (center - center.mean(axis=0)) @ np.array([1.0, 1j])
    factor = (np.conj(z) @ w) / (np.conj(z) @ z)
    left = w - factor * z
    residuals = np.stack([left.real, left.imag], axis=1)
    return abs(factor), residuals, float(np.sqrt((np.conj(z) @ z).real))
