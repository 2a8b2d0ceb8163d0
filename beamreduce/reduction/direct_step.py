"""The direct beam of one measurement, counted from its frames or its counters."""

from collections.abc import Sequence
from dataclasses import dataclass, field

import astropy.units as u
import numpy as np

from beamreduce.background import excess_of_beam_off, scale_to
from beamreduce.campaign import CalibratedBy, Exposure
from beamreduce.campaign.exposure_amount import exposure_amount
from beamreduce.effective_area.beams import DirectBeam, direct_factor
from beamreduce.effective_area.monitor import (
    amounts_by,
    trust_note,
    with_monitor_dead_time,
)
from beamreduce.effective_area.readings import Reading
from beamreduce.effective_area.throughput import Throughput, throughput
from beamreduce.errors import AreaError, MeasurementError
from beamreduce.frame import FrameSettings, MasterCache
from beamreduce.image import FocalImage, calibrate_group
from beamreduce.record import Uncertain
from beamreduce.reduction.request import MeasureRequest

NO_DIRECT = "no direct row of this energy and detector: without a direct beam no area"


@dataclass(frozen=True, kw_only=True)
class DirectRead:
    """The direct beam of a measurement, and what its exposures are compared by.

    Parameters
    ----------
    beam
        None where there is none that an area can be had from.
    by
        ``monitor`` or ``time``.
    missing
        Why there is no beam; empty where there is one.
    notes
        What is to be known of the monitor, by key.
    """

    beam: DirectBeam | None
    by: str
    missing: str = ""
    notes: dict[str, str] = field(default_factory=dict)


def read_direct(
    request: MeasureRequest, masters: MasterCache, directs: MasterCache
) -> DirectRead:
    """Count the direct beam of a measurement; it needs nothing of the image.

    Parameters
    ----------
    request
        Paths and settings.
    masters, directs
        Masters and direct beams of earlier calls.

    Raises
    ------
    FrameError, MeasurementError, SettingsError
        When a frame cannot be used, or what is there contradicts itself.
    """
    inputs = request.inputs
    if not inputs.direct:
        return DirectRead(beam=None, by="", missing=NO_DIRECT)
    rows = [live_row(request, item) for item in (*inputs.beam, *inputs.direct)]
    by, note = amounts_by(rows)
    key = (request.folder, by, tuple(row.exposure for row in rows[len(inputs.beam) :]))
    try:
        beam = directs.get(key, lambda: _direct_beam(request, by, masters))
    except AreaError as error:
        return DirectRead(beam=None, by=by, missing=str(error))
    notes = {"monitor": note} if note else {}
    trust = trust_note(rows) if by == "monitor" else None
    notes |= {"monitor_dead_time": trust} if trust else {}
    return DirectRead(beam=beam, by=by, notes=notes)


def live_row(request: MeasureRequest, item: CalibratedBy) -> Exposure:
    """Return an exposure with the dead time of its monitor taken out."""
    return with_monitor_dead_time(item.exposure, request.setup.facility)


def throughputs(
    request: MeasureRequest, items: Sequence[CalibratedBy]
) -> tuple[Throughput, ...]:
    """Return the shares of exposures; the detector's own only for its own frames."""
    return tuple(
        throughput(
            item.exposure,
            None if item.exposure.is_counter else request.inputs.detector,
            request.setup.layers,
            request.inputs.energy,
        )
        for item in items
    )


def _image(
    request: MeasureRequest, items: Sequence[CalibratedBy], masters: MasterCache
) -> FocalImage:
    return calibrate_group(
        items,
        folder=request.folder,
        detector=request.inputs.detector,
        masters=masters,
        settings=FrameSettings(energy=request.inputs.energy),
    )


def _direct_beam(request: MeasureRequest, by: str, masters: MasterCache) -> DirectBeam:
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
        throughput=throughputs(request, chosen),
        counters=not frames,
        name=f"direct beam {kev:g} keV" + (f" {detector}" if detector else ""),
    )


def _frame_reading(
    request: MeasureRequest,
    item: CalibratedBy,
    beam_off: tuple[CalibratedBy, ...],
    how: tuple[str, MasterCache, MasterCache],
) -> Reading:
    by, masters, backgrounds = how
    row = live_row(request, item)
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
    row = live_row(request, item)
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
