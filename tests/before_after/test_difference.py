"""Differences by repetition: intervals hold the truth as often as they say."""

import numpy as np
import pytest

from beamreduce.before_after import Assurance, Finding, judge
from beamreduce.before_after.difference import Quoted, Term, difference_of
from beamreduce.record import Uncertain

SEED = 20261130


def quoted(value, counting, common, own):
    terms = (
        Term(name="pixel size", kind="systematic", size=common),
        Term(name="families", kind="model", size=own),
    )
    quantity = Uncertain(value=value, statistical=counting, systematic=common, model=own)
    return Quoted.of(quantity, terms)


@pytest.mark.parametrize("change", [0.0, 3.0])
def test_the_interval_holds_the_true_change_as_often_as_stated(change):
    """A common error of 2 % of each value, counting and a model error of each run's own."""
    rng = np.random.default_rng(SEED)
    repeats, held, wrong = 1500, 0, 0
    before_true, after_true = 50.0, 50.0 + change
    for scale, own, counting in zip(
        rng.normal(0, 0.02, repeats),
        rng.normal(0, 0.4, (repeats, 2)),
        rng.normal(0, 0.3, (repeats, 2)),
        strict=True,
    ):
        values = np.array([before_true, after_true]) * (1 + scale) + own + counting
        sides = [quoted(float(v), 0.3, 0.02 * abs(float(v)), 0.4) for v in values]
        difference = difference_of(*sides, lambda name: name == "pixel size")
        finding = Finding(
            id="m", key="k", unit="arcsec", before=sides[0].quantity,
            after=sides[1].quantity, difference=difference, margin=3.0,
            photons_after=1e4,
        )  # fmt: skip
        (judged,) = judge([finding], Assurance())
        low, high = judged.interval
        held += low <= change <= high
        wrong += judged.verdict == ("unchanged" if change else "changed")
    error = np.sqrt(0.9 * 0.1 / repeats)
    assert held / repeats == pytest.approx(0.9, abs=3 * error)
    assert wrong / repeats <= 0.05 + 3 * np.sqrt(0.05 * 0.95 / repeats)


def test_several_terms_of_one_name_pair_up_in_order():
    tables = [0.3, 0.4]
    sides = [
        Quoted.of(
            Uncertain(value=1.0, statistical=0.0, model=0.5 * factor),
            [Term(name="table", kind="model", size=factor * size) for size in tables],
        )
        for factor in (1.0, 2.0)
    ]
    shared = difference_of(*sides, lambda name: True)
    assert shared.quantity.model == pytest.approx(0.5)
    own = difference_of(*sides, lambda name: False)
    assert own.quantity.model == pytest.approx(0.5 * np.sqrt(5))


def test_counting_is_never_common():
    side = Quoted.of(Uncertain(value=1.0, statistical=0.3))
    found = difference_of(side, side, lambda name: True)
    assert found.quantity.statistical == pytest.approx(0.3 * np.sqrt(2))
    assert found.common == ()
    assert (found.counting_before, found.counting_after) == (0.3, 0.3)
    assert found.beyond_counting == 0.0
