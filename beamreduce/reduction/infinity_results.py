"""What a fold adds to the record of its measurements, in the form of results.json."""

import math
from collections.abc import Mapping
from dataclasses import replace

import astropy.units as u
import numpy as np

from beamreduce.encircled_energy import CurveTerm, UncertainCurve
from beamreduce.infinity.blur_budget import BlurInputs, InPlaneErrors, blur_budget
from beamreduce.record import Uncertain
from beamreduce.reduction.focus_results import ARCSEC_PER_RAD
from beamreduce.reduction.infinity_step import (
    BACKGROUND_TERM,
    FOLD_TERM,
    SHARES,
    AtInfinity,
    area_ratio,
    diameter_of,
    reference_mm,
    star_arcsec,
    star_quantity,
)
from beamreduce.reduction.lit_part import lit_part
from beamreduce.reduction.request import MeasureRequest

_MOSTLY_MODEL = 0.5
_Term = tuple[str, str, float]  # name, kind, size
NO_ANSWER = (
    "hpd_infinity_arcsec",
    "w90_infinity_arcsec",
    "infinity_detector_distance_mm",
    "hpd_infinity_best_focus_arcsec",
    "infinity_best_focus_mm",
    "fit",
)


def infinity_fields(found: AtInfinity, request: MeasureRequest) -> dict[str, object]:
    """Return the keys of one measurement that its configuration's fold fills."""
    identity = request.inputs.id
    one = next(m for m in found.folded.measured if m.id == identity)
    scale = star_arcsec(found)
    values, terms = {}, {}
    for name, share in SHARES.items():
        of = diameter_of(share, reference_mm(found, identity))
        size, parts = star_quantity(found, one.energy, of)
        values[name] = size.scaled(scale)
        terms[name] = [(term, kind, part * scale) for term, kind, part in parts]
    ratio, _ = star_quantity(found, one.energy, area_ratio)
    notes = _notes(found, ratio) | {"blur_budget": "null where a cause does not apply"}
    at_plane = (values["hpd"], terms["hpd"])
    best, least, focus_terms = _best_focus(found, one.energy, at_plane, notes)
    lit = exercised_fraction(request)
    if lit < _MOSTLY_MODEL:
        notes["primary_exercised_fraction"] = (
            f"the diverging beam lights only {lit:.0%} of the primaries; the rest of the "
            f"answer at infinity is what the model says of surfaces that were not seen"
        )
    return {
        "hpd_infinity_arcsec": values["hpd"],
        "w90_infinity_arcsec": values["w90"],
        "infinity_detector_distance_mm": found.star_mm,
        "hpd_infinity_best_focus_arcsec": least,
        "infinity_best_focus_mm": best,
        "primary_exercised_fraction": lit,
        "fit": _fit(found, identity, ratio),
        "blur_budget": _blur(found, request),
        "budget_rows": (*_budget_rows(terms), *_best_focus_rows(focus_terms)),
        "notes": notes,
    }


def star_curve(
    found: AtInfinity, identity: str, angle_arcsec: np.ndarray
) -> UncertainCurve:
    """Return the star's encircled energy at the angles of a measured curve."""
    one = next(m for m in found.folded.measured if m.id == identity)
    seen = found.seen[one.energy]
    radii = angle_arcsec / ARCSEC_PER_RAD * found.star_mm
    reference = reference_mm(found, identity)
    parts = seen.curve(radii, reference)
    changes = [(BACKGROUND_TERM, "systematic", row) for row in parts.systematic]
    changes += [(FOLD_TERM, "model", row) for row in parts.model]
    base = found.base.curves[one.energy].fraction(radii, reference)
    for variant, response in zip(found.variants, found.changes, strict=True):
        # At other resolution, so only the difference counts.
        moved = response.curves[one.energy].fraction(radii, reference) - base
        changes.append((variant.term, variant.kind, moved))
    return UncertainCurve(
        radius_arcsec=angle_arcsec,
        fraction=parts.value,
        covariance=parts.repeats.T @ parts.repeats,
        terms=tuple(
            CurveTerm(term=term, kind=kind, change=change)
            for term, kind, change in changes
            if np.any(change)
        ),
    )


def exercised_fraction(request: MeasureRequest) -> float:
    """Return the part of the primaries that the diverging beam lights."""
    return float(lit_part(request).primary_exercised_fraction)


def _fit(found: AtInfinity, identity: str, ratio: Uncertain) -> dict[str, object]:
    best = found.folded.best
    mixture = best.described.mixture
    return {
        "chi_square": mixture.chi_square,
        "degrees_of_freedom": mixture.degrees_of_freedom,
        "chance": found.folded.chance,
        "accepted": found.folded.accepted,
        "model_share": max(1 - 1 / ratio.value, 0.0),
        "area_ratio": ratio,
        "predicted_center_mm": _predicted_center(found, identity),
        "folded": [one.id for one in found.folded.measured],
        "cone_angle_stage": best.stage,
        "cone_angle_error_arcsec": best.mean_rad * ARCSEC_PER_RAD,
        "either_sign_arcsec": best.either_rad * ARCSEC_PER_RAD,
        "slope_error_arcsec": best.described.scatter_rad * ARCSEC_PER_RAD,
    }


def _predicted_center(found: AtInfinity, identity: str) -> tuple[float, float]:
    """Center of the image from the mirror's axis, cones as designed, mm.

    In the frame of the mirror's azimuths. A mean error of the cones moves the image of a
    single quadrant as a displacement does, and one distance cannot tell which it is.
    """
    return found.folded.as_designed.described.center_mm(identity)


