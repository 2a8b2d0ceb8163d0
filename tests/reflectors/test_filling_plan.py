"""Plans against every possible one, for small cases; dealing; what to form."""

from itertools import permutations

import numpy as np
import pytest

from beamreduce.errors import SettingsError
from beamreduce.reflectors import (
    Candidate,
    Slot,
    Yield,
    batch_that_suffices,
    filling_plan,
    what_to_form,
)

QUADRANTS = ("Q1", "Q2", "Q3")


def slots(quadrants=QUADRANTS, nestings=(1,)):
    return [
        Slot(quadrant=q, stage="primary", nesting=n) for q in quadrants for n in nestings
    ]


def candidate(name, loss, grade="flight", nesting=1, quadrant=""):
    return Candidate(
        reflector=name,
        stage="primary",
        nesting=nesting,
        grade=grade,
        loss=loss,
        quadrant=quadrant,
    )


def score(placed, weights):
    """What a plan is judged by: empty slots, reserves, weighted loss."""
    empty = sum(c is None for c in placed.values())
    reserves = sum(c is not None and c.grade == "reserve" for c in placed.values())
    loss = sum(c.loss * weights.get(s, 1.0) for s, c in placed.items() if c is not None)
    return empty, reserves, loss


def best_of_all(candidates, places, weights):
    choices = [*candidates, *[None] * len(places)]
    scores = []
    for chosen in permutations(choices, len(places)):
        fits = all(
            c is None or not c.quadrant or c.quadrant == s.quadrant
            for s, c in zip(places, chosen, strict=True)
        )
        if fits:
            scores.append(score(dict(zip(places, chosen, strict=True)), weights))
    return min(scores)


@pytest.mark.parametrize("seed", range(12))
def test_no_plan_is_better(seed):
    rng = np.random.default_rng(seed)
    places = slots()
    candidates = [
        candidate(
            f"r{i}",
            float(rng.uniform(0, 1)),
            grade=str(rng.choice(["flight", "reserve"])),
            quadrant=str(rng.choice(["", "", "Q1", "Q3"])),
        )
        for i in range(int(rng.integers(1, 5)))
    ]
    weights = {s: float(rng.choice([0.5, 1.0, 2.0])) for s in places}
    plan = filling_plan(candidates, places, weights=weights)
    by_name = {c.reflector: c for c in candidates}
    placed = {e.slot: by_name.get(e.reflector) for e in plan.filled}
    for slot, chosen in placed.items():
        assert chosen is None or chosen.quadrant in ("", slot.quadrant)
    found = score(placed, weights)
    best = best_of_all(candidates, places, weights)
    assert found[:2] == best[:2]
    assert found[2] == pytest.approx(best[2])
    used = {e.reflector for e in plan.filled if e.reflector}
    assert {c.reflector for c in plan.spares} == by_name.keys() - used


def test_reserves_go_in_only_where_flight_runs_out():
    candidates = [
        candidate("a", 0.9),
        candidate("b", 0.1, "reserve"),
        candidate("c", 0.2, "reserve"),
        candidate("d", 0.8),
        candidate("e", 0.7),
    ]
    plan = filling_plan(candidates, slots())
    assert {e.grade for e in plan.filled} == {"flight"}
    assert [c.reflector for c in plan.spares] == ["b", "c"]


def test_rejects_are_never_placed_and_more_slots_than_reflectors_is_no_error():
    plan = filling_plan([candidate("a", 0.1, "reject"), candidate("b", 0.2)], slots())
    assert [e.reflector for e in plan.filled if e.reflector] == ["b"]
    assert len(plan.empty) == 2
    nothing = filling_plan([], slots())
    assert len(nothing.empty) == 3


def test_a_reflector_goes_only_where_it_was_made_for():
    plan = filling_plan([candidate("a", 0.1, nesting=2)], slots(nestings=(1, 2)))
    assert {e.slot.nesting for e in plan.filled if e.reflector} == {2}


def test_quadrants_stay_alike():
    """Against losses as they come: the sums differ by less than one reflector's spread."""
    rng = np.random.default_rng(5)
    candidates = [
        candidate(f"r{n}-{i}", float(rng.uniform(0, 1)), nesting=n)
        for n in range(1, 41)
        for i in range(3)
    ]
    plan = filling_plan(candidates, slots(nestings=tuple(range(1, 41))))
    sums = [sum(e.loss for e in plan.filled if e.slot.quadrant == q) for q in QUADRANTS]
    # As they come, the standard deviation of a difference is √(2·40/12) = 2.6.
    assert max(sums) - min(sums) < 0.2


def test_what_to_form():
    plan = filling_plan([candidate("a", 0.1), candidate("b", 0.2, "reserve")], slots())
    chance = Yield(good=30, formed=50)
    (order,) = what_to_form(plan, {("primary", 1): chance})
    assert (order.needed, order.empty) == (2, 1)
    assert order.to_form == batch_that_suffices(2, chance)
    assert order.probability >= 0.95
    assert order.even_bet < order.to_form
    assert what_to_form(plan, {}) == ()
    hopeless = what_to_form(plan, {("primary", 1): Yield(known=0.0)})
    assert hopeless[0].to_form is None
    assert hopeless[0].probability == 0.0


@pytest.mark.parametrize(
    ("candidates", "places", "words"),
    [
        ([candidate("a", 0.1), candidate("a", 0.2)], slots(), "'a' twice"),
        ([candidate("a", float("nan"))], slots(), "loss must be finite"),
        ([], [*slots(), slots()[0]], "every slot must be there once"),
    ],
)
def test_what_makes_no_plan(candidates, places, words):
    with pytest.raises(SettingsError, match=words):
        filling_plan(candidates, places)
