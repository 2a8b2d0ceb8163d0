"""How large each cause of blur is by itself, at the beamline and for a star.

For a person to see the sizes: the causes do not add in quadrature exactly, and the image
at infinity is not worked out from this table.
"""

import math
from dataclasses import dataclass

import astropy.units as u
import numpy as np
from astropy.units import Quantity
from scipy.special import ndtr

from beamreduce.campaign import MeasurementInputs, Setup
from beamreduce.errors import SettingsError
from beamreduce.infinity.perfect_nest import PerfectNest, level_crossing, perfect_nest
from beamreduce.mirror import MirrorDesign, Prescription
from beamreduce.units import arcsec_per_mm, positive_in, value_in

DISC_HALF = math.sqrt(0.5)  # diameter that holds half of a disc, over the disc's
SQUARE_HALF = math.sqrt(2 / math.pi)  # the same for a square, over its side


@dataclass(frozen=True, kw_only=True)
class InPlaneErrors:
    """A mixture of normal laws of slope error in the plane of reflection.

    Parameters
    ----------
    shares
        Of the light, shape (laws,), sum above zero.
    primary_rad, secondary_rad
        Standard deviations of one reflection on either stage.
    mean_rad
        Mean error of primary and secondary together, one a law or one for all.
    """

    shares: np.ndarray
    primary_rad: np.ndarray
    secondary_rad: np.ndarray
    mean_rad: np.ndarray | float = 0.0

    def half_power_diameter_mm(self, lever_mm: float) -> float:
        """Return the HPD of a point that only these errors spread, each along its radius.

        An error ``e`` moves a ray by ``2 e lever``. Half of the mixture lies within the
        half-width; one law of σ on either stage has ``1.349 · 2√2 σ · lever``. Offsets
        count from the mean of the mixture: a mean error common to all shifts the focus,
        and is seen in the distance from it.
        """
        shares = np.asarray(self.shares) / np.sum(self.shares)
        mean = np.broadcast_to(self.mean_rad, shares.shape)
        center = 2 * lever_mm * (mean - shares @ mean)
        sigma = 2 * lever_mm * np.hypot(self.primary_rad, self.secondary_rad)
        if np.any(sigma <= 0):
            raise SettingsError("in-plane slope errors must be above zero on one stage")
        reach = float(np.max(np.abs(center) + 3 * sigma))
        return 2 * level_crossing(
            lambda half: float(
                shares @ (ndtr((half - center) / sigma) - ndtr((-half - center) / sigma))
            ),
            reach,
        )


@dataclass(frozen=True, kw_only=True)
class BlurInputs:
    """What a blur budget is worked out from.

    Parameters
    ----------
    design, prescription
        The ``[mirror]`` table (coating settings, pre-collimator) and its nestings.
    source_distance, source_diameter
        Of the beam.
    pixel_size, detector_distance, energy
        Of the measurement.
    star_distance
        Plane at which a star is looked at.
    best_focus, star_best_focus
        Where the mirror focuses, as fitted or measured; None takes where the rms radius
        of the perfect nest is least.
    errors
        In-plane slope errors, None when they are not known.
    """

    design: MirrorDesign
    prescription: Prescription
    source_distance: Quantity
    source_diameter: Quantity
    pixel_size: Quantity
    detector_distance: Quantity
    energy: Quantity
    star_distance: Quantity
    best_focus: Quantity | None = None
    star_best_focus: Quantity | None = None
    errors: InPlaneErrors | None = None

    @classmethod
    def of_measurement(
        cls, setup: Setup, prescription: Prescription, inputs: MeasurementInputs
    ) -> "BlurInputs":
        """Take everything that a campaign declares; what is fitted stays None."""
        star_distance = setup.reduction.infinity_detector_distance
        return cls(
            design=setup.mirror,
            prescription=prescription,
            source_distance=setup.facility.source_distance,
            source_diameter=setup.facility.source_diameter,
            pixel_size=inputs.detector.pixel_size,
            detector_distance=inputs.detector_distance,
            energy=inputs.energy,
            star_distance=setup.mirror.focal_length
            if star_distance is None
            else star_distance,
        )


def blur_budget(inputs: BlurInputs) -> tuple[dict[str, object], ...]:
    """Work out the HPD that each cause of blur would give by itself.

    Returns
    -------
    tuple
        Rows of ``term``, ``hpd_measured_arcsec`` and ``hpd_infinity_arcsec``, None where
        a cause does not apply or is not known.

    Notes
    -----
    Cone blur is that of the perfect nest at its own best focus; what the detector's
    distance from best focus adds is a row of its own.
    """
    beam, star = (
        perfect_nest(
            inputs.prescription, inputs.design, inputs.energy, source_distance=distance
        )
        for distance in (inputs.source_distance, None)
    )
    detector_mm = positive_in(inputs.detector_distance, u.mm, name="detector_distance")
    star_mm = positive_in(inputs.star_distance, u.mm, name="star_distance")
    energy_kev = positive_in(inputs.energy, u.keV, name="energy")
    planes = (
        (beam, detector_mm, inputs.best_focus),
        (star, star_mm, inputs.star_best_focus),
    )
    rows = [
        ("source size", (_source_arcsec(inputs), None)),
        ("pixel", (_pixel_arcsec(inputs, detector_mm), None)),
        ("cone blur at best focus", tuple(_cone_arcsec(n, mm) for n, mm, _ in planes)),
        (
            "in-plane figure errors",
            tuple(_figure_arcsec(inputs.errors, n, mm) for n, mm, _ in planes),
        ),
        ("distance from best focus", tuple(_focus_arcsec(*plane) for plane in planes)),
        (
            "diffraction at the lit openings",
            tuple(n.diffraction_arcsec(energy_kev=energy_kev) for n, _, _ in planes),
        ),
    ]
    return tuple(
        {"term": term, "hpd_measured_arcsec": sizes[0], "hpd_infinity_arcsec": sizes[1]}
        for term, sizes in rows
    )


def _source_arcsec(inputs: BlurInputs) -> float:
    """HPD of the disc: its image is as large in angle as the disc seen from the mirror."""
    diameter_mm = value_in(inputs.source_diameter, u.mm, name="source_diameter")
    source_mm = positive_in(inputs.source_distance, u.mm, name="source_distance")
    return DISC_HALF * diameter_mm * arcsec_per_mm(source_mm)


def _pixel_arcsec(inputs: BlurInputs, detector_mm: float) -> float:
    side_mm = positive_in(inputs.pixel_size, u.mm, name="pixel_size")
    return SQUARE_HALF * side_mm * arcsec_per_mm(detector_mm)


def _cone_arcsec(nest: PerfectNest, plane_mm: float) -> float:
    return nest.diameter_mm(nest.best_focus_mm()) * arcsec_per_mm(plane_mm)


def _figure_arcsec(
    errors: InPlaneErrors | None, nest: PerfectNest, plane_mm: float
) -> float | None:
    if errors is None:
        return None
    lever_mm = nest.lever_mm(plane_mm)
    return errors.half_power_diameter_mm(lever_mm) * arcsec_per_mm(plane_mm)


def _focus_arcsec(nest: PerfectNest, plane_mm: float, focus: Quantity | None) -> float:
    focus_mm = nest.best_focus_mm()
    if focus is not None:
        focus_mm = positive_in(focus, u.mm, name="best_focus")
    return nest.ring_diameter_mm(plane_mm - focus_mm) * arcsec_per_mm(plane_mm)
