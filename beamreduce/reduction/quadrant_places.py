"""Where the image of each quadrant is, from exposures of single quadrants."""

from collections.abc import Mapping, Sequence

import astropy.units as u
import numpy as np

from beamreduce.campaign import quadrants_of
from beamreduce.infinity.declared import mirror_offset_mm
from beamreduce.quadrants import common_moves, outwards
from beamreduce.reduction.request import MeasureRequest

Shifts = Mapping[tuple[float, float], tuple[float, float]]


def quadrant_shifts(
    requests: Sequence[MeasureRequest],
    measurements: Mapping[str, Mapping[str, object]],
    predicted_mm: Mapping[str, tuple[float, float]],
) -> tuple[Shifts, str]:
    """Return the displacement of each quadrant's image against the others, as angles.

    A single quadrant's center is off its axis by itself, since cone blur is one-sided:
    what counts is where it is, less where its fold says it would be. What all have in
    common is left out: a move of all is one of the detector, and a move outwards, of each
    along its own middle, is an error of all cones, which a fold of the whole mirror finds.

    Parameters
    ----------
    requests
        Measurements of single quadrants.
    measurements
        As results.json holds them, by id.
    predicted_mm
        Center that each fold predicts, in the frame of the mirror's azimuths, by id.

    Returns
    -------
    tuple
        Azimuth range (rad) to angles (rad), and why there are none, or an empty text.
    """
    if not requests:
        return {}, "no single quadrants were measured on the axis"
    quadrants = quadrants_of(requests[0].setup)
    if len({_stage(request) for request in requests}) > 1:
        return {}, "the detector was moved between exposures of single quadrants"
    angles: dict[str, list[np.ndarray]] = {name: [] for name in quadrants}
    for request in requests:
        identity, aperture = request.inputs.id, request.inputs.aperture
        if aperture in angles and identity in predicted_mm:
            place = _place_mm(request, measurements[identity])
            distance = float(request.inputs.detector_distance.to_value(u.mm))
            angles[aperture].append((place - predicted_mm[identity]) / distance)
    missing = [name for name, found in angles.items() if not found]
    if missing:
        return {}, f"no usable exposure of {', '.join(missing)} alone"
    places = np.array([np.mean(angles[name], axis=0) for name in quadrants])
    apart = against_each_other(places, np.array(list(quadrants.values())))
    return {
        edges: (float(x), float(y))
        for edges, (x, y) in zip(quadrants.values(), apart, strict=True)
    }, ""


def against_each_other(places: np.ndarray, edges_rad: np.ndarray) -> np.ndarray:
    """Return places of quadrants without a move of all, and of all outwards.

    Parameters
    ----------
    places
        Of each quadrant, (quadrants, 2).
    edges_rad
        First and last azimuth of each, (quadrants, 2).
    """
    outward = np.array([outwards((first, last)) for first, last in edges_rad])
    move, out = common_moves(places, outward)
    return places - move - out * outward


def _place_mm(request: MeasureRequest, measurement: Mapping[str, object]) -> np.ndarray:
    pixel = float(request.inputs.detector.pixel_size.to_value(u.mm))
    x, y = (float(v) * pixel for v in measurement["center_pixel"])  # type: ignore[attr-defined]
    return np.array(mirror_offset_mm(request.inputs, x, y))


def _stage(request: MeasureRequest) -> tuple[float | None, ...]:
    row = request.inputs.beam[0].exposure
    return tuple(
        None if place is None else float(place.to_value(u.mm))
        for place in (row.detector_x, row.detector_y)
    )
