"""One measurement, from its frames to its curve and diameters: a pure function."""

import math
from dataclasses import dataclass, replace

import astropy.units as u
import numpy as np
from astropy.units import Quantity

from beamreduce.background import (
    BackgroundRings,
    flux_beyond_reference,
    mean_level,
)
from beamreduce.campaign import MeasurementInputs
from beamreduce.encircled_energy import (
    HALF_POWER,
    NINETY,
    Diameters,
    EncircledEnergy,
    NetRings,
    UncertainCurve,
    encircled_energy,
    measure_diameters,
    net_rings,
    standard_radii,
)
from beamreduce.errors import MeasurementError
from beamreduce.frame import MasterCache
from beamreduce.image import filled_fraction, measure_sectors
from beamreduce.record import Measurement, Uncertain, random_stream
from beamreduce.reduction.area_step import (
    AREA_KEYS,
    TOTAL,
    WITHIN,
    measure_area,
    total_area,
)
from beamreduce.reduction.budget import (
    diameter_budget,
    systematics_of,
    uncertain_curve,
)
from beamreduce.reduction.direct_step import read_direct
from beamreduce.reduction.image_limits import (
    checked_reference_mm,
    edge_warning,
    saturation_note,
)
from beamreduce.reduction.keys import matched_exposures
from beamreduce.reduction.locate import Located, locate
from beamreduce.reduction.request import MeasureRequest
from beamreduce.rings import RingCounts
from beamreduce.units import arcsec_per_mm

_LOST_TO_SATURATION = (
    "net_photons",
    "hpd_measured_arcsec",
    "hpd_measured_mm",
    "w90_measured_arcsec",
    "w90_measured_mm",
    "flux_ratio",
    *AREA_KEYS,
)
_BEYOND = "flux_beyond_reference"
OTHER_REFERENCES = (0.5, 0.75)  # of the reference radius; HPD is given for these too


@dataclass(frozen=True, kw_only=True)
class Curves:
    """Rings, curve and diameters of one measurement.

    Parameters
    ----------
    rings, background_rings
        Photons and background in rings out to the largest circle.
    net
        Net photons in rings out to the reference radius.
    curve
        Encircled energy out to the reference radius, with its statistical covariance.
    uncertain
        The same over the angle, with declared and model uncertainties beside it.
    diameters
        HPD and W90 with their bootstrap.
    """

    rings: RingCounts
    background_rings: BackgroundRings
    net: NetRings
    curve: EncircledEnergy
    uncertain: UncertainCurve
    diameters: Diameters


@dataclass(frozen=True, kw_only=True)
class Measured:
    """Everything that one measurement gives.

    Parameters
    ----------
    measurement
        The numbers.
    located
        Image, background, net image and center.
    curves
        What the diameters come from; None where the core is saturated.
    """

    measurement: Measurement
    located: Located
    curves: Curves | None


def measure(
    request: MeasureRequest,
    masters: MasterCache | None = None,
    directs: MasterCache | None = None,
) -> Measured:
    """Reduce one measurement.

    Parameters
    ----------
    request
        Paths and settings; ``reference_radius`` must be set.
    masters
        Masters of earlier calls, to be used again; None to make them anew.
    directs
        The same for direct beams, which many measurements share.

    Raises
    ------
    FrameError, MeasurementError
        When a frame cannot be used or the numbers cannot be had from it.
    """
    masters = MasterCache(room=1) if masters is None else masters
    directs = MasterCache(room=1) if directs is None else directs
    with request.naming_errors():
        return _measure(request, masters, directs)


