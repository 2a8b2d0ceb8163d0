"""Which reflector goes where: the best for every slot, reserves where flight runs out."""

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from scipy.optimize import linear_sum_assignment

from beamreduce.errors import SettingsError
from beamreduce.reflectors.grading import GRADES
from beamreduce.reflectors.yields import (
    CONFIDENCE,
    Yield,
    batch_that_suffices,
    probability_that_batch_suffices,
)

PLACED = GRADES[:2]
EMPTY = ""


@dataclass(frozen=True, kw_only=True)
class Candidate:
    """A reflector that may be placed.

    Parameters
    ----------
    reflector
        Its name.
    stage, nesting
        What it was made for.
    grade
        ``flight`` or ``reserve``; others are never placed.
    loss
        Predicted loss of image quality or area when it is used, at least zero; the smaller
        the better.
    quadrant
        The only quadrant it may go to; empty for any.
    """

    reflector: str
    stage: str
    nesting: int
    grade: str
    loss: float
    quadrant: str = ""


@dataclass(frozen=True, kw_only=True, order=True)
class Slot:
    """A place in the mirror."""

    quadrant: str
    stage: str
    nesting: int


@dataclass(frozen=True, kw_only=True)
class Filled:
    """A slot and what goes in; ``reflector`` is empty where nothing is left."""

    slot: Slot
    reflector: str
    grade: str
    loss: float | None


@dataclass(frozen=True, kw_only=True)
class FillingPlan:
    """What goes where, and what is left.

    Parameters
    ----------
    filled
        Every slot, in the order of quadrant, stage and nesting.
    spares
        Candidates that are not placed, best first, by stage and nesting.
    """

    filled: tuple[Filled, ...]
    spares: tuple[Candidate, ...]

    @property
    def total_loss(self) -> float:
        """Sum of the losses of all that is placed."""
        return sum(entry.loss or 0.0 for entry in self.filled)

    @property
    def empty(self) -> tuple[Slot, ...]:
        """Slots that nothing is left for."""
        return tuple(entry.slot for entry in self.filled if entry.reflector == EMPTY)


def filling_plan(
    candidates: Sequence[Candidate],
    slots: Sequence[Slot],
    *,
    weights: Mapping[Slot, float] | None = None,
) -> FillingPlan:
    """Place reflectors so that most slots are filled, with fewest reserves and least loss.

    Parameters
    ----------
    candidates
        All reflectors; rejects and those not graded are left out.
    slots
        All places; a reflector goes only where stage and nesting are its own, and quadrant
        too where it has one.
    weights
        Of the loss in each slot, such as the share of the area; 1 where not given.

    Notes
    -----
    In this order: most slots filled, fewest reserves, least sum of weighted losses. One
    linear assignment (Crouse 2016, IEEE Trans. Aerosp. Electron. Syst. 52, 1679) for each
    stage and nesting, since no reflector fits another. Where quadrants are alike to a
    reflector, those of one nesting are dealt so that the sums of losses of the quadrants
    stay close: the largest loss goes to the quadrant that has least so far.
    """
    _check(candidates, slots)
    usable = [c for c in candidates if c.grade in PLACED]
    weights = weights or {}
    by_place: dict[tuple[str, int], list[Candidate]] = defaultdict(list)
    for candidate in usable:
        by_place[candidate.stage, candidate.nesting].append(candidate)
    wanted: dict[tuple[str, int], list[Slot]] = defaultdict(list)
    for slot in sorted(slots):
        wanted[slot.stage, slot.nesting].append(slot)
    chosen: dict[Slot, Candidate] = {}
    for place, places in wanted.items():
        own = sorted(by_place[place], key=_best_first)
        chosen |= _assign(own, places, weights)
    chosen = _deal(chosen, weights)
    used = {candidate.reflector for candidate in chosen.values()}
    left = [c for c in usable if c.reflector not in used]
    return FillingPlan(
        filled=tuple(_filled(slot, chosen.get(slot)) for slot in sorted(slots)),
        spares=tuple(sorted(left, key=lambda c: (c.stage, c.nesting, *_best_first(c)))),
    )


def _best_first(candidate: Candidate) -> tuple[int, float, str]:
    return PLACED.index(candidate.grade), candidate.loss, candidate.reflector


def _filled(slot: Slot, candidate: Candidate | None) -> Filled:
    if candidate is None:
        return Filled(slot=slot, reflector=EMPTY, grade="", loss=None)
    return Filled(
        slot=slot,
        reflector=candidate.reflector,
        grade=candidate.grade,
        loss=candidate.loss,
    )


