"""The next moves of all quadrants: from displacements and effects to whole steps."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from beamreduce.campaign.adjusters import Adjuster
from beamreduce.quadrants.displacements import Displacements
from beamreduce.quadrants.moves import Aim, Moves, best_moves
from beamreduce.quadrants.sensitivity import Effect

_WORTH_HPD = 0.01  # of the half-power diameter: displacements that no move is worth
_LEAST_REACH = 5.0  # tolerances that an adjuster must be able to move an image by
_SHORT = 2.0  # tolerances left over that are called short of the target


@dataclass(frozen=True, kw_only=True)
class Move:
    """What one adjuster shall do.

    Parameters
    ----------
    adjuster
        Which.
    steps
        Whole steps.
    uncertainty
        Standard uncertainty of the move, by counting, mm or rad.
    note
        Why it is left alone or stops short; empty otherwise.
    """

    adjuster: Adjuster
    steps: int
    uncertainty: float
    note: str


@dataclass(frozen=True, kw_only=True)
class MovePlan:
    """The next moves, and what they leave.

    Parameters
    ----------
    moves
        Of every adjuster of the quadrants that were measured.
    after_rad
        Displacement that is expected afterwards, by quadrant.
    tolerance_mm
        What counts as one in the least squares.
    left_alone
        Sentences on what was left alone and why.
    short
        Sentences on what travel cannot reach.
    """

    moves: tuple[Move, ...]
    after_rad: Mapping[str, tuple[float, float]]
    tolerance_mm: float
    left_alone: tuple[str, ...]
    short: tuple[str, ...]


def plan_moves(
    displaced: Displacements,
    effects: Sequence[Effect],
    done: Mapping[tuple[str, str], int],
    image: tuple[float, float],
) -> MovePlan:
    """Choose whole steps that bring every image to its own target.

    Parameters
    ----------
    displaced
        Where images are, less where they belong.
    effects
        What each adjuster does.
    done
        Steps made in earlier rounds.
    image
        Detector distance (mm) and half-power diameter (mm).
    """
    distance_mm, hpd_mm = image
    tolerance = math.hypot(
        _WORTH_HPD * hpd_mm, float(np.sqrt(np.mean(displaced.error_rad**2))) * distance_mm
    )
    used = [e for e in effects if e.adjuster.quadrant in displaced.names]
    idle = {e.adjuster.label: _idle(e, tolerance) for e in used}
    aim = _aim(displaced, used, done, (distance_mm, tolerance, idle))
    moves = best_moves(aim)
    errors = _move_errors(displaced, aim, distance_mm / tolerance)
    ends = [
        _at_end(steps, (low, high), exact, open_=not idle[e.adjuster.label])
        for e, steps, low, high, exact in zip(
            used, moves.steps, aim.lower, aim.upper, moves.exact_steps, strict=True
        )
    ]
    residual = moves.residual.reshape(-1, 2) * tolerance / distance_mm
    return MovePlan(
        moves=tuple(
            Move(
                adjuster=e.adjuster,
                steps=int(steps),
                uncertainty=float(error * e.adjuster.step),
                note=idle[e.adjuster.label] or end,
            )
            for e, steps, error, end in zip(used, moves.steps, errors, ends, strict=True)
        ),
        after_rad={
            name: (float(x), float(y))
            for name, (x, y) in zip(displaced.names, residual, strict=True)
        },
        tolerance_mm=tolerance,
        left_alone=_left_alone(displaced, used, aim, (distance_mm, idle)),
        short=_short(displaced, used, (moves, ends), tolerance),
    )


def _aim(
    displaced: Displacements,
    used: Sequence[Effect],
    done: Mapping[tuple[str, str], int],
    how: tuple[float, float, Mapping[str, str]],
) -> Aim:
    distance_mm, tolerance, idle = how
    numbers = 2 * len(displaced.names)
    effect = np.zeros((numbers, len(used)))
    bounds = np.zeros((2, len(used)), dtype=int)
    travel = np.ones(len(used))
    for k, one in enumerate(used):
        adjuster = one.adjuster
        row = 2 * displaced.names.index(adjuster.quadrant)
        effect[row : row + 2, k] = one.per_step_mm / tolerance
        made = done.get((adjuster.quadrant, adjuster.name), 0)
        low, high = adjuster.steps_between(made)
        if not idle[adjuster.label]:
            # Beyond its travel already: it may only come back.
            bounds[:, k] = min(low, max(high, 0)), max(high, min(low, 0))
        travel[k] = max((adjuster.travel_max - adjuster.travel_min) / adjuster.step, 1.0)
    return Aim(
        displaced=displaced.angle_rad.ravel() * distance_mm / tolerance,
        effect=effect,
        free=displaced.free,
        lower=bounds[0],
        upper=bounds[1],
        travel_steps=travel,
    )


def _idle(effect: Effect, tolerance_mm: float) -> str:
    """Say why an adjuster is left alone; nothing where it is used."""
    adjuster = effect.adjuster
    if adjuster.locked:
        return "locked"
    travel = adjuster.travel_max - adjuster.travel_min
    reach = float(np.hypot(*effect.per_unit_mm)) * travel
    if reach < _LEAST_REACH * tolerance_mm:
        return (
            f"its whole travel moves the image by {reach * 1000:.2g} µm only, where "
            f"{tolerance_mm * 1000:.2g} µm count: places of images hardly tell where it "
            f"should stand"
        )
    return ""


def _at_end(steps: int, bounds: tuple[int, int], exact: float, *, open_: bool) -> str:
    low, high = bounds
    if not open_ or not (steps in (low, high) and abs(exact - steps) < 0.51):
        return ""
    if steps == high and exact >= high - 1e-6:
        return "at the upper end of its travel"
    if steps == low and exact <= low + 1e-6:
        return "at the lower end of its travel"
    return ""


def _short(
    displaced: Displacements,
    used: Sequence[Effect],
    found: tuple[Moves, Sequence[str]],
    tolerance_mm: float,
) -> tuple[str, ...]:
    moves, ends = found
    sentences = []
    for name, left in zip(displaced.names, moves.residual.reshape(-1, 2), strict=True):
        size = float(np.hypot(*left))
        stuck = [
            e.adjuster.name
            for e, end in zip(used, ends, strict=True)
            if end and e.adjuster.quadrant == name
        ]
        if size <= _SHORT:
            continue
        why = f"{', '.join(stuck)} at the end of the travel" if stuck else (
            "its adjusters do not move the image that way, or are locked"
        )  # fmt: skip
        sentences.append(
            f"{name} stays {size * tolerance_mm:.3g} mm from its target: {why}; what can "
            f"be reached is planned"
        )
    if not moves.proven:
        sentences.append(
            "too many combinations of whole steps to try all: the plan is good to about "
            "a step, but a better one may exist"
        )
    return tuple(sentences)


def _left_alone(
    displaced: Displacements,
    used: Sequence[Effect],
    aim: Aim,
    how: tuple[float, Mapping[str, str]],
) -> tuple[str, ...]:
    distance_mm, idle = how
    sentences = [
        "a move of all quadrants together: where the mirror's axis meets the detector is "
        "not known, and moves no image against another"
    ]
    outward, error = (
        x * distance_mm for x in (displaced.outward_rad, displaced.outward_error_rad)
    )
    if not displaced.keeps_outward:
        sentences.append(
            f"a move of every quadrant outwards ({outward:+.3g} ± {error:.2g} mm): an "
            f"error of all cone angles, or a distance from focus, looks the same; a series "
            f"of single quadrants tells them apart"
        )
    sentences += [f"{label}: {why}" for label, why in idle.items() if why]
    sentences += _redundant(used, aim)
    return tuple(sentences)


def _redundant(used: Sequence[Effect], aim: Aim) -> list[str]:
    """Name combinations of adjusters that together move no image."""
    sentences = []
    for name in dict.fromkeys(e.adjuster.quadrant for e in used):
        chosen = [
            k
            for k, e in enumerate(used)
            if e.adjuster.quadrant == name and aim.upper[k] > aim.lower[k]
        ]
        if len(chosen) < 2:
            continue
        # Scaled to whole travel: what of it leaves the image within the tolerance.
        over_travel = aim.effect[:, chosen] * aim.travel_steps[chosen]
        _, sizes, right = np.linalg.svd(over_travel)
        sizes = np.concatenate([sizes, np.zeros(max(right.shape[0] - sizes.size, 0))])
        for size, row in zip(sizes, right, strict=False):
            strong = [k for k, part in zip(chosen, row, strict=True) if abs(part) > 0.1]
            if size < 1.0 and len(strong) > 1:
                names = ", ".join(used[k].adjuster.name for k in strong)
                sentences.append(
                    f"{name}: {names} moved together in one proportion leave the image "
                    f"where it is; of all moves that do as well the smallest is planned"
                )
    return sentences


def _move_errors(displaced: Displacements, aim: Aim, scale: float) -> np.ndarray:
    """Standard uncertainty in steps that counting leaves in every move."""
    open_ = aim.upper > aim.lower
    errors = np.zeros(open_.size)
    if open_.any():
        rows = np.vstack([aim.effect[:, open_], np.diag(1 / aim.travel_steps[open_])])
        inverse = np.linalg.pinv(rows)[:, : aim.effect.shape[0]]
        variance = inverse**2 @ (displaced.error_rad.ravel() * scale) ** 2
        errors[open_] = np.sqrt(variance)
    return errors
