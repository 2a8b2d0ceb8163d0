"""The focus of one configuration, in the form of results.json."""

import math
from collections.abc import Mapping, Sequence

import astropy.units as u
import numpy as np

from beamreduce.image import Sector
from beamreduce.infinity.astigmatism import Astigmatism, FocusPlane, astigmatism
from beamreduce.infinity.best_focus import FocusScan
from beamreduce.infinity.declared import mirror_offset_mm
from beamreduce.record import Uncertain
from beamreduce.reduction.infinity_step import AtInfinity, focus_energy
from beamreduce.reduction.request import MeasureRequest

ARCSEC_PER_RAD = math.degrees(1) * 3600
_DEPTH = 0.05  # growth of the HPD that is still in focus
_SURE = 0.95
_DISAGREE = 0.005  # of the HPD: less than most exposures measure


def focus_of(
    found: AtInfinity,
    requests: Sequence[MeasureRequest],
    measurements: Sequence[Mapping[str, object]],
) -> dict[str, object] | None:
    """Return what the measurements of one configuration tell of the focus.

    None off the axis, where it is not worked out.

    Parameters
    ----------
    found
        The fold.
    requests, measurements
        Its measurements, as asked for and as results.json holds them.
    """
    scan = found.beam_focus
    if scan is None:
        return None
    star = found.star_focus[focus_energy(found.folded.measured)]
    notes: dict[str, str] = {}
    lens, axis = _astigmatism(scan, requests, measurements, notes)
    planes = sorted({one.distance_mm for one in found.folded.measured})
    if len(planes) == 1:
        notes["best_focus_mm"] = (
            "from one detector distance: the model says where its own focus is, the "
            "measurement hardly does; see the model uncertainty"
        )
    return {
        "measurements": [r.inputs.id for r in requests],
        "aperture": requests[0].inputs.aperture,
        "detector_distances_mm": planes,
        "best_focus_mm": _where(scan, "best_focus_mm", notes),
        "hpd_best_focus_arcsec": _least(scan),
        "depth_mm": _depth(scan),
        "cone_focal_length_mm": star.crossing.to_json(),
        "star_best_focus_mm": _where(star, "star_best_focus_mm", notes),
        **_cone_angle(found),
        "astigmatism_mm": lens,
        "astigmatism_axis_deg": axis,
        "next_detector_distance_mm": _next(scan, planes, notes),
        "notes": notes,
    }


def _where(scan: FocusScan, key: str, notes: dict[str, str]) -> dict[str, float] | None:
    if scan.found:
        return scan.best_mm.to_json()
    notes[key] = "the image is least beyond the planes that were looked at"
    return None


def _least(scan: FocusScan) -> dict[str, float] | None:
    return scan.least_rad.scaled(ARCSEC_PER_RAD).to_json() if scan.found else None


def _depth(scan: FocusScan) -> float:
    first, last = scan.depth_mm(_DEPTH)
    return last - first


def _cone_angle(found: AtInfinity) -> dict[str, object]:
    """Mean error of the cone angles, outward positive, and whether its sign is known."""
    families, weight = found.folded.counting
    means = np.array([f.mean_rad for f in families]) * ARCSEC_PER_RAD
    value = float(weight @ means)
    spread = math.sqrt(float(weight @ (means - value) ** 2))
    outward, inward = (float(weight[sign * means > 0].sum()) for sign in (1, -1))
    return {
        "cone_angle_stage": found.folded.best.stage,
        "cone_angle_error_arcsec": Uncertain(
            value=value, statistical=0.0, model=spread
        ).to_json(),
        "cone_angle_sign_known": max(outward, inward) > _SURE,
    }


def _astigmatism(
    scan: FocusScan,
    requests: Sequence[MeasureRequest],
    measurements: Sequence[Mapping[str, object]],
    notes: dict[str, str],
) -> tuple[dict[str, float] | None, float | None]:
    """Half the distance of the line foci, and the mirror azimuth that focuses furthest."""
    planes = [
        FocusPlane(
            id=m["id"],
            detector_distance=m["detector_distance_mm"] * u.mm,
            sectors=_sectors(m, float(r.inputs.detector.pixel_size.to_value(u.mm))),
            pixel_size=r.inputs.detector.pixel_size,
        )
        for r, m in zip(requests, measurements, strict=True)
    ]
    found: Astigmatism | None = None
    reason = "the best focus is not known"
    if requests[0].inputs.aperture != "full":
        reason = "only the whole mirror shows it"
    elif scan.found and len({p.detector_distance.value for p in planes}) < 2:
        reason = "one detector distance does not show it; rings on both sides of focus do"
    elif scan.found:
        blur = scan.least_rad.value / 2 * scan.best_mm.value
        found, reason = astigmatism(
            planes, best_focus=scan.best_mm.value * u.mm, blur_radius=blur * u.mm
        )
    if found is None:
        notes["astigmatism_mm"] = reason
        notes["astigmatism_axis_deg"] = reason
        return None, None
    size = found.amplitude_mm
    parts = (found.cos2_mm, found.sin2_mm)
    share = [part.value / size if size else math.sqrt(0.5) for part in parts]
    error = math.hypot(
        *(s * part.uncertainty for s, part in zip(share, parts, strict=True))
    )
    angle = math.radians(found.axis_deg)
    x, y = mirror_offset_mm(requests[0].inputs, math.cos(angle), math.sin(angle))
    axis = math.degrees(math.atan2(y, x)) % 180.0
    return Uncertain(value=size, statistical=error).to_json(), axis


def _sectors(measurement: Mapping[str, object], pixel_mm: float) -> tuple[Sector, ...]:
    return tuple(
        Sector(
            start_deg=sector["start_deg"],
            end_deg=sector["end_deg"],
            share=Uncertain.from_json(sector["share"]),
            half_power_radius_px=(
                None
                if sector["half_power_radius_mm"] is None
                else Uncertain.from_json(sector["half_power_radius_mm"]).scaled(
                    1 / pixel_mm
                )
            ),
        )
        for sector in measurement["sectors"]  # type: ignore[attr-defined]
    )


def _next(scan: FocusScan, planes: Sequence[float], notes: dict[str, str]) -> float | None:
    """Distance where the families that describe the data disagree most about the HPD."""
    value = scan.family_weight @ scan.by_family
    spread = np.sqrt(scan.family_weight @ (scan.by_family - value) ** 2) / value
    apart = np.min(np.abs(scan.distance_mm[:, None] - np.array(planes)), axis=1)
    spread = np.where(apart > np.ptp(scan.distance_mm) / 20, spread, 0.0)
    if spread.max() < _DISAGREE:
        notes["next_detector_distance_mm"] = (
            "everything that describes the measurements agrees on the other planes: "
            "another distance would add little"
        )
        return None
    return float(scan.distance_mm[int(np.argmax(spread))])