def _measure(
    request: MeasureRequest, masters: MasterCache, directs: MasterCache
) -> Measured:
    direct = read_direct(request, masters, directs)  # its images are gone before the next
    located = locate(request, masters)
    reference = _reference_that_fits(request, located)
    setting = _setting(request, located, reference)
    note = saturation_note(request, located, masters)
    if note is not None:
        notes = dict(setting.notes) | dict.fromkeys(_LOST_TO_SATURATION, note)
        return Measured(
            measurement=replace(setting, notes=notes), located=located, curves=None
        )
    curves = _curves(request, located, reference)
    other = _other_references(request, curves, reference)
    numbers = _with_numbers(setting, request, located, curves, other)
    photons = _net_photons(curves.net)
    areas = measure_area(request, located, (curves.net, photons), direct, masters)
    return Measured(
        measurement=_with_area(numbers, areas),
        located=located,
        curves=curves,
    )


def _reference_that_fits(request: MeasureRequest, located: Located) -> Quantity:
    if request.reference_radius is None:
        raise MeasurementError("reference_radius must be set before a measurement is made")
    reference_mm = float(request.reference_radius.to_value(u.mm))
    return checked_reference_mm(request, located, reference_mm) * u.mm


def _curves(request: MeasureRequest, located: Located, reference: Quantity) -> Curves:
    radii = standard_radii(
        located.center.half_power_radius * located.image.pixel_size,
        reference_radii=np.array([*OTHER_REFERENCES, 1.0]) * reference,
        largest_radius=located.largest_radius_mm * u.mm,
    )
    rings, background = located.in_rings(radii)
    net = net_rings(rings, background, reference)
    return Curves(
        rings=rings,
        background_rings=background,
        net=net,
        curve=encircled_energy(net),
        uncertain=uncertain_curve(net, request.inputs),
        diameters=_diameters(request, net, "bootstrap"),
    )


def _diameters(request: MeasureRequest, net: NetRings, purpose: str) -> Diameters:
    settings = request.setup.reduction
    rng = random_stream(settings.random_seed, request.inputs.id, purpose)
    return measure_diameters(net, rng, replicates=settings.bootstrap_replicates)


def _other_references(
    request: MeasureRequest, curves: Curves, reference: Quantity
) -> tuple[dict[str, object], ...]:
    """HPD with the encircled energy set to 1 at smaller radii; it depends on the choice."""
    systematic = systematics_of(request.inputs).angle
    rows = []
    for share in OTHER_REFERENCES:
        radius = share * reference
        net = net_rings(curves.rings, curves.background_rings, radius)
        hpd = _diameters(request, net, f"bootstrap at {share}").of(HALF_POWER)
        scale = arcsec_per_mm(net.detector_distance_mm)
        rows.append(
            {
                "reference_radius_mm": float(radius.to_value(u.mm)),
                "hpd_measured_arcsec": hpd.scaled(scale).with_systematic(systematic),
            }
        )
    return tuple(rows)


def _setting(request: MeasureRequest, located: Located, reference: Quantity) -> Measurement:
    """Everything that does not need the diameters."""
    inputs, image, center = request.inputs, located.image, located.center
    reference_mm = float(reference.to_value(u.mm))
    reference_px = reference_mm / image.pixel_mm
    notes = dict(inputs.notes) | dict(located.background.notes)
    if warning := edge_warning(located.net, image.pixel_mm):
        notes["detector_edge"] = warning
    beyond = flux_beyond_reference(
        image, located.background, center_xy=center.xy, reference_radius=reference
    )
    notes["flux_beyond_reference"] = beyond.note
    sectors = _sectors(located, reference_px)
    stage, unknown = _stage(inputs)
    if stage is None:
        notes["detector_position_mm"] = unknown
    if any(sector["half_power_radius_mm"] is None for sector in sectors):
        notes["sectors"] = "sectors lost in their noise have no half-power radius"
    return Measurement(
        id=inputs.id,
        exposures=tuple(row.exposure.exposure for row in inputs.beam),
        aperture=inputs.aperture,
        energy_keV=float(inputs.energy.to_value(u.keV)),
        off_axis_arcmin=float(inputs.off_axis.to_value(u.arcmin)),
        azimuth_deg=_degrees(inputs.azimuth),
        detector_distance_mm=image.distance_mm,
        reference_radius_mm=reference_mm,
        reference_radius_arcsec=reference_mm * arcsec_per_mm(image.distance_mm),
        center_pixel=center.xy,
        center_uncertainty_pixel=(center.x_uncertainty, center.y_uncertainty),
        detector=inputs.detector.name,
        detector_position_mm=stage,
        background_per_pixel=mean_level(
            image, located.background, center_xy=center.xy, radius=reference
        ),
        flux_beyond_reference=beyond.fraction,
        filled_fraction=filled_fraction(image, center.xy, radius=reference),
        saturated_fraction=_saturated_fraction(located, reference_px),
        sectors=sectors,
        conventions={
            "background": located.background.method,
            "center": center.rule,
            "angle": "offset over detector distance",
            "pixel_spread_removed": False,
        },
        matched=matched_exposures(request),
        notes=notes,
    )


