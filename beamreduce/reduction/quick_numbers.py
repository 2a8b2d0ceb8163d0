"""Numbers of some exposures in a second or two: no bootstrap, no files."""

import math
from dataclasses import dataclass

import astropy.units as u
import numpy as np

from beamreduce.encircled_energy import (
    HALF_POWER,
    NINETY,
    NetRings,
    analytic_uncertainty_mm,
    crossing_diameters_mm,
    net_rings,
    standard_radii,
)
from beamreduce.reduction.budget import background_share
from beamreduce.reduction.image_limits import checked_reference_mm
from beamreduce.reduction.locate import Located
from beamreduce.reduction.request import MeasureRequest


@dataclass(frozen=True, kw_only=True)
class QuickNumbers:
    """What a quick look gives: values with statistical uncertainty only.

    Parameters
    ----------
    located
        Image, background, net image and center.
    net
        Net photons in rings.
    hpd_mm, w90_mm
        (value, standard uncertainty).
    net_photons
        (value, standard uncertainty) inside the reference radius.
    hpd_from_background_mm
        The part of the HPD's uncertainty that the background level causes.
    seconds
        Live time of the exposures.
    """

    located: Located
    net: NetRings
    hpd_mm: tuple[float, float]
    w90_mm: tuple[float, float]
    net_photons: tuple[float, float]
    hpd_from_background_mm: float
    seconds: float


def quick_numbers(request: MeasureRequest, located: Located) -> QuickNumbers:
    """Measure a located image without a bootstrap.

    Raises
    ------
    MeasurementError
        When it shows no net photons, or a ring has no usable pixel (a saturated core).
    """
    with request.naming_errors():
        return _quick_numbers(request, located)


def _quick_numbers(request: MeasureRequest, located: Located) -> QuickNumbers:
    largest_mm = located.largest_radius_mm
    reference_mm = largest_mm
    if request.reference_radius is not None:
        reference_mm = min(float(request.reference_radius.to_value(u.mm)), largest_mm)
    reference_mm = checked_reference_mm(request, located, reference_mm)
    radii = standard_radii(
        located.center.half_power_radius * located.image.pixel_size,
        reference_radii=reference_mm * u.mm,
        largest_radius=reference_mm * u.mm,
    )
    net = net_rings(*located.in_rings(radii), reference_mm * u.mm)
    hpd, w90 = crossing_diameters_mm(net.radius_mm, net.growth, (HALF_POWER, NINETY))[0]
    hpd_sigma_mm = analytic_uncertainty_mm(net, HALF_POWER)
    from_background = float(background_share(net, np.array([hpd]))[0])
    return QuickNumbers(
        located=located,
        net=net,
        hpd_mm=(float(hpd), hpd_sigma_mm),
        w90_mm=(float(w90), analytic_uncertainty_mm(net, NINETY)),
        net_photons=(float(net.growth[-1]), math.sqrt(max(net.covariance.sum(), 0.0))),
        hpd_from_background_mm=math.sqrt(from_background) * hpd_sigma_mm,
        seconds=sum(row.exposure.live_seconds for row in request.inputs.beam),
    )
