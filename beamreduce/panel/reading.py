"""What the panel shows for one center, background and reference radius."""

from dataclasses import dataclass

import astropy.units as u
import numpy as np
from astropy.units import Quantity

from beamreduce.encircled_energy import (
    HALF_POWER,
    NINETY,
    Diameters,
    EncircledEnergy,
    RadialProfile,
    encircled_energy,
    measure_diameters,
    net_rings,
    radial_profile,
    standard_radii,
)
from beamreduce.panel.opened import Opened
from beamreduce.panel.quick_rings import quick_rings
from beamreduce.record import Uncertain, random_stream
from beamreduce.reduction.image_limits import checked_reference_mm
from beamreduce.reduction.measure import OTHER_REFERENCES
from beamreduce.units import arcsec_per_mm


@dataclass(frozen=True, kw_only=True)
class Reading:
    """Numbers and curves about one center.

    Parameters
    ----------
    center_xy
        In pixels.
    reference_radius
        Where the encircled energy is 1.
    hpd_arcsec, w90_arcsec
        Diameters with what counting and the background leave open; declared
        uncertainties of lengths are not in.
    net_photons
        Inside the reference radius.
    diameters
        The same in mm, with their bootstrap.
    curve, profile
        Encircled energy, and net brightness against radius.
    """

    center_xy: tuple[float, float]
    reference_radius: Quantity
    hpd_arcsec: Uncertain
    w90_arcsec: Uncertain
    net_photons: float
    diameters: Diameters
    curve: EncircledEnergy
    profile: RadialProfile


def read_about(
    opened: Opened, center_xy: tuple[float, float], reference_radius: Quantity
) -> Reading:
    """Measure an opened image about a center, with the background that it has now.

    The value is that of ``reduce`` for this center, background and reference radius; so is
    the uncertainty, but for pixels on the edges of circles (see
    :mod:`beamreduce.panel.quick_rings`).

    Parameters
    ----------
    opened
        The image.
    center_xy
        Center in pixels.
    reference_radius
        A length on the detector.

    Raises
    ------
    MeasurementError
        When the circle does not fit the frame, or there are no net photons in it.
    """
    with opened.request.naming_errors():
        return _read_about(opened, center_xy, reference_radius)


def _read_about(
    opened: Opened, center_xy: tuple[float, float], reference_radius: Quantity
) -> Reading:
    located = opened.about(center_xy)
    reference_mm = checked_reference_mm(
        opened.request, located, float(reference_radius.to_value(u.mm))
    )
    reference = reference_mm * u.mm
    radii = standard_radii(
        located.center.half_power_radius * located.image.pixel_size,
        reference_radii=np.array([*OTHER_REFERENCES, 1.0]) * reference,
        largest_radius=reference,
    )
    rings, background = quick_rings(opened.surfaces, center_xy, radii)
    net = net_rings(rings, background, reference)
    settings = opened.request.setup.reduction
    diameters = measure_diameters(
        net,
        random_stream(settings.random_seed, opened.request.inputs.id, "bootstrap"),
        replicates=settings.bootstrap_replicates,
    )
    scale = arcsec_per_mm(net.detector_distance_mm)
    return Reading(
        center_xy=center_xy,
        reference_radius=reference,
        hpd_arcsec=diameters.of(HALF_POWER).scaled(scale),
        w90_arcsec=diameters.of(NINETY).scaled(scale),
        net_photons=float(net.growth[-1]),
        diameters=diameters,
        curve=encircled_energy(net),
        profile=radial_profile(rings, background),
    )
