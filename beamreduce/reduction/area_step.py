"""The effective area of one measurement: its photons, its direct beam, their ratio."""

import math
from collections.abc import Sequence
from dataclasses import replace

import astropy.units as u
import numpy as np

from beamreduce.background import excess_of_beam_off, scale_to
from beamreduce.background.model import draw
from beamreduce.campaign import CalibratedBy, Exposure
from beamreduce.campaign.exposure_amount import exposure_amount
from beamreduce.effective_area.beams import DirectBeam, FocusedBeam, direct_factor
from beamreduce.effective_area.flux_ratio import FluxRatio, flux_ratio
from beamreduce.effective_area.monitor import (
    amounts_by,
    trust_note,
    with_monitor_dead_time,
)
from beamreduce.effective_area.readings import Reading, reading_rows
from beamreduce.effective_area.throughput import Throughput, throughput
from beamreduce.encircled_energy import NetRings
from beamreduce.errors import AreaError, MeasurementError
from beamreduce.frame import FrameSettings, MasterCache
from beamreduce.image import FocalImage, calibrate_group
from beamreduce.record import Uncertain
from beamreduce.reduction.locate import Located
from beamreduce.reduction.request import MeasureRequest
from beamreduce.rings import overlap_sums

WITHIN = "effective_area_within_reference_measured_cm2"
TOTAL = "effective_area_measured_cm2"
AREA_KEYS = (
    TOTAL,
    "effective_area_infinity_cm2",
    WITHIN,
    "effective_area_within_reference_infinity_cm2",
)
NO_DIRECT = "no direct row of this energy and detector: without a direct beam no area"


def measure_area(
    request: MeasureRequest,
    located: Located,
    net: NetRings,
    photons: Uncertain,
    caches: tuple[MasterCache | None, MasterCache | None],
) -> dict[str, object]:
    """Return what the areas of one measurement are made of, as fields of its record.

    Parameters
    ----------
    request
        Paths and settings.
    located, net, photons
        Image, its rings, and net photons inside the reference radius, the scale of
        photons left out of their uncertainty.
    caches
        Masters of earlier calls, and direct beams.

    Returns
    -------
    dict
        ``flux_ratio`` and the area inside the reference radius, or notes that say why
        not.

    Raises
    ------
    MeasurementError, SettingsError
        When what is there contradicts itself.
    """
    inputs = request.inputs
    if not inputs.direct:
        return {"notes": dict.fromkeys((*AREA_KEYS, "flux_ratio"), NO_DIRECT)}
    rows = [_row(request, item) for item in (*inputs.beam, *inputs.direct)]
    by, note = amounts_by(rows)
    masters, directs = caches
    focused = FocusedBeam(
        photons=photons,
        readings=_focused_readings(request, located, (net, photons), (by, masters)),
        throughput=_throughputs(request, inputs.beam),
    )
    key = (request.folder, by, tuple(row.exposure for row in rows[len(inputs.beam) :]))
    directs = MasterCache() if directs is None else directs
    try:
        direct = directs.get(key, lambda: _direct_beam(request, by, masters))
        ratio = flux_ratio(focused, direct, request.setup.facility, inputs.detector)
    except AreaError as error:
        return {"notes": dict.fromkeys((*AREA_KEYS, "flux_ratio"), str(error))}
    notes = dict(ratio.notes)
    notes |= {"monitor": note} if note else {}
    trust = trust_note(rows) if by == "monitor" else None
    notes |= {"monitor_dead_time": trust} if trust else {}
    return {
        WITHIN: ratio.area_cm2,
        "flux_ratio": _record(ratio, by, (focused, direct))
        | {"frame_photons": _frame_photons(located)},
        "notes": notes,
    }


def _row(request: MeasureRequest, item: CalibratedBy) -> Exposure:
    return with_monitor_dead_time(item.exposure, request.setup.facility)


def _record(
    ratio: FluxRatio, by: str, beams: tuple[FocusedBeam, DirectBeam]
) -> dict[str, object]:
    """Return the ratio as results.json holds it."""
    focused, direct = beams
    return {
        "normalised_by": "monitor counts" if by == "monitor" else "live time",
        "direct_beam": "counter" if direct.counters else "frames",
        "flux_per_cm2": ratio.flux_per_cm2,
        "interval_cm2": ratio.interval_cm2,
        "beam": reading_rows(focused.readings, ratio.focused),
        "direct": reading_rows(direct.readings, ratio.direct),
        "repeats": {
            name: {
                "chi_square": rate.chi_square,
                "degrees_of_freedom": rate.degrees_of_freedom,
                "scatter": rate.scatter,
            }
            for name, rate in (("beam", ratio.focused), ("direct", ratio.direct))
        },
        "terms": [term.to_json() for term in ratio.terms],
    }


