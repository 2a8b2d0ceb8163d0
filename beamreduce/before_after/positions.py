"""Differences of the place of an image, where places can be compared at all."""

import math
from collections.abc import Callable, Sequence

import astropy.units as u
import numpy as np

from beamreduce.before_after.conventions import center_reason, plane_reason
from beamreduce.before_after.difference import Quoted, difference_of
from beamreduce.before_after.finding import Finding
from beamreduce.before_after.numbers import Found, Left, Runs, photons_of
from beamreduce.before_after.pair import Pair, Record
from beamreduce.errors import ResultsError, SettingsError
from beamreduce.record import ResultsFolder, Uncertain
from beamreduce.units import arcsec_per_mm, parse_quantity

WHOLE = "full"
AXES = ("x", "y")
POSITION, QUADRANT = "position_{}_arcsec", "quadrant_position_{}_arcsec"
_UNKNOWN_STAGE = (
    "the position of the stage is not recorded (detector_x, detector_y): a mirror that was "
    "put back and a detector that was moved look alike; set detector_not_moved when "
    "neither stage nor detector was touched"
)


def compare_positions(runs: Runs, pairs: Sequence[Pair]) -> Found:
    """Compare where images are, and where quadrants are against each other.

    Places of the two runs are compared where both record the stage, or the settings say
    that nothing was moved. Quadrants against the mean of all quadrants need neither, as
    long as the detector stayed where it was *within* each run.
    """
    found = Found()
    for pair in pairs:
        found += _place_of(runs, pair)
    return found + _quadrants(runs, pairs)


def _place_of(runs: Runs, pair: Pair) -> Found:
    reason = _stage_reason(runs, pair)
    if reason:
        return Found(
            left_out=tuple(
                Left(id=pair.id, key=POSITION.format(axis), reason=reason) for axis in AXES
            )
        )
    places = [
        _place(run, m) for run, m in ((runs.before, pair.before), (runs.after, pair.after))
    ]
    return Found(findings=_findings(runs, pair, places, (POSITION, "position")))


def _stage_reason(runs: Runs, pair: Pair) -> str:
    elsewhere = plane_reason(pair) or center_reason(pair)
    if elsewhere:
        return elsewhere
    if None in (
        _orientation(runs.before, pair.before),
        _orientation(runs.after, pair.after),
    ):
        return "the size of its pixels is not known: which detector it was is not recorded"
    if _orientation(runs.before, pair.before) != _orientation(runs.after, pair.after):
        return "the detector was turned or exchanged between the runs"
    if runs.settings.detector_not_moved:
        return ""
    stages = [m.get("detector_position_mm") for m in (pair.before, pair.after)]
    return _UNKNOWN_STAGE if None in stages else ""


def _quadrants(runs: Runs, pairs: Sequence[Pair]) -> Found:
    """Compare single quadrants against the mean of all that were measured in both runs."""
    found = Found()
    for group in _single_quadrants(pairs).values():
        reason = _within_reason(runs, group)
        if reason:
            left = [
                Left(id=pair.id, key=QUADRANT.format(axis), reason=reason)
                for pair in group
                for axis in AXES
            ]
            found += Found(left_out=tuple(left))
            continue
        sides = [
            _against_mean([_place(runs.before, pair.before) for pair in group]),
            _against_mean([_place(runs.after, pair.after) for pair in group]),
        ]
        for pair, before, after in zip(group, *sides, strict=True):
            keys = (QUADRANT, "quadrant_position")
            found += Found(findings=_findings(runs, pair, [before, after], keys))
    if not _single_quadrants(pairs):
        reason = "no single quadrants were measured on the axis in both runs"
        found += Found(left_out=(Left(id="", key="quadrants", reason=reason),))
    return found


def _single_quadrants(pairs: Sequence[Pair]) -> dict[float, list[Pair]]:
    """Pairs of single apertures on the axis, one of each, by energy."""
    groups: dict[float, list[Pair]] = {}
    for pair in pairs:
        m = pair.before
        if m["aperture"] != WHOLE and not m["off_axis_arcmin"] and pair.same_plane:
            group = groups.setdefault(m["energy_keV"], [])
            if all(m["aperture"] != other.before["aperture"] for other in group):
                group.append(pair)
    return groups


