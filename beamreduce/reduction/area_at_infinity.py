"""The areas of one measurement that its configuration's fold fills in."""

from collections.abc import Mapping
from dataclasses import replace

import numpy as np

from beamreduce.effective_area.terms import Term
from beamreduce.effective_area.to_infinity import (
    ModelRatio,
    Of,
    first_order_ratio,
    inside_beam,
    inside_star,
    measured_over_predicted,
    model_ratio,
    scaled_by,
    terms_json,
    whole_beam,
    whole_star,
)
from beamreduce.errors import MeasurementError
from beamreduce.infinity.answer import Numbers
from beamreduce.record import Uncertain
from beamreduce.reduction.area_step import AREA_KEYS, TOTAL, WITHIN
from beamreduce.reduction.configurations import ConfigurationName
from beamreduce.reduction.infinity_step import (
    AtInfinity,
    area_ratio,
    reference_mm,
    relative_changes,
)
from beamreduce.reduction.request import MeasureRequest

INFINITY = "effective_area_infinity_cm2"
WITHIN_INFINITY = "effective_area_within_reference_infinity_cm2"
_UNLIKE = 3.0  # combined standard uncertainties


def area_fields(
    found: AtInfinity, request: MeasureRequest, measurement: Mapping[str, object]
) -> dict[str, object]:
    """Return the areas of one measurement, and the model's own, as fields of its record.

    Parameters
    ----------
    found
        The fold.
    request, measurement
        The measurement, as results.json holds it so far.

    Raises
    ------
    MeasurementError
        When the fold has no light inside the reference radius: it describes nothing.
    """
    identity = request.inputs.id
    energy = next(m for m in found.folded.measured if m.id == identity).energy
    fold = f"fold {ConfigurationName.of(request.inputs).text}"

    def ratio(of: Of, least: float = 0.0) -> ModelRatio:
        fitted = found.seen[energy].quantity(of)
        # What repeats do to one side is taken off a fit; not below what must be there.
        fitted = replace(fitted, value=max(fitted.value, least))
        if fitted.value <= 0:
            raise MeasurementError(
                "the fold puts no light where light was measured, so that no area follows "
                "from it; check detector_distance and the prescription"
            )
        return model_ratio(fitted, relative_changes(found, energy, of), fold)

    to_star = ratio(area_ratio)
    predicted = ratio(inside_beam(identity)).uncertain
    record: dict[str, object] = {
        "area_ratio": to_star.uncertain,
        "beam_over_star": 1 / to_star.value,
        "beam_over_star_first_order": first_order_ratio(
            focal_length=request.setup.mirror.focal_length,
            source_distance=request.setup.facility.source_distance,
        ),
        "predicted_within_reference_measured_cm2": predicted,
        "predicted_infinity_cm2": ratio(_star_cm2).uncertain,
    }
    stored = measurement[WITHIN]
    if stored is None:
        # Without a measured area only the model's own are there.
        return {"area_at_infinity": record, "notes": {}}
    within = Uncertain.from_json(stored)  # type: ignore[arg-type]
    own = [Term.from_json(t) for t in measurement["flux_ratio"]["terms"]]  # type: ignore[index]
    terms, areas = {WITHIN: tuple(own)}, {}
    star_inside = ratio(inside_star(identity, reference_mm(found, identity)))
    for key, one in (
        (TOTAL, ratio(whole_beam(identity), least=1.0)),
        (INFINITY, ratio(whole_star(identity), least=star_inside.value)),
        (WITHIN_INFINITY, star_inside),
    ):
        areas[key], terms[key] = scaled_by(within.value, own, one)
    compared = measured_over_predicted(within, predicted)
    record["measured_over_predicted"] = compared
    record["terms"] = terms_json(terms)
    return {
        **areas,
        "area_at_infinity": record,
        "budget_rows": _budget_rows(areas, terms),
        "notes": _notes(compared),
    }


def _star_cm2(numbers: Numbers) -> np.ndarray:
    return numbers.star_mm2 / 100


def without_fold(measurement: Mapping[str, object], reason: str) -> dict[str, str]:
    """Return notes for areas that no fold fills in."""
    keys = [key for key in (*AREA_KEYS, "area_at_infinity") if measurement[key] is None]
    return {
        key: reason
        for key in keys
        if key == "area_at_infinity" or measurement[WITHIN] is not None
    }


def _notes(compared: Uncertain) -> dict[str, str]:
    notes = {
        TOTAL: "beyond the reference radius as the mirror's model, with the slope errors "
        "that describe the rings, tells"
    }
    off = (compared.value - 1) / compared.uncertainty
    if abs(off) > _UNLIKE:
        notes["measured_over_predicted"] = (
            f"the area as measured is {compared.value:.3f} ± {compared.uncertainty:.3f} "
            f"of what the model predicts, {abs(off):.1f} combined standard uncertainties "
            f"away from 1: the ratio to infinity comes from the same model"
        )
    return notes


def _budget_rows(
    areas: Mapping[str, Uncertain], terms: Mapping[str, tuple[Term, ...]]
) -> list[dict[str, object]]:
    """One row a term, with what it changes of the measured area and of that for a star."""
    rows: dict[tuple[str, str], dict[str, object]] = {}
    for key in (TOTAL, INFINITY):
        for term in terms[key]:
            row = rows.setdefault(
                (term.name, term.kind), {"term": term.name, "kind": term.kind}
            )
            size = float(row.get(key, 0.0)) + term.relative * areas[key].value  # type: ignore[arg-type]
            row[key] = size
    return [
        {name: abs(v) if isinstance(v, float) else v for name, v in row.items()}
        for row in rows.values()
    ]
