"""The effective area of one measurement: its photons, its direct beam, their ratio."""

import math
from dataclasses import replace

import numpy as np

from beamreduce.background.model import draw
from beamreduce.campaign import CalibratedBy
from beamreduce.campaign.exposure_amount import exposure_amount
from beamreduce.effective_area.beams import DirectBeam, FocusedBeam
from beamreduce.effective_area.flux_ratio import FluxRatio, flux_ratio
from beamreduce.effective_area.readings import Reading, reading_rows
from beamreduce.encircled_energy import NetRings
from beamreduce.errors import AreaError
from beamreduce.frame import MasterCache, photons_in_rows
from beamreduce.record import Uncertain
from beamreduce.reduction.direct_step import DirectRead, live_row, throughputs
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


def measure_area(
    request: MeasureRequest,
    located: Located,
    counted: tuple[NetRings, Uncertain],
    direct: DirectRead,
    masters: MasterCache,
) -> dict[str, object]:
    """Return what the areas of one measurement are made of, as fields of its record.

    Parameters
    ----------
    request
        Paths and settings.
    located
        The image.
    counted
        Its rings, and net photons inside the reference radius, the scale of photons left
        out of their uncertainty.
    direct
        The beam to compare with.
    masters
        Masters of earlier calls.

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
    if direct.beam is None:
        return {"notes": _no_area(direct.missing)}
    focused = FocusedBeam(
        photons=counted[1],
        readings=_focused_readings(request, located, counted, (direct.by, masters)),
        throughput=throughputs(request, request.inputs.beam),
    )
    try:
        ratio = flux_ratio(
            focused, direct.beam, request.setup.facility, request.inputs.detector
        )
    except AreaError as error:
        return {"notes": _no_area(str(error))}
    return {
        WITHIN: ratio.area_cm2,
        "flux_ratio": _record(ratio, direct.by, (focused, direct.beam))
        | {"frame_photons": _frame_photons(located)},
        "notes": dict(ratio.notes) | direct.notes,
    }


def _no_area(reason: str) -> dict[str, str]:
    return dict.fromkeys((*AREA_KEYS, "flux_ratio"), reason)


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


def _focused_readings(
    request: MeasureRequest,
    located: Located,
    counted: tuple[NetRings, Uncertain],
    how: tuple[str, MasterCache],
) -> tuple[Reading, ...]:
    """Each exposure of the image for itself, in the circle that all are counted in."""
    (net, photons), (by, masters) = counted, how
    items = request.inputs.beam
    rows = [live_row(request, item) for item in items]
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
    masters: MasterCache,
) -> float:
    """Photons of one exposure in the circle; only the rows it lies in are calibrated."""
    located, radius_px = where
    x, y = located.center.xy
    first = max(math.floor(y - radius_px[0]) - 1, 0)
    rows = slice(first, math.ceil(y + radius_px[0]) + 2)
    photons = photons_in_rows(
        item,
        rows,
        folder=request.folder,
        detector=request.inputs.detector,
        cache=masters,
    )
    return float(overlap_sums(photons, (x, y - first), radius_px)[0])


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
