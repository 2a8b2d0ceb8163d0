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
    model_mm
        Where the mirror's model puts its center, from where the ray through the middle
        of the mirror meets the detector, in the frame of the directions; None where there
        is no model.
    """

    id: str
    off_axis_arcmin: tuple[float, float]
    center_mm: tuple[float, float]
    uncertainty_mm: float
    model_mm: tuple[float, float] | None = None


@dataclass(frozen=True, kw_only=True)
class PlateScale:
    """The scale that images at known places tell.

    Parameters
    ----------
    arcsec_per_mm
        Measured.
    expected_arcsec_per_mm
        One radian over the detector's distance: the ray through the middle of the mirror
        moves by ``D`` times the angle, whatever the focal length.
    model_arcsec_per_mm
        The same with the model's centers: off the axis one side of the mirror sends more
        light than the other, which out of focus moves the center of the image. Its model
        term is all that this changes. None where an image has no model.
    residuals_mm
        Of each image, (x, y).
    """

    arcsec_per_mm: Uncertain
    expected_arcsec_per_mm: float
    model_arcsec_per_mm: Uncertain | None
    residuals_mm: tuple[tuple[float, float], ...]


def plate_scale(
    places: Sequence[ImagePlace], distance_mm: float, pixel_relative: float = 0.0
) -> PlateScale:
    """Fit ``center = c + s R θ``: origin, scale, turn or mirror image of the detector.

    Parameters
    ----------
    places
        Images at one detector distance, of sources moved sideways.
    distance_mm
        That distance.
    pixel_relative
        Relative uncertainty of the size of a pixel, which all places share.

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
        arcsec_per_mm=Uncertain(
            value=arcsec,
            statistical=arcsec * error / scale,
            systematic=arcsec * pixel_relative,
        ),
        expected_arcsec_per_mm=arcsec_per_mm(distance_mm),
        model_arcsec_per_mm=_by_model(places, angle, distance_mm),
        residuals_mm=tuple((float(x), float(y)) for x, y in residuals),
    )


def _by_model(
    places: Sequence[ImagePlace], angle: np.ndarray, distance_mm: float
) -> Uncertain | None:
    own = [p.model_mm for p in places if p.model_mm is not None]
    if len(own) < len(places):
        return None
    # A source that is moved one way moves its image the other way.
    center = np.array(own) - distance_mm * np.tan(np.radians(angle / 60))
    scale, _, _ = _fit(angle, center, 1.0)
    value = 60.0 / scale
    return Uncertain(
        value=value,
        statistical=0.0,
        model=abs(value - arcsec_per_mm(distance_mm)),
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