def _with_numbers(
    setting: Measurement,
    request: MeasureRequest,
    located: Located,
    curves: Curves,
    other: tuple[dict[str, object], ...],
) -> Measurement:
    """Add what comes from the rings."""
    systematics = systematics_of(request.inputs)
    budget = diameter_budget(curves.net, curves.diameters, located, systematics)
    scale = arcsec_per_mm(setting.detector_distance_mm)
    mm = {share: budget.diameters_mm[share] for share in (HALF_POWER, NINETY)}
    arcsec = {
        share: size.scaled(scale).with_systematic(systematics.detector_distance)
        for share, size in mm.items()
    }
    return replace(
        setting,
        net_photons=_net_photons(curves.net).with_systematic(systematics.photon_scale),
        hpd_measured_arcsec=arcsec[HALF_POWER],
        hpd_measured_mm=mm[HALF_POWER],
        w90_measured_arcsec=arcsec[NINETY],
        w90_measured_mm=mm[NINETY],
        hpd_by_reference_radius=other,
        uncertainty_budget=budget.rows(scale),
    )


def _with_area(numbers: Measurement, areas: dict[str, object]) -> Measurement:
    """Add the areas as measured; the whole one with what the wing tells of the rest."""
    notes = {**numbers.notes, **areas.pop("notes")}
    within = areas.get(WITHIN)
    if within is not None:
        areas[TOTAL] = total_area(within, numbers.flux_beyond_reference)
        if areas[TOTAL] is None:
            notes[TOTAL] = f"only inside the reference radius: {notes[_BEYOND]}"
        else:
            notes[TOTAL] = "beyond the reference radius as the wing of the image tells"
    return replace(numbers, notes=notes, **areas)


def _net_photons(net: NetRings) -> Uncertain:
    return Uncertain(
        value=float(net.growth[-1]),
        statistical=math.sqrt(max(float(net.covariance.sum()), 0.0)),
        systematic=math.hypot(*(net.systematic_modes * net.scale).sum(axis=1)),
        model=math.hypot(*(net.model_modes @ net.scale)),
    )


def _stage(inputs: MeasurementInputs) -> tuple[tuple[float, float] | None, str]:
    """Where the stage of the detector stood, mm; None and the reason if not known."""
    rows = [row.exposure for row in inputs.beam]
    places = {(row.detector_x, row.detector_y) for row in rows}
    if any(axis is None for place in places for axis in place):
        return None, "detector_x and detector_y are not given for all of its exposures"
    if len(places) > 1:
        return None, "the stage of the detector moved between its exposures"
    x, y = places.pop()
    return (float(x.to_value(u.mm)), float(y.to_value(u.mm))), ""


def _degrees(azimuth: Quantity | None) -> float | None:
    return None if azimuth is None else float(azimuth.to_value(u.deg))


def _saturated_fraction(located: Located, reference_px: float) -> float:
    """Share of the area inside the reference radius that is saturated."""
    y, x = np.nonzero(located.image.saturated)
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