def _notes(found: AtInfinity, ratio: Uncertain) -> dict[str, str]:
    notes = {}
    mixture = found.folded.best.described.mixture
    if not found.folded.accepted:
        notes["fit"] = (
            f"chi-square {mixture.chi_square:.0f} for {mixture.degrees_of_freedom}: no "
            f"mixture of slope errors describes the rings; values at infinity carry the "
            f"spread among models and need a look at the residuals"
        )
    if found.folded.given is not None:
        notes["hpd_infinity_arcsec"] = (
            "common cone-angle errors and the width of scatter as measurements of the same "
            "aperture on the axis allow them"
        )
    elif len({one.distance_mm for one in found.folded.measured}) == 1:
        notes["hpd_infinity_arcsec"] = (
            "from one detector distance: whether a common cone-angle error points in or "
            "out is not seen, and the spread of both is in the model uncertainty; a focus "
            "series narrows it"
        )
    share = 1 - 1 / ratio.value
    if share > _MOSTLY_MODEL:
        notes["model_share"] = (
            f"{share:.0%} of the light of a star does not get through with the diverging "
            f"beam: the answer at infinity is mostly model"
        )
    if found.folded.optics.off_axis_rad:
        notes["hpd_infinity_best_focus_arcsec"] = (
            "best focus is worked out on the axis only"
        )
        notes["infinity_best_focus_mm"] = notes["hpd_infinity_best_focus_arcsec"]
    return notes


def _best_focus(
    found: AtInfinity,
    energy: int,
    at_plane: tuple[Uncertain, list[_Term]],
    notes: dict[str, str],
) -> tuple[float | None, Uncertain | None, list[_Term]]:
    """Return the star's best focus, the HPD there, and the terms of its uncertainty.

    Declared uncertainties and models change the HPD there as much as in the plane asked
    for, whose HPD and terms are given.
    """
    scan = found.star_focus.get(energy)
    if scan is None:
        return None, None, []
    if not scan.found:
        reason = "the star's image is least beyond the planes that were looked at"
        notes["hpd_infinity_best_focus_arcsec"] = reason
        notes["infinity_best_focus_mm"] = reason
        return None, None, []
    least = scan.least_rad.scaled(ARCSEC_PER_RAD)
    hpd, hpd_terms = at_plane
    ratio = least.value / hpd.value
    terms = [
        ("photon counting", "statistical", least.statistical),
        ("plane of best focus", "systematic", least.systematic),
        *((term, kind, ratio * size) for term, kind, size in hpd_terms
          if kind == "systematic"),
        (FOLD_TERM, "model", least.model),
        *((term, "model", abs(change) * least.value)
          for term, change in _variant_models(found, energy)),
    ]  # fmt: skip

    def total(kind: str) -> float:
        return math.hypot(*(size for _, of_kind, size in terms if of_kind == kind))

    whole = replace(least, systematic=total("systematic"), model=total("model"))
    return scan.best_mm.value, whole, terms


def _variant_models(found: AtInfinity, energy: int) -> list[tuple[str, float]]:
    """Relative change of the HPD by other models of the surfaces, each with its name."""
    hpd = SHARES["hpd"]
    largest = max(one.reference_rad for one in found.folded.measured) * found.star_mm
    base = found.base.curves[energy].diameter_mm(hpd, largest)
    return [
        (
            variant.term,
            float(response.curves[energy].diameter_mm(hpd, largest) / base - 1),
        )
        for variant, response in zip(found.variants, found.changes, strict=True)
        if variant.kind == "model"
    ]


def _blur(found: AtInfinity, request: MeasureRequest) -> tuple[dict[str, object], ...]:
    described = found.folded.best.described
    used = np.flatnonzero(described.mixture.weights)
    pairs = np.array(described.ladder.pairs)[used]
    inputs = BlurInputs.of_measurement(request.setup, request.prescription, request.inputs)
    ladder, shares = described.ladder, described.mixture.weights[used]
    mean = ladder.primary_mean_rad + ladder.secondary_mean_rad
    means = np.array([mean, -mean] if ladder.either_sign else [mean])
    errors = InPlaneErrors(
        shares=np.tile(shares, means.size),
        primary_rad=np.tile(pairs[:, 0], means.size),
        secondary_rad=np.tile(pairs[:, 1], means.size),
        mean_rad=np.repeat(means, shares.size),
    )
    inputs = replace(inputs, errors=errors)
    beam, star = found.beam_focus, next(iter(found.star_focus.values()), None)
    if beam is not None and beam.found:
        inputs = replace(inputs, best_focus=beam.best_mm.value * u.mm)
    if star is not None and star.found:
        inputs = replace(inputs, star_best_focus=star.best_mm.value * u.mm)
    return blur_budget(inputs)


def _best_focus_rows(terms: list[_Term]) -> tuple[dict[str, object], ...]:
    key = "hpd_infinity_best_focus_arcsec"
    return tuple({"term": term, "kind": kind, key: size} for term, kind, size in terms)


def _budget_rows(
    terms: Mapping[str, list[tuple[str, str, float]]],
) -> tuple[dict[str, object], ...]:
    pairs = zip(terms["hpd"], terms["w90"], strict=True)
    return tuple(
        {
            "term": term,
            "kind": kind,
            "hpd_infinity_arcsec": hpd,
            "w90_infinity_arcsec": w90,
        }
        for (term, kind, hpd), (_, _, w90) in pairs
    )
