"""One configuration's fold, from the files of its measurements to their final record."""

import json
import math
from collections.abc import Mapping
from dataclasses import asdict, dataclass, fields

from threadpoolctl import threadpool_limits

from beamreduce.errors import GeometryError, MeasurementError, SettingsError
from beamreduce.infinity.families import ConeError, Surfaces
from beamreduce.record import Measurement, plain_json, write_text_whole
from beamreduce.reduction.area_at_infinity import area_fields, without_fold
from beamreduce.reduction.budget import uncertain_curve
from beamreduce.reduction.configurations import Configuration
from beamreduce.reduction.focus_results import focus_of
from beamreduce.reduction.infinity_results import (
    NO_ANSWER,
    exercised_fraction,
    infinity_fields,
    star_curve,
)
from beamreduce.reduction.infinity_step import AtInfinity, Folding, fold_configuration
from beamreduce.reduction.output_folder import OutputFolder, mark_finished, read_json
from beamreduce.reduction.products import (
    folded_file,
    measured_file,
    remove_fold,
    write_eef,
)
from beamreduce.reduction.quadrant_places import quadrant_shifts
from beamreduce.reduction.request import MeasureRequest
from beamreduce.reduction.ring_file import read_rings


@dataclass(frozen=True, kw_only=True)
class FoldJob:
    """A configuration to be folded.

    Parameters
    ----------
    configuration
        Its measurements, all of them measured.
    output
        Where their files are.
    keys
        Final key of each measurement.
    figures
        Draw figures.
    """

    configuration: Configuration
    output: OutputFolder
    keys: Mapping[str, str]
    figures: bool


def fold_and_write(job: FoldJob) -> str:
    """Fold a configuration and finish its measurements; returns its name.

    Where the model cannot be had its numbers stay null, each with the reason.
    """
    requests = job.configuration.requests
    stored = {r.inputs.id: _measured(job, r) for r in requests}
    usable = [r for r in requests if stored[r.inputs.id]["hpd_measured_mm"] is not None]
    # What an earlier fold left must not stay beside other numbers.
    remove_fold(job.output.partial, job.configuration.name.file_name, tuple(stored))
    found, reason, notes = _fold(job, usable) if usable else (None, "", {})
    focus = None
    for request in requests:
        identity = request.inputs.id
        measurement = dict(stored[identity])
        if found is not None and request in usable:
            _fill(measurement, infinity_fields(found, request), notes)
            _fill(measurement, _areas(found, request, measurement), {})
        else:
            why = reason if request in usable else "the core is saturated"
            _leave_null(measurement, request, why)
        if request in usable:
            _write_curve(job, found, request)
        measurement["key"] = job.keys[identity]
        stored[identity] = measurement
    if found is not None:
        focus = focus_of(found, usable, [stored[r.inputs.id] for r in usable])
        if job.figures:
            from beamreduce.reduction.draw_infinity import (  # noqa: PLC0415 - slow import
                draw_configuration,
            )

            draw_configuration(job.output.partial, job.configuration, found, stored)
    for identity, measurement in stored.items():
        mark_finished(job.output, identity, measurement)
    described = found is not None and found.folded.accepted
    record = {
        "keys": dict(job.keys),
        "focus": plain_json(focus),
        "surfaces": asdict(found.folded.surfaces) if described else None,
    }
    write_text_whole(
        folded_file(job.output.partial, job.configuration.name.file_name),
        json.dumps(record, allow_nan=False, indent=1) + "\n",
    )
    return job.configuration.name.text


def _fold(
    job: FoldJob, usable: list[MeasureRequest]
) -> tuple[AtInfinity | None, str, dict[str, str]]:
    """Fold what can be folded; the reason where nothing can, and what to note."""
    shifts, without = _shifts(job)
    notes = {}
    if job.configuration.quadrants and without:
        notes["quadrant_displacements"] = f"taken as none: {without}"
    folding = Folding(
        name=job.configuration.name.text,
        requests=tuple(usable),
        nets=tuple(read_rings(job.output.partial, r.inputs.id) for r in usable),
        center_mm=tuple(_center_mm(job, r) for r in usable),
        quadrant_shifts=shifts,
        surfaces=_surfaces(job),
    )
    try:
        exercised_fraction(usable[0])  # says so where no light gets through
        # Configurations are done side by side already, and the last digits of a product
        # of matrices may depend on the number of threads.
        with threadpool_limits(1):
            return fold_configuration(folding), "", notes
    except (GeometryError, SettingsError, MeasurementError) as error:
        return None, f"not seen from infinity: {error}", notes