def _within_reason(runs: Runs, group: Sequence[Pair]) -> str:
    if len(group) < 2:
        return "one single quadrant has nothing to be compared with"
    for pair in group:
        if reason := center_reason(pair):
            return reason
    for run, side in ((runs.before, "before"), (runs.after, "after")):
        members = [getattr(pair, side) for pair in group]
        if None in [_orientation(run, m) for m in members]:
            return f"which detector it was is not recorded {side}"
        known = [m.get("detector_position_mm") is not None for m in members]
        if any(known) and not all(known):
            return f"the position of the stage is recorded for some quadrants only {side}"
        if len({m["detector_distance_mm"] for m in members}) > 1:
            return f"the quadrants were not measured in one plane {side}"
    return ""


def _place(run: ResultsFolder, m: Record) -> tuple[np.ndarray, np.ndarray]:
    """Return the place of an image in the mirror's frame, arcsec, and its uncertainties.

    Pixels count from the stage's position where that is recorded; stage and pixel axes
    are taken as parallel.
    """
    pixel_mm, flipped, angle = _orientation(run, m)  # type: ignore[misc]
    place = np.array(m["center_pixel"]) * pixel_mm
    if m.get("detector_position_mm") is not None:
        place = place + np.array(m["detector_position_mm"])
    sigma = np.array(m["center_uncertainty_pixel"]) * pixel_mm
    turn = np.array(
        [[math.cos(angle), -math.sin(angle)], [math.sin(angle), math.cos(angle)]]
    )
    turn = turn @ np.diag([-1.0 if flipped else 1.0, 1.0])
    scale = arcsec_per_mm(m["detector_distance_mm"])
    return scale * (turn @ place), scale * np.sqrt(turn**2 @ sigma**2)


def _orientation(run: ResultsFolder, m: Record) -> tuple[float, bool, float] | None:
    """Pixel size (mm), whether x is flipped, and rotation (rad) of the detector."""
    detectors = run.settings.get("detectors", {})
    name = m.get("detector") or "detector"
    if m.get("detector") is None and len(detectors) == 1:
        name = next(iter(detectors))
    if name not in detectors:
        return None
    table = detectors[name]
    path = run.folder / "settings.toml"
    try:
        pixel = parse_quantity(table.get("pixel_size"), u.mm, name="pixel_size")
        angle = parse_quantity(table.get("rotation", "0 deg"), u.rad, name="rotation")
    except SettingsError as error:
        raise ResultsError(f"{path}: detectors.{name}: {error}") from None
    return float(pixel.value), bool(table.get("x_flipped", False)), float(angle.value)


def _against_mean(
    places: Sequence[tuple[np.ndarray, np.ndarray]],
) -> list[tuple[np.ndarray, np.ndarray]]:
    """Take the mean of all places off each; each is part of the mean itself."""
    values = np.array([place for place, _ in places])
    squares = np.array([sigma**2 for _, sigma in places])
    n = len(places)
    own = (1 - 1 / n) ** 2 * squares + (squares.sum(axis=0) - squares) / n**2
    return list(zip(values - values.mean(axis=0), np.sqrt(own), strict=True))


def _findings(
    runs: Runs,
    pair: Pair,
    places: Sequence[tuple[np.ndarray, np.ndarray]],
    names: tuple[str, str],
) -> tuple[Finding, ...]:
    key, margin = names
    found = []
    for k, axis in enumerate(AXES):
        sides = [
            Quoted.of(Uncertain(value=float(value[k]), statistical=float(sigma[k])))
            for value, sigma in places
        ]
        found.append(
            Finding(
                id=pair.id,
                key=key.format(axis),
                unit="arcsec",
                before=sides[0].quantity,
                after=sides[1].quantity,
                difference=difference_of(*sides, _nothing),
                margin=getattr(runs.settings.margins, margin).of(0.0),
                photons_after=photons_of(runs.after, pair.after, folded=False),
            )
        )
    return tuple(found)


_nothing: Callable[[str], bool] = {}.__contains__