def _frame_photons(located: Located) -> Uncertain | None:
    """Net photons of the whole frame; None where the background came from the frame itself.

    What lies outside the image would have been taken off with it.
    """
    background, image = located.background, located.image
    if background.method != "exposure":
        return None
    usable = image.usable

    def summed(part: np.ndarray | float) -> float:
        return float(np.sum(np.broadcast_to(part, image.shape), where=usable))

    photons = summed(image.photons)
    variance = image.variance_per_photon * max(photons, 1.0) + summed(image.noise_variance)
    variance += summed(background.photon_variance) - 2 * summed(background.shared_variance)
    modes = [summed(draw(mode, image.shape)) for mode in background.modes]
    declared = [summed(draw(mode, image.shape)) for mode in background.systematic_modes]
    return Uncertain(
        value=summed(located.net.photons),
        statistical=math.hypot(math.sqrt(max(variance, 0.0)), *modes),
        systematic=math.hypot(*declared),
    )


def _throughputs(
    request: MeasureRequest, items: Sequence[CalibratedBy]
) -> tuple[Throughput, ...]:
    """Shares of exposures; those of the detector itself only for its own frames."""
    return tuple(
        throughput(
            item.exposure,
            None if item.exposure.is_counter else request.inputs.detector,
            request.setup.layers,
            request.inputs.energy,
        )
        for item in items
    )


def _focused_readings(
    request: MeasureRequest,
    located: Located,
    counted: tuple[NetRings, Uncertain],
    how: tuple[str, MasterCache | None],
) -> tuple[Reading, ...]:
    """Each exposure of the image for itself, in the circle that all are counted in."""
    (net, photons), (by, masters) = counted, how
    items = request.inputs.beam
    rows = [_row(request, item) for item in items]
    share = np.array([row.live_seconds for row in rows])
    share /= share.sum()
    parts = np.array([photons.value])
    if len(items) > 1:
        radius_px = np.array([net.radius_mm[-1] / located.image.pixel_mm])
        level = located.background.level_image(located.image.shape)
        level = float(overlap_sums(level, located.center.xy, radius_px)[0])
        parts = np.array(
            [
                _in_circle(request, (located, radius_px), item, masters) - level * part
                for item, part in zip(items, share, strict=True)
            ]
        )
        # Bad pixels are filled in the sum only; that changes all exposures alike.
        parts *= photons.value / parts.sum()
    counting = located.image.variance_per_photon * photons.value
    noise = max(photons.statistical**2 - counting, 0.0)
    return tuple(
        Reading(
            exposure=row,
            photons=float(part),
            noise_variance=noise * float(of_noise),
            variance_per_photon=located.image.variance_per_photon,
            amount=exposure_amount(row, by),
            factor=1.0,
        )
        for row, part, of_noise in zip(rows, parts, share, strict=True)
    )


def _in_circle(
    request: MeasureRequest,
    where: tuple[Located, np.ndarray],
    item: CalibratedBy,
    masters: MasterCache | None,
) -> float:
    located, radius_px = where
    image = _image(request, (item,), masters)
    return float(overlap_sums(image.photons, located.center.xy, radius_px)[0])


def _image(
    request: MeasureRequest, items: Sequence[CalibratedBy], masters: MasterCache | None
) -> FocalImage:
    return calibrate_group(
        items,
        folder=request.folder,
        detector=request.inputs.detector,
        masters=masters,
        settings=FrameSettings(energy=request.inputs.energy),
    )


def _direct_beam(
    request: MeasureRequest, by: str, masters: MasterCache | None
) -> DirectBeam:
    """Count the direct beam, each exposure for itself, its own background taken off.

    Frames are preferred to counters: their efficiency is that of the image.
    """
    inputs = request.inputs
    frames = tuple(item for item in inputs.direct if not item.exposure.is_counter)
    chosen = frames or inputs.direct
    off = {row.exposure.exposure: row for row in inputs.direct_background}
    backgrounds = MasterCache()
    readings = []
    for item in chosen:
        beam_off = tuple(off[name] for name in item.background if name in off)
        if frames:
            readings.append(
                _frame_reading(request, item, beam_off, (by, masters, backgrounds))
            )
        else:
            readings.append(_counter_reading(request, item, beam_off, by))
    kev = float(inputs.energy.to_value(u.keV))
    detector = inputs.detector.name
    return DirectBeam(
        readings=tuple(readings),
        throughput=_throughputs(request, chosen),
        counters=not frames,
        name=f"direct beam {kev:g} keV" + (f" {detector}" if detector else ""),
    )