def _shifts(job: FoldJob) -> tuple[Mapping[tuple[float, float], tuple[float, float]], str]:
    requests = job.configuration.quadrants
    measurements = {r.inputs.id: _measured(job, r) for r in requests}
    # Single quadrants were folded before; one that could not be has no prediction.
    fits = {identity: job.output.note(identity).get("fit") for identity in measurements}
    predicted = {i: fit["predicted_center_mm"] for i, fit in fits.items() if fit}
    return quadrant_shifts(requests, measurements, predicted)


def _surfaces(job: FoldJob) -> Surfaces | None:
    """What the fold on the axis, if it describes the mirror, tells of its surfaces."""
    on_axis = job.configuration.on_axis
    if on_axis is None:
        return None
    path = folded_file(job.output.partial, on_axis.name.file_name)
    found = read_json(path)["surfaces"]
    if found is None:
        return None
    cones = tuple(ConeError(**one) for one in found["cone_errors"])
    return Surfaces(cone_errors=cones, scatter_rad=found["scatter_rad"])


def _center_mm(job: FoldJob, request: MeasureRequest) -> float:
    """Standard uncertainty an axis of the center, root mean square of x and y."""
    x, y = _measured(job, request)["center_uncertainty_pixel"]  # type: ignore[misc]
    pixel_mm = float(request.inputs.detector.pixel_size.to_value("mm"))
    return math.hypot(x, y) / math.sqrt(2) * pixel_mm


def _measured(job: FoldJob, request: MeasureRequest) -> dict[str, object]:
    return read_json(measured_file(job.output.partial, request.inputs.id))


def _fill(
    measurement: dict[str, object],
    filled: dict[str, object],
    notes: Mapping[str, str],
) -> None:
    """Put the results of the fold into a measurement as results.json holds it."""
    names = {item.name for item in fields(Measurement)}
    rows = filled.pop("budget_rows", [])
    added = {**notes, **filled.pop("notes")}
    kept = {
        key: text
        for key, text in measurement["notes"].items()  # type: ignore[attr-defined]
        if key not in filled or filled[key] is None
    }
    measurement["notes"] = dict(sorted((kept | added).items()))
    measurement["uncertainty_budget"] = [
        *measurement["uncertainty_budget"],  # type: ignore[misc]
        *plain_json(rows),
    ]
    for key, value in filled.items():
        if key not in names:
            raise KeyError(key)
        measurement[key] = plain_json(value)


def _areas(
    found: AtInfinity, request: MeasureRequest, measurement: Mapping[str, object]
) -> dict[str, object]:
    """Fields of the areas; only notes where the fold describes nothing."""
    try:
        return area_fields(found, request, measurement)
    except MeasurementError as error:
        return {"notes": without_fold(measurement, str(error))}


def _leave_null(
    measurement: dict[str, object], request: MeasureRequest, reason: str
) -> None:
    """Say why there are no numbers at infinity; what is lit needs no fold."""
    notes = measurement["notes"] | dict.fromkeys(NO_ANSWER, reason)  # type: ignore[operator]
    notes |= without_fold(measurement, reason)
    try:
        measurement["primary_exercised_fraction"] = exercised_fraction(request)
    except (GeometryError, SettingsError) as error:
        notes["primary_exercised_fraction"] = str(error)
    else:
        notes.pop("primary_exercised_fraction", None)
    measurement["notes"] = dict(sorted(notes.items()))


def _write_curve(job: FoldJob, found: AtInfinity | None, request: MeasureRequest) -> None:
    identity = request.inputs.id
    net = read_rings(job.output.partial, identity)
    measured = uncertain_curve(net, request.inputs)
    star = None
    if found is not None:
        star = star_curve(found, identity, measured.radius_arcsec)
    write_eef(job.output.partial, identity, net, (measured, star))
