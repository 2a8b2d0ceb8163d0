"""What quadrants.json says, from what was found."""

import math

import astropy.units as u
import numpy as np

from beamreduce.campaign import Campaign, quadrants_of
from beamreduce.quadrants import Move
from beamreduce.quadrants.places import to_mirror
from beamreduce.record import Uncertain, plain_json, software_versions
from beamreduce.reduction.quadrant_folds import MeasuredQuadrant
from beamreduce.reduction.quadrants_predict import Predicted
from beamreduce.reduction.quadrants_rounds import moves_seen, round_of
from beamreduce.reduction.quadrants_step import QuadrantsFound

FORMAT = "beamreduce-quadrants/1"
CAUTION = (
    "moves are made by qualified staff, with the beam off and interlocks set as the "
    "facility requires; the facility's radiation-safety officer and local rules go before "
    "anything written here"
)
NEVER_FLUX = (
    "never align by the most flux: at a finite distance that leans a quadrant by up to its "
    "radius over the source distance, and a star would then see less"
)
_ARCSEC = math.degrees(1) * 3600
_CLOSE = 2.0  # tolerances


def content_of(campaign: Campaign, found: QuadrantsFound) -> dict[str, object]:
    """Return the content of quadrants.json."""
    names = tuple(quadrants_of(campaign.setup))
    notes = _notes(campaign, found)
    content: dict[str, object] = {
        "format": FORMAT,
        "version": software_versions()["beamreduce"],
        "campaign": campaign.setup.name,
        "round": found.last.round.number,
        "detector_distance_mm": found.detector_mm,
        "energy_keV": found.energy_kev,
        "quadrants": [_quadrant(found, name) for name in names],
        "left_alone": _left_alone(found),
        "short_of_target": [] if found.plan is None else list(found.plan.short),
        "outward_mm": _outward(found),
    }
    for state in ("now", "after_move", "coincident"):
        predicted = getattr(found, state.removesuffix("_move"))
        content |= _predicted(state, predicted)
    content["rounds"] = [round_of(found, one) for one in found.rounds]
    content["moves_seen"] = moves_seen(found)
    content["bars"] = bars_of(found)
    content["notes"] = notes
    return plain_json(content)


def _quadrant(found: QuadrantsFound, name: str) -> dict[str, object]:
    """One entry of ``quadrants``, of its image in the present state."""
    own = [one for one in found.last.measured if one.image.aperture == name]
    empty = (
        "measurement", "center_pixel", "center_uncertainty_pixel",
        "center_covariance_pixel2", "target_mm", "target_outward_uncertainty_mm",
        "displacement_mm", "displacement_uncertainty_mm", "hpd_measured_arcsec", "shape",
        "diffraction_hpd_arcsec", "diffraction_w90_arcsec", "diffraction_hides_hpd",
        "move", "residual_pixel", "fit",
    )  # fmt: skip
    entry: dict[str, object] = {"aperture": name} | dict.fromkeys(empty)
    if not own:
        return entry
    one = best_of(found, own)
    image, target = one.image, found.folded[name].targets[one.image.id]
    entry |= {
        "measurement": image.id,
        "center_pixel": image.center_px.tolist(),
        "center_uncertainty_pixel": np.sqrt(np.diag(image.covariance_px2)).tolist(),
        "center_covariance_pixel2": image.covariance_px2.tolist(),
        "target_mm": target.place_mm.tolist(),
        "target_outward_uncertainty_mm": math.hypot(target.outward_mm, target.own_mm),
        "target_from": target.how,
        "hpd_measured_arcsec": image.hpd_arcsec,
        "shape": _shape(one),
        "fit": found.folded[name].fit,
    }
    entry |= _displaced(found, name)
    diffraction = found.diffraction[image.energy_kev]
    entry |= {
        "diffraction_hpd_arcsec": diffraction.hpd_arcsec,
        "diffraction_w90_arcsec": diffraction.w90_arcsec,
    }
    if image.hpd_arcsec is not None:
        entry["diffraction_hides_hpd"] = diffraction.hides(image.hpd_arcsec.value)
    if found.plan is not None:
        moves = [move for move in found.plan.moves if move.adjuster.quadrant == name]
        entry["move"] = [_move(move) for move in moves]
        entry["residual_pixel"] = in_pixels(found, one, found.plan.after_rad[name])
    return entry


def best_of(found: QuadrantsFound, own: list[MeasuredQuadrant]) -> MeasuredQuadrant:
    """Return the image of one quadrant that stands for it: that of the common plane."""

    def apart(one: MeasuredQuadrant) -> tuple[bool, float]:
        other = one.image.energy_kev != found.energy_kev
        return other, abs(one.image.distance_mm - found.detector_mm)

    return min(own, key=apart)


def in_pixels(
    found: QuadrantsFound, one: MeasuredQuadrant, angle: tuple[float, float]
) -> list[float]:
    """Return a displacement on the detector, in pixels along its x and y."""
    offset_mm = np.array(angle) * found.detector_mm
    back = np.linalg.inv(to_mirror(one.request.inputs))
    return (back @ offset_mm / one.image.pixel_mm).tolist()