def _frame_reading(
    request: MeasureRequest,
    item: CalibratedBy,
    beam_off: tuple[CalibratedBy, ...],
    how: tuple[str, MasterCache | None, MasterCache],
) -> Reading:
    by, masters, backgrounds = how
    row = _row(request, item)
    image = _image(request, (item,), masters)
    plain = image.flags == 0
    level, variance = 0.0, 0.0
    if beam_off:
        names = tuple(one.exposure.exposure for one in beam_off)
        dark = backgrounds.get(
            names, lambda: _with_excess(_image(request, beam_off, masters))
        )
        image_off, excess = dark
        plain &= image_off.flags == 0
        scale = _scale(request, row, beam_off)
        pixels = float(plain.sum())
        level = scale.value * float(image_off.photons.sum(where=plain))
        variance = scale.value**2 * _variance(image_off, plain)
        variance += excess * pixels * (scale.value + scale.value**2)
        variance += (scale.uncertainty / scale.value * level) ** 2
    if not plain.any():
        raise MeasurementError(
            f"exposure {row.exposure}: found no usable pixel in the direct beam; expected "
            f"some; shorten the exposure or check the darks"
        )
    area_mm2 = float(plain.sum()) * image.pixel_mm**2
    noise = np.broadcast_to(image.noise_variance, image.shape)
    variance += image.variance_per_photon * level + float(noise.sum(where=plain))
    return Reading(
        exposure=row,
        photons=float(image.photons.sum(where=plain)) - level,
        noise_variance=variance,
        variance_per_photon=image.variance_per_photon,
        amount=exposure_amount(row, by),
        factor=direct_factor(row, request.setup.facility, area_mm2),
    )


def _with_excess(image: FocalImage) -> tuple[FocalImage, float]:
    return image, excess_of_beam_off(image)


def _variance(image: FocalImage, plain: np.ndarray) -> float:
    noise = np.broadcast_to(image.noise_variance, image.shape)
    photons = max(float(image.photons.sum(where=plain)), 1.0)
    return image.variance_per_photon * photons + float(noise.sum(where=plain))


def _scale(
    request: MeasureRequest, row: Exposure, beam_off: Sequence[CalibratedBy]
) -> Uncertain:
    try:
        return scale_to(
            [row],
            [one.exposure for one in beam_off],
            by=request.setup.reduction.background_scale,
        )
    except MeasurementError as error:  # no area, but all else can be had
        raise AreaError(f"background of the direct beam: {error}") from None


def _counter_reading(
    request: MeasureRequest, item: CalibratedBy, beam_off: tuple[CalibratedBy, ...], by: str
) -> Reading:
    row = _row(request, item)
    level, variance = 0.0, 0.0
    if beam_off:
        scale = _scale(request, row, beam_off)
        counts = sum(one.exposure.counts for one in beam_off)
        level = scale.value * counts
        variance = scale.value**2 * max(counts, 1.0) + level
        variance += (scale.uncertainty * counts) ** 2
    return Reading(
        exposure=row,
        photons=row.counts - level,
        noise_variance=variance,
        variance_per_photon=1.0,
        amount=exposure_amount(row, by),
        factor=direct_factor(row, request.setup.facility),
    )


def total_area(within: Uncertain, beyond: Uncertain | None) -> Uncertain | None:
    """Return the whole area from that inside the reference radius and what is beyond.

    Parameters
    ----------
    within
        Area inside the reference radius.
    beyond
        Flux beyond it as a fraction of that inside; None when it is not known.
    """
    if beyond is None:
        return None
    factor = 1 + beyond.value
    return replace(
        within,
        value=within.value * factor,
        statistical=math.hypot(
            within.statistical * factor, within.value * beyond.statistical
        ),
        systematic=math.hypot(within.systematic * factor, within.value * beyond.systematic),
        model=math.hypot(within.model * factor, within.value * beyond.model),
    )
