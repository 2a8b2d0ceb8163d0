"""From frames to a net image with its center: the first half of a measurement."""

from dataclasses import dataclass, replace

import astropy.units as u
from astropy.units import Quantity

from beamreduce.background import (
    Background,
    BackgroundRings,
    NetImage,
    background_in_rings,
    subtract,
)
from beamreduce.encircled_energy import least_hpd
from beamreduce.errors import MeasurementError
from beamreduce.frame import FrameSettings, MasterCache
from beamreduce.image import (
    Center,
    FocalImage,
    calibrate_group,
    centroid,
    fill_bad_pixels,
    gaussian,
    given,
    largest_radius,
)
from beamreduce.record import random_stream
from beamreduce.reduction.background_step import (
    background_about,
    beam_off_background,
    provisional_background,
)
from beamreduce.reduction.request import MeasureRequest
from beamreduce.rings import RingCounts, count_in_image, plan_for

_ROUNDS = 3  # of center and background in turn; each depends little on the other


@dataclass(frozen=True, kw_only=True)
class Located:
    """The image of one measurement, its background and its center.

    Parameters
    ----------
    image
        Photons a pixel, background still in, bad pixels filled.
    background
        What is taken off.
    net
        Net photons.
    center
        Center and size of the image.
    """

    image: FocalImage
    background: Background
    net: NetImage
    center: Center

    @property
    def largest_radius_mm(self) -> float:
        """Radius of the largest circle about the center inside the frame."""
        return largest_radius(self.image.shape, self.center.xy) * self.image.pixel_mm

    def in_rings(self, radii: Quantity) -> tuple[RingCounts, BackgroundRings]:
        """Count photons and background in rings about the center."""
        plan = plan_for(self.image, self.center.xy, radii)
        return (
            count_in_image(self.image, plan),
            background_in_rings(self.background, plan, self.image.usable),
        )


def locate(request: MeasureRequest, masters: MasterCache | None = None) -> Located:
    """Calibrate the frames of a measurement, take the background off, find the center.

    Parameters
    ----------
    request
        Paths and settings.
    masters
        Masters of earlier calls, to be used again; None to make them anew.

    Raises
    ------
    FrameError, MeasurementError
        When a frame cannot be used, or there are no net photons to find a center from.
    """
    with request.naming_errors():
        return _locate(request, masters)


def _locate(request: MeasureRequest, masters: MasterCache | None) -> Located:
    inputs = request.inputs
    masters = MasterCache() if masters is None else masters
    image = calibrate_group(
        inputs.beam,
        folder=request.folder,
        detector=inputs.detector,
        masters=masters,
        settings=FrameSettings(
            energy=inputs.energy, cosmic_rays=request.setup.reduction.cosmic_rays
        ),
    )
    if not image.usable.any():
        raise MeasurementError(
            "found no usable pixel (all bad or saturated); expected an image; shorten "
            "the exposure or check the darks"
        )
    fixed = (
        beam_off_background(request, image, masters) if _from_exposure(request) else None
    )
    background = fixed if fixed is not None else provisional_background(image)
    center = _center(request, subtract(image, background), image)
    image = fill_bad_pixels(
        image,
        center.xy,
        limit=request.setup.reduction.filled_fraction_limit,
        radius=request.reference_radius,
    )
    for _ in range(_ROUNDS if fixed is None else 0):
        background = background_about(request, image, center)
        center = _center(request, subtract(image, background), image)
    # What the background scatters beyond counting is noise of the image too.
    image = replace(image, noise_variance=image.noise_variance + background.excess_variance)
    net = subtract(image, background)
    center = _center(request, net, image)
    return Located(image=image, background=background, net=net, center=center)


def _from_exposure(request: MeasureRequest) -> bool:
    return request.background_method == "exposure"


def _center(request: MeasureRequest, net: NetImage, image: FocalImage) -> Center:
    rule = request.setup.reduction.center
    reference_px = None
    if request.reference_radius is not None:
        reference_px = request.reference_radius.to_value(u.mm) / image.pixel_mm
    variance = image.variance_per_photon * image.photons
    variance += image.noise_variance
    variance[~net.usable] = 0.0
    if rule == "centroid":
        return centroid(net.photons, variance, reference_px=reference_px)
    if rule == "gaussian":
        return gaussian(net.photons, variance, reference_px=reference_px)
    if rule == "least_hpd":
        rng = random_stream(
            request.setup.reduction.random_seed, request.inputs.id, "least_hpd"
        )
        return least_hpd(net.photons, variance, rng, reference_px=reference_px)
    return given(net.photons, rule, reference_px=reference_px)
