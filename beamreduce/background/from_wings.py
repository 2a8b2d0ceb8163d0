"""Background from a joint fit of a flat level and the far wing of the image."""

import math

import numpy as np
from astropy.units import Quantity

from beamreduce.background.blocks import excess_scatter
from beamreduce.background.model import Background, Polynomial
from beamreduce.background.pixels import radius_in_px, sum_variance
from beamreduce.background.wing_model import WingModel
from beamreduce.background.wing_rings import WingRings, wing_rings
from beamreduce.background.wing_starts import (
    LEAST_PHOTONS,
    LEAST_REACH,
    combined,
    fit_from_starts,
)
from beamreduce.errors import MeasurementError, SettingsError
from beamreduce.image.focal_image import FocalImage


def from_wings(
    image: FocalImage,
    *,
    center_xy: tuple[float, float],
    start: Quantity,
    outer: Quantity | None = None,
) -> tuple[Background, WingModel | None]:
    """Fit a flat level and the wing of the image together to ring sums.

    Parameters
    ----------
    image
        Photons a pixel, background still in.
    center_xy
        Center of the rings in pixels.
    start
        Radius outside the core where the fit begins, a length on the detector.
    outer
        Where it ends. Without it: all pixels whose opposite is in the frame, corners
        included.

    Returns
    -------
    background : Background
        One level. Its mode is the statistical uncertainty with the wing's shape given;
        its model mode the spread among shapes and start radii.
    wing : WingModel or None
        The wing; None when there were too few photons to fit one.

    Raises
    ------
    SettingsError
        When the rings from start to outer do not reach out far enough.
    MeasurementError
        When the mask leaves nothing of them.

    Notes
    -----
    The wing is ``A ((r² + c²)/(s² + c²))^(-p/2)`` beyond the start radius s: a power law
    (c = 0) or the outer part of a King profile. p from 1.6 to 5 and c up to 0.6 s are
    averaged by their likelihood. The fit is repeated from 1.4 and 2 times the start;
    what differs by more than the photons left out allow is model uncertainty.
    """
    start_px = radius_in_px(start, image, name="start of the wing fit")
    outer_px = None if outer is None else radius_in_px(outer, image, name="outer")
    rings = wing_rings(image, center_xy=center_xy, outer_px=outer_px)
    _check_reach(rings, start_px)
    far = rings.beyond(start_px)
    if far.photons.sum() < LEAST_PHOTONS:
        return _plain_mean(far, image.shape), None
    fits = fit_from_starts(rings, start_px)
    level = combined(
        fits.chosen.mean_level(), tuple(other.mean_level() for other in fits.others)
    )
    wing = fits.chosen
    excess = excess_scatter(wing.chi_square, wing.degrees_of_freedom)
    model = math.hypot(level.model, excess * level.statistical)
    background = Background(
        method="wings",
        level=Polynomial.flat(level.value, image.shape),
        modes=(Polynomial.flat(level.statistical, image.shape),),
        model_modes=(Polynomial.flat(model, image.shape),),
        notes={"background_fit": _sentence(wing, start_px, excess)},
    )
    return background, wing


def _check_reach(rings: WingRings, start_px: float) -> None:
    if rings.radius_px.size == 0:
        raise MeasurementError("no usable pixel about the center; check the mask")
    reach = rings.radius_px[-1]
    if reach < LEAST_REACH * start_px:
        raise SettingsError(
            f"the wing fit must reach out to {LEAST_REACH:g} times the radius where it "
            f"starts; got {start_px * rings.pixel_mm:.4g} mm to "
            f"{reach * rings.pixel_mm:.4g} mm: start farther in or use another background"
        )


def _plain_mean(far: WingRings, shape: tuple[int, int]) -> Background:
    area = far.area_px.sum()
    photons, noise = far.photons.sum(), far.noise.sum()
    sigma = math.sqrt(sum_variance(photons, noise, far.variance_per_photon)) / area
    return Background(
        method="wings",
        level=Polynomial.flat(photons / area, shape),
        modes=(Polynomial.flat(sigma, shape),),
        notes={
            "background_fit": f"{photons:.0f} photons beyond the core are too few to fit "
            f"a wing; their plain mean is used"
        },
    )


def _sentence(wing: WingModel, start_px: float, excess: float) -> str:
    text = (
        f"level and wing fitted from {wing.start_px * wing.pixel_mm:.4g} mm outward: "
        f"chi-square {wing.chi_square:.1f} for {wing.degrees_of_freedom} degrees of "
        f"freedom, "
    )
    text += (
        f"wing falls as r^-{wing.mean_exponent:.2f}" if wing.detected else "no wing found"
    )
    if not np.isclose(wing.start_px, start_px):
        text += "; nearer in no sensible wing fits the rings"
    if excess:
        text += "; no wing describes the rings, the uncertainty is enlarged (model)"
    return text
