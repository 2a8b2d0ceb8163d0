"""One measurement, from its frames to its curve and diameters: a pure function."""

import math
from dataclasses import dataclass

import astropy.units as u
import numpy as np
from astropy.units import Quantity

from beamreduce.background import (
    BackgroundRings,
    background_in_rings,
    flux_beyond_reference,
    mean_level,
)
from beamreduce.encircled_energy import (
    HALF_POWER,
    NINETY,
    Diameters,
    EncircledEnergy,
    NetRings,
    encircled_energy,
    measure_diameters,
    net_rings,
    standard_radii,
)
from beamreduce.errors import MeasurementError
from beamreduce.image import measure_sectors
from beamreduce.record import Measurement, Uncertain, random_stream
from beamreduce.reduction.budget import Systematics, diameter_budget, systematics_of
from beamreduce.reduction.image_limits import (
    edge_warning,
    saturated_inside,
    saturation_note,
)
from beamreduce.reduction.locate import Located, locate
from beamreduce.reduction.request import MeasureRequest
from beamreduce.rings import RingCounts, count_in_image, plan_for
from beamreduce.units import arcsec_per_mm

OTHER_REFERENCES = (0.5, 0.75)  # of the reference radius; HPD is given for these too


@dataclass(frozen=True, kw_only=True)
class Measured:
    """Everything that one measurement gives.

    Parameters
    ----------
    measurement
        The numbers.
    located
        Image, background, net image and center.
    rings, background_rings
        Photons and background in rings out to the largest circle.
    curve
        Encircled energy out to the reference radius.
    diameters
        HPD and W90.
    """

    measurement: Measurement
    located: Located
    rings: RingCounts
    background_rings: BackgroundRings
    curve: EncircledEnergy
    diameters: Diameters


def measure(request: MeasureRequest) -> Measured:
    """Reduce one measurement.

    Parameters
    ----------
    request
        Paths and settings; ``reference_radius`` must be set.

    Raises
    ------
    FrameError, MeasurementError
        When a frame cannot be used or the numbers cannot be had from it.
    """
    located = locate(request)
    reference = _reference_that_fits(request, located)
    rings, background_rings = _ring_counts(located, reference)
    net = net_rings(rings, background_rings, reference)
    diameters = _diameters(request, net, "bootstrap")
    curve = encircled_energy(net)
    numbers = _Numbers(
        request=request,
        located=located,
        net=net,
        diameters=diameters,
        systematics=systematics_of(request.inputs),
        other_hpd=_other_references(request, (rings, background_rings), reference),
    )
    return Measured(
        measurement=_record(numbers, reference),
        located=located,
        rings=rings,
        background_rings=background_rings,
        curve=curve,
        diameters=diameters,
    )


@dataclass(frozen=True, kw_only=True)
class _Numbers:
    request: MeasureRequest
    located: Located
    net: NetRings
    diameters: Diameters
    systematics: Systematics
    other_hpd: tuple[dict[str, object], ...]

    @property
    def arcsec(self) -> float:
        """Arcsec a millimetre on the detector."""
        return arcsec_per_mm(self.net.detector_distance_mm)


def _reference_that_fits(request: MeasureRequest, located: Located) -> Quantity:
    if request.reference_radius is None:
        raise MeasurementError("reference_radius must be set before a measurement is made")
    reference_mm = request.reference_radius.to_value(u.mm)
    if reference_mm > located.largest_radius_mm * (1 + 1e-9):
        raise MeasurementError(
            f"measurement {request.inputs.id}: found a reference_radius of "
            f"{reference_mm:g} mm, beyond the frame; expected at most "
            f"{located.largest_radius_mm:.4g} mm about the center "
            f"({located.center.x:.1f}, {located.center.y:.1f}); lower [reduction] "
            f"reference_radius"
        )
    return reference_mm * u.mm


def _ring_counts(
    located: Located, reference: Quantity
) -> tuple[RingCounts, BackgroundRings]:
    image = located.image
    radii = standard_radii(
        located.center.half_power_radius * image.pixel_size,
        reference_radii=np.array([*OTHER_REFERENCES, 1.0]) * reference,
        largest_radius=located.largest_radius_mm * u.mm,
    )
    plan = plan_for(image, located.center.xy, radii)
    rings = count_in_image(image, plan)
    return rings, background_in_rings(located.background, plan, image.usable)


def _diameters(request: MeasureRequest, net: NetRings, purpose: str) -> Diameters:
    settings = request.setup.reduction
    rng = random_stream(settings.random_seed, request.inputs.id, purpose)
    try:
        return measure_diameters(net, rng, replicates=settings.bootstrap_replicates)
    except MeasurementError as error:
        raise MeasurementError(f"measurement {request.inputs.id}: {error}") from None


def _other_references(
    request: MeasureRequest,
    counts: tuple[RingCounts, BackgroundRings],
    reference: Quantity,
) -> tuple[dict[str, object], ...]:
    """HPD with the encircled energy set to 1 at smaller radii; it depends on the choice."""
    rows = []
    for share in OTHER_REFERENCES:
        radius = share * reference
        net = net_rings(*counts, radius)
        hpd = _diameters(request, net, f"bootstrap at {share}").of(HALF_POWER)
        scale = arcsec_per_mm(net.detector_distance_mm)
        systematic = systematics_of(request.inputs).angle
        rows.append(
            {
                "reference_radius_mm": radius.to_value(u.mm),
                "hpd_measured_arcsec": hpd.scaled(scale).with_systematic(systematic),
            }
        )
    return tuple(rows)