def _displaced(found: QuadrantsFound, name: str) -> dict[str, object]:
    displaced = found.last.displaced
    if displaced is None:
        return {}
    error = displaced.error_rad[displaced.names.index(name)]
    return {
        "displacement_mm": [x * found.detector_mm for x in displaced.of(name)],
        "displacement_uncertainty_mm": (error * found.detector_mm).tolist(),
    }


def _shape(one: MeasuredQuadrant) -> dict[str, object] | None:
    shape = one.image.shape
    if shape is None:
        return None
    return {
        "circle_radius_mm": shape.radius_mm,
        "longest_mm": shape.longest_mm,
        "shortest_mm": shape.shortest_mm,
        "longest_azimuth_deg": shape.azimuth_deg,
    }


def _move(move: Move) -> dict[str, object]:
    adjuster = move.adjuster
    unit = adjuster.shown_unit
    return {
        "adjuster": adjuster.name,
        "motion": adjuster.motion,
        "steps": move.steps,
        "value": float(adjuster.amount(move.steps).value),
        "uncertainty": float((move.uncertainty * adjuster.unit).to_value(unit)),
        "unit": unit.to_string(),
        "note": move.note or None,
    }


def _left_alone(found: QuadrantsFound) -> list[str]:
    return [] if found.plan is None else list(found.plan.left_alone)


def _outward(found: QuadrantsFound) -> dict[str, object] | None:
    displaced = found.last.displaced
    if displaced is None:
        return None
    mm = found.detector_mm
    return {
        "value": displaced.outward_rad * mm,
        "uncertainty": displaced.outward_error_rad * mm,
        "corrected": displaced.keeps_outward,
    }


def _predicted(state: str, predicted: Predicted | None) -> dict[str, object]:
    keys = ("hpd_{}_arcsec", "best_focus_{}_mm", "area_{}_cm2", "hpd_{}_at_detector_arcsec")
    if predicted is None:
        return {key.format(state): None for key in keys}
    values: tuple[Uncertain, ...] = (
        predicted.hpd_rad.scaled(_ARCSEC),
        predicted.best_mm,
        predicted.area_mm2.scaled(0.01),
        predicted.at_detector_rad.scaled(_ARCSEC),
    )
    return {key.format(state): value for key, value in zip(keys, values, strict=True)}


def _stop(found: QuadrantsFound) -> str:
    """Say when no further move is worth it; nothing where one is."""
    if found.plan is None or found.last.displaced is None:
        return ""
    apart = np.hypot(*found.last.displaced.angle_rad.T) * found.detector_mm
    if apart.max() > _CLOSE * found.plan.tolerance_mm:
        return ""
    return (
        f"every image is within {_CLOSE * found.plan.tolerance_mm * 1000:.2g} µm of its "
        f"target, what 1 % of the HPD and counting leave: further moves gain nothing that "
        f"could be measured"
    )


def bars_of(found: QuadrantsFound) -> dict[str, object]:
    """Return the budget of alignment bars."""
    budget = found.budget
    kept = None if budget is None else budget.budget
    return {
        "target_hpd_arcsec": None if budget is None else budget.target_arcsec,
        "allowed_error_um": None if kept is None else kept.radial_um,
        "sentence": None if budget is None else budget.sentence,
    }


def _notes(campaign: Campaign, found: QuadrantsFound) -> dict[str, str]:
    notes = {"caution": CAUTION, "flux": NEVER_FLUX}
    if found.refused:
        notes["move"] = found.refused
    if found.unpredicted:
        notes["hpd_coincident_arcsec"] = found.unpredicted
    seen = {one.image.aperture for one in found.last.measured}
    missing = [name for name in quadrants_of(campaign.setup) if name not in seen]
    if missing:
        notes["missing"] = (
            f"no image of {', '.join(missing)} in round {found.last.round.number}: nothing "
            f"is said of their places, and they are not moved"
        )
    for one in found.last.measured:
        size = one.image.hpd_arcsec
        if size is not None:
            text = found.diffraction[one.image.energy_kev].sentence(size.value)
            if text:
                notes[f"diffraction {one.image.aperture}"] = text
    for name, folded in found.folded.items():
        if folded.note:
            notes[f"target {name}"] = f"target of perfect cones: {folded.note}"
        elif folded.fit is not None and not folded.fit["accepted"]:
            notes[f"fit {name}"] = (
                "no mixture of slope errors describes its rings; look at its image before "
                "its target and the predicted sizes are believed"
            )
    if found.plan is not None and found.plan.short:
        notes["short_of_target"] = "; ".join(found.plan.short)
    curves = (found.now_whole, found.coincident_whole)
    if any(one is not None and not one.found for one in curves):
        notes["best_focus"] = (
            "the whole image is least at an end of the planes looked at: its best "
            "focus lies beyond, and predicted sizes are upper limits"
        )
    if stop := _stop(found):
        notes["stop"] = stop
    source = campaign.setup.facility.source_distance.to_value(u.mm)
    response = 1 + found.detector_mm / float(source)
    notes["lens_rule"] = (
        f"a rigid shift moves an image by {response:.4g} times itself, a rigid tilt about "
        f"the reference plane by almost nothing: the mirror is a lens"
    )
    return dict(sorted(notes.items()))