def _assign(
    own: Sequence[Candidate], places: Sequence[Slot], weights: Mapping[Slot, float]
) -> dict[Slot, Candidate]:
    """Assign the reflectors of one stage and nesting to its slots."""
    if not own:
        return {}
    losses = np.array([[c.loss * weights.get(s, 1.0) for s in places] for c in own])
    # A reserve costs more than all losses together, an empty or wrong slot more than all
    # reserves together, so the three aims come one after the other.
    scale = losses.max() or 1.0
    size = max(losses.shape) + 1
    costs = losses / scale
    costs[[c.grade != PLACED[0] for c in own]] += size
    wrong = np.array([[bool(c.quadrant) and c.quadrant != s.quadrant for s in places]
                      for c in own])  # fmt: skip
    costs[wrong] = 10.0 * size**2
    rows, columns = linear_sum_assignment(costs)
    return {
        places[j]: own[i] for i, j in zip(rows, columns, strict=True) if not wrong[i, j]
    }


def _deal(
    chosen: Mapping[Slot, Candidate], weights: Mapping[Slot, float]
) -> dict[Slot, Candidate]:
    """Exchange reflectors between quadrants that weigh the same, to even out losses."""
    groups: dict[tuple[str, int, float], list[Slot]] = defaultdict(list)
    dealt = dict(chosen)
    sums: dict[str, float] = defaultdict(float)
    for slot, candidate in chosen.items():
        if candidate.quadrant:
            sums[slot.quadrant] += candidate.loss * weights.get(slot, 1.0)
        else:
            groups[slot.stage, slot.nesting, weights.get(slot, 1.0)].append(slot)
    # The most uneven groups first: later ones fill up what they leave.
    spread = {
        key: max(losses) - min(losses)
        for key, places in groups.items()
        if (losses := [chosen[s].loss * key[2] for s in places])
    }
    for key in sorted(groups, key=lambda k: (-spread[k], k)):
        free = sorted(groups[key])
        worst_first = sorted(
            (chosen[s] for s in free), key=lambda c: (-c.loss, c.reflector)
        )
        free.sort(key=lambda s: (sums[s.quadrant], s))
        for slot, candidate in zip(free, worst_first, strict=True):
            dealt[slot] = candidate
            sums[slot.quadrant] += candidate.loss * key[2]
    return dealt


@dataclass(frozen=True, kw_only=True)
class ToForm:
    """What to form next for one stage and nesting.

    Parameters
    ----------
    stage, nesting
        Of the reflectors wanted.
    needed
        Of flight grade: empty slots, and slots filled by reserves.
    empty
        Slots that are empty now.
    chance
        The yield this rests on.
    to_form
        So many suffice with the confidence asked for; None when no number does.
    probability
        That they do.
    even_bet
        So many suffice with a probability of a half.
    """

    stage: str
    nesting: int
    needed: int
    empty: int
    chance: Yield
    to_form: int | None
    probability: float
    even_bet: int | None


def what_to_form(
    plan: FillingPlan,
    yields: Mapping[tuple[str, int], Yield],
    *,
    confidence: float = CONFIDENCE,
) -> tuple[ToForm, ...]:
    """Return how many reflectors to form of each stage and nesting that lacks them.

    Parameters
    ----------
    plan
        What could be filled.
    yields
        By stage and nesting; a stage and nesting without one is skipped.
    confidence
        Probability with which each batch shall suffice.
    """
    needed: dict[tuple[str, int], list[int]] = defaultdict(lambda: [0, 0])
    for entry in plan.filled:
        key = entry.slot.stage, entry.slot.nesting
        needed[key][0] += entry.grade != PLACED[0]
        needed[key][1] += entry.reflector == EMPTY
    orders = []
    for key in sorted(needed):
        lacking, empty = needed[key]
        chance = yields.get(key)
        if not lacking or chance is None:
            continue
        count = batch_that_suffices(lacking, chance, confidence=confidence)
        reached = (
            0.0
            if count is None
            else probability_that_batch_suffices(lacking, count, chance)
        )
        orders.append(
            ToForm(
                stage=key[0],
                nesting=key[1],
                needed=lacking,
                empty=empty,
                chance=chance,
                to_form=count,
                probability=reached,
                even_bet=batch_that_suffices(lacking, chance, confidence=0.5),
            )
        )
    return tuple(orders)


def _check(candidates: Sequence[Candidate], slots: Sequence[Slot]) -> None:
    names = [candidate.reflector for candidate in candidates]
    if len(set(names)) < len(names):
        twice = next(name for name in names if names.count(name) > 1)
        raise SettingsError(f"every reflector must be there once; got {twice!r} twice")
    if len(set(slots)) < len(slots):
        raise SettingsError("every slot must be there once; got one twice")
    bad = [c.reflector for c in candidates if not 0 <= c.loss < float("inf")]
    if bad:
        raise SettingsError(f"loss must be finite and at least zero; {bad[0]!r} has none")
