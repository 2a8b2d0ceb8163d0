"""What the rounds show: displacements going down, and moves seen against moves made."""

import math
from collections.abc import Mapping
from itertools import pairwise

import numpy as np

from beamreduce.quadrants.displacements import Displacements, left_over
from beamreduce.reduction.quadrants_predict import RoundFound
from beamreduce.reduction.quadrants_step import QuadrantsFound

_ARCSEC = math.degrees(1) * 3600


def round_of(found: QuadrantsFound, one: RoundFound) -> dict[str, object]:
    """Return what one round shows: displacements, moves expected and seen, HPD."""
    entry: dict[str, object] = {
        "round": one.round.number,
        "measurements": {m.image.id: m.image.aperture for m in one.measured},
        "planned_steps": _by_quadrant(one.round.planned),
        "done_steps": _by_quadrant(one.round.done),
        "displacement_mm": None,
        "rms_displacement_mm": None,
        "hpd_best_focus_arcsec": None,
    }
    if one.displaced is not None:
        mm = one.displaced.angle_rad * found.detector_mm
        entry["displacement_mm"] = dict(zip(one.displaced.names, mm.tolist(), strict=True))
        entry["rms_displacement_mm"] = float(np.sqrt(np.mean(np.sum(mm**2, axis=1))))
    if one.whole is not None:
        entry["hpd_best_focus_arcsec"] = one.whole.best[1] * _ARCSEC
    return entry


def _by_quadrant(steps: Mapping[tuple[str, str], int]) -> dict[str, dict[str, int]]:
    found: dict[str, dict[str, int]] = {}
    for (quadrant, adjuster), count in steps.items():
        found.setdefault(quadrant, {})[adjuster] = count
    return found


def moves_seen(found: QuadrantsFound) -> list[dict[str, object]]:
    """Return how far images moved between rounds, and how far they should have.

    Both less what all images have in common, which nothing tells.
    """
    effect = {(e.adjuster.quadrant, e.adjuster.name): e.per_step_mm for e in found.effects}
    rows: list[dict[str, object]] = []
    for before, after in pairwise(found.rounds):
        if before.displaced is None or after.displaced is None or not effect:
            continue
        both = before.displaced, after.displaced
        names = [name for name in both[0].names if name in both[1].names]
        if len(names) < 2:
            continue
        free = np.tile(np.eye(2), (len(names), 1))
        if not all(one.keeps_outward for one in both):
            along = [both[0].outward[both[0].names.index(name)] for name in names]
            free = np.column_stack([free, np.ravel(along)])
        project = left_over(free)
        places = [np.array([one.of(name) for name in names]).ravel() for one in both]
        seen = project @ (places[1] - places[0]) * found.detector_mm
        expected = project @ np.ravel(
            [_expected(found, (before, after), name, effect) for name in names]
        )
        for k, name in enumerate(names):
            errors = [_error(one, name, names, free) for one in both]
            rows.append(
                {
                    "round": after.round.number,
                    "aperture": name,
                    "expected_mm": expected[2 * k : 2 * k + 2].tolist(),
                    "seen_mm": seen[2 * k : 2 * k + 2].tolist(),
                    "seen_uncertainty_mm": (np.hypot(*errors) * found.detector_mm).tolist(),
                }
            )
    return rows


def _error(one: Displacements, name: str, names: list[str], free: np.ndarray) -> np.ndarray:
    """Uncertainty of a displacement, less what is left out; more where names differ."""
    counted = one.error_rad
    if list(one.names) == names:
        counted = one.counted_error_rad(free)
    return counted[one.names.index(name)]


def _expected(
    found: QuadrantsFound,
    between: tuple[RoundFound, RoundFound],
    name: str,
    effect: Mapping[tuple[str, str], np.ndarray],
) -> np.ndarray:
    """Move that the steps done between two measured rounds should have made, mm."""
    first, last = (one.round.number for one in between)
    move = np.zeros(2)
    for one in found.log:
        if first < one.number <= last:
            for where, steps in one.done.items():
                if where[0] == name and where in effect:
                    move += steps * effect[where]
    return move