def _record(numbers: _Numbers, reference: Quantity) -> Measurement:
    request, located, net = numbers.request, numbers.located, numbers.net
    inputs, image, center = request.inputs, located.image, located.center
    reference_mm = float(reference.to_value(u.mm))
    notes = dict(inputs.notes) | dict(located.background.notes)
    if warning := edge_warning(located.net, center, image.pixel_mm):
        notes["detector_edge"] = warning
    beyond = flux_beyond_reference(
        image, located.background, center_xy=center.xy, reference_radius=reference
    )
    notes["flux_beyond_reference"] = beyond.note
    budget = diameter_budget(numbers.net, numbers.diameters, located, numbers.systematics)
    sizes = budget.diameters_mm
    hpd_radius_px = sizes[HALF_POWER].value / 2 / image.pixel_mm
    core_saturated = saturated_inside(image, center.xy, hpd_radius_px)
    if core_saturated:
        note = saturation_note(request, located)
        for key in ("hpd_measured_arcsec", "hpd_measured_mm", "w90_measured_arcsec",
                    "w90_measured_mm", "effective_area_measured_cm2"):  # fmt: skip
            notes[key] = note
    reference_px = reference_mm / image.pixel_mm
    angle = numbers.systematics.detector_distance
    size = {
        name: None if core_saturated else sizes[fraction]
        for name, fraction in (("hpd", HALF_POWER), ("w90", NINETY))
    }
    arcsec = {
        name: None if mm is None else mm.scaled(numbers.arcsec).with_systematic(angle)
        for name, mm in size.items()
    }
    return Measurement(
        id=inputs.id,
        exposures=tuple(row.exposure.exposure for row in inputs.beam),
        aperture=inputs.aperture,
        energy_keV=float(inputs.energy.to_value(u.keV)),
        off_axis_arcmin=float(inputs.off_axis.to_value(u.arcmin)),
        azimuth_deg=None if inputs.azimuth is None else inputs.azimuth.to_value(u.deg),
        detector_distance_mm=net.detector_distance_mm,
        reference_radius_mm=reference_mm,
        reference_radius_arcsec=reference_mm * numbers.arcsec,
        center_pixel=center.xy,
        center_uncertainty_pixel=(center.x_uncertainty, center.y_uncertainty),
        net_photons=_net_photons(net, numbers.systematics),
        background_per_pixel=mean_level(
            image, located.background, center_xy=center.xy, radius=reference
        ),
        flux_beyond_reference=beyond.fraction,
        filled_fraction=located.filled.fraction_within(center.xy, reference_px),
        saturated_fraction=_saturated_fraction(located, reference_px),
        hpd_measured_arcsec=arcsec["hpd"],
        hpd_measured_mm=size["hpd"],
        w90_measured_arcsec=arcsec["w90"],
        w90_measured_mm=size["w90"],
        hpd_by_reference_radius=() if core_saturated else numbers.other_hpd,
        sectors=_sectors(located, reference_px),
        uncertainty_budget=() if core_saturated else budget.rows(numbers.arcsec),
        conventions={
            "background": located.background.method,
            "center": center.rule,
            "angle": "offset over detector distance",
            "pixel_spread_removed": False,
        },
        matched=_matched(request),
        notes=notes,
    )


def _net_photons(net: NetRings, systematics: Systematics) -> Uncertain:
    statistical = math.sqrt(max(float(net.covariance.sum()), 0.0))
    model = np.hypot.reduce(net.model_modes @ net.scale) if len(net.model_modes) else 0.0
    return Uncertain(
        value=float(net.growth[-1]), statistical=statistical, model=float(model)
    ).with_systematic(systematics.photon_scale)


def _saturated_fraction(located: Located, reference_px: float) -> float:
    """Share of the area inside the reference radius that is saturated."""
    image = located.image
    y, x = np.nonzero(image.saturated)
    inside = np.hypot(x - located.center.x, y - located.center.y) <= reference_px
    return float(inside.sum() / (math.pi * reference_px**2))


def _sectors(located: Located, reference_px: float) -> tuple[dict[str, object], ...]:
    sectors = measure_sectors(
        located.net.photons, located.net.variance, located.center.xy, reference_px
    )
    pixel_mm = located.image.pixel_mm
    return tuple(
        {
            "start_deg": sector.start_deg,
            "end_deg": sector.end_deg,
            "share": sector.share,
            "half_power_radius_mm": (
                None
                if sector.half_power_radius_px is None
                else sector.half_power_radius_px.scaled(pixel_mm)
            ),
        }
        for sector in sectors
    )


def _matched(request: MeasureRequest) -> dict[str, tuple[str, ...]]:
    """Names of every exposure that the numbers depend on, by what it serves for."""
    inputs = request.inputs
    rows = {
        "background": inputs.background if request.background_method == "exposure" else (),
        "direct": inputs.direct,
        "direct_background": inputs.direct_background,
    }
    matched = {
        name: tuple(row.exposure.exposure for row in members)
        for name, members in rows.items()
    }
    calibrated = [*inputs.beam, *(row for members in rows.values() for row in members)]
    for kind in ("bias", "dark", "flat"):
        names = {e.exposure for row in calibrated for e in getattr(row, kind)}
        matched[kind] = tuple(sorted(names))
    return matched
