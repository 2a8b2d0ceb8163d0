"""The background of one measurement, by the method that its campaign asks for."""

from dataclasses import replace
from functools import partial

import astropy.units as u
import numpy as np
from astropy.units import Quantity

from beamreduce.background import (
    Background,
    Polynomial,
    excess_about_image,
    from_annulus,
    from_exposure,
    from_surface,
    from_wings,
    scale_to,
)
from beamreduce.errors import MeasurementError
from beamreduce.frame import (
    FrameSettings,
    MasterCache,
    SummedFrames,
    adu_per_photon,
    gather_masters,
    shared_covariance,
)
from beamreduce.image import Center, FocalImage, calibrate_group, largest_radius
from beamreduce.reduction.request import MeasureRequest

_WING_START = 3.0  # half-power radii; outside the core of any image of such a mirror


def provisional_background(image: FocalImage) -> Background:
    """Return the plain mean along the border of the frame, enough to start centering."""
    ny, nx = image.shape
    edge = max(min(ny, nx) // 32, 1)
    border = np.ones(image.shape, dtype=bool)
    border[edge:-edge, edge:-edge] = False
    border &= image.usable
    level = image.photons[border].mean() if border.any() else 0.0
    return Background(method="annulus", level=Polynomial.flat(level, image.shape))


def beam_off_background(
    request: MeasureRequest, image: FocalImage, masters: MasterCache | None = None
) -> Background:
    """Scale the beam-off exposures of a measurement to its beam exposures.

    Parameters
    ----------
    request
        Paths and settings.
    image
        The sum of the beam exposures, from which the background will be taken.
    masters
        Masters of earlier calls, to be used again; None to make them anew.

    Raises
    ------
    MeasurementError
        When the measurement has no beam-off exposures.
    """
    inputs = request.inputs
    if not inputs.background:
        raise MeasurementError(
            "found no background exposures; expected some for "
            'background = "exposure"; add rows of kind background, or set '
            '[reduction] background to "wings", "annulus" or "surface"'
        )
    cache = MasterCache() if masters is None else masters
    beam_off = calibrate_group(
        inputs.background,
        folder=request.folder,
        detector=inputs.detector,
        masters=cache,
        settings=FrameSettings(energy=inputs.energy),
    )
    scale = scale_to(
        [row.exposure for row in inputs.beam],
        [row.exposure for row in inputs.background],
        by=request.setup.reduction.background_scale,
    )
    return from_exposure(
        beam_off,
        scale=scale.value,
        scale_uncertainty=scale.statistical,
        scale_systematic=scale.systematic,
        shared=shared_covariance(
            SummedFrames(exposures=inputs.beam, photons=image.photons),
            SummedFrames(exposures=inputs.background, photons=beam_off.photons),
            masters=partial(
                gather_masters,
                folder=request.folder,
                detector=inputs.detector,
                cache=cache,
            ),
            adu_per_photon=adu_per_photon(inputs.detector, inputs.energy),
        ),
    )


def background_about(
    request: MeasureRequest, image: FocalImage, center: Center
) -> Background:
    """Find the background of an image from the image itself, about a center."""
    if request.background_method == "none":
        return Background.none(image.shape)
    fits = largest_radius(image.shape, center.xy) * image.pixel_mm * u.mm
    reference = request.reference_radius if request.reference_radius is not None else fits
    outside_px = (min(reference, 0.9 * fits) / image.pixel_size).to_value(u.one)
    return replace(
        _level_about(request, image, center, (reference, fits)),
        excess_variance=excess_about_image(
            image, center_xy=center.xy, inner_px=float(outside_px)
        ),
    )


def _level_about(
    request: MeasureRequest,
    image: FocalImage,
    center: Center,
    radii: tuple[Quantity, Quantity],
) -> Background:
    """Take the level by one of the methods; radii: reference and largest circle."""
    settings = request.setup.reduction
    reference, fits = radii
    if request.background_method == "annulus":
        inner = settings.annulus_inner if settings.annulus_inner is not None else reference
        return from_annulus(
            image,
            center_xy=center.xy,
            inner=_leaving_a_ring(inner, fits, settings.annulus_inner is not None),
            outer=settings.annulus_outer,
        )
    if request.background_method == "surface":
        # Corners alone do not hold a surface: without a radius asked for, the outer
        # quarter of the largest circle is fitted too.
        source = settings.annulus_inner
        if source is None:
            source = min(reference, 0.75 * fits)
        return from_surface(
            image, center_xy=center.xy, source_radius=source, box=settings.surface_box
        )
    start_px = min(
        _WING_START * center.half_power_radius, 0.5 * largest_radius(image.shape, center.xy)
    )
    background, _ = from_wings(
        image, center_xy=center.xy, start=start_px * image.pixel_mm * u.mm
    )
    return background


def _leaving_a_ring(inner: Quantity, fits: Quantity, asked: bool) -> Quantity:
    """Keep the outer tenth of the largest circle when no inner radius was asked for."""
    return inner if asked else min(inner, 0.9 * fits)
