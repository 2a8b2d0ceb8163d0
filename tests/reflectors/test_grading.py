"""Grades by limits with guard bands; limits that overlap or leave gaps."""

import numpy as np
import pytest

from beamreduce.record import Uncertain
from beamreduce.reflectors import Limit, check_limits, grade

SQ = Limit(quantity="Sq", flight=0.5, reserve=0.7, unit="nm")


def value(number, uncertainty=0.0):
    return Uncertain(value=number, statistical=uncertainty)


def graded(values, limits=(SQ,), stage="primary", nesting=5):
    return grade(values, limits, stage=stage, nesting=nesting)


@pytest.mark.parametrize(
    ("sq", "verdict", "margin"),
    [
        (0.40, "flight", 0.2),
        (0.50, "flight", 0.0),
        (0.51, "reserve", 0.19 / 0.7),
        (0.70, "reserve", 0.0),
        (0.77, "reject", -0.1),
    ],
)
def test_grades_and_margins(sq, verdict, margin):
    found = graded({"Sq": value(sq)})
    assert (found.grade, found.quantity) == (verdict, "Sq")
    assert found.margin == pytest.approx(margin)
    assert "nm" in found.reason


def test_the_guard_band_counts_in_standard_uncertainties_or_as_a_width():
    near = {"Sq": value(0.48, 0.03)}
    assert graded(near).grade == "reserve"
    assert "+ guard 0.03" in graded(near).reason
    none = Limit(quantity="Sq", flight=0.5, reserve=0.7, guard=0.0)
    assert graded(near, [none]).grade == "flight"
    wide = Limit(quantity="Sq", flight=0.5, reserve=0.7, guard_width=0.25)
    assert graded(near, [wide]).grade == "reject"


def test_a_reflector_at_the_limit_passes_in_one_of_six_cases():
    """Guarded acceptance with one standard uncertainty: Φ(−1) = 15.87 %."""
    rng = np.random.default_rng(31)
    values = rng.normal(0.5, 0.02, 20_000)
    passed = np.mean([graded({"Sq": value(v, 0.02)}).grade == "flight" for v in values])
    # 20 000 draws know it to 0.26 %.
    assert passed == pytest.approx(0.158655, abs=3.5 * 0.0026)


def test_the_worst_quantity_decides():
    sku = Limit(quantity="Sku", flight=4.0, reserve=6.0)
    found = graded({"Sq": value(0.3), "Sku": value(5.0)}, [SQ, sku])
    assert (found.grade, found.quantity) == ("reserve", "Sku")
    tight = graded({"Sq": value(0.49), "Sku": value(3.0)}, [SQ, sku])
    assert (tight.grade, tight.quantity) == ("flight", "Sq")


def test_what_cannot_be_graded():
    assert graded({"Sq": value(0.3)}, []).reason == "no limit is declared for it"
    assert graded({}).reason == "Sq could not be had"
    assert graded({"Sq": None}).grade == "not graded"


def test_limits_by_stage_and_nesting():
    inner = Limit(quantity="Sq", nestings=(1, 10), flight=1.0, reserve=1.0)
    outer = Limit(quantity="Sq", nestings=(11, 20), flight=0.1, reserve=0.1)
    values = {"Sq": value(0.5)}
    assert graded(values, [inner, outer], nesting=10).grade == "flight"
    assert graded(values, [inner, outer], nesting=11).grade == "reject"
    there = [("primary", n) for n in (1, 15)]
    assert check_limits([inner, outer], there, file="f") == []


def test_overlaps_gaps_and_disorder():
    first = Limit(quantity="Sq", nestings=(1, 10), flight=1.0, reserve=1.0)
    second = Limit(quantity="Sq", nestings=(10, 20), flight=1.0, reserve=0.5)
    there = [("primary", n) for n in (1, 15, 30, 31, 40)] + [("secondary", 2)]
    problems = [str(p) for p in check_limits([first, second], there, file="f")]
    assert len(problems) == 3
    assert "flight 1 above reserve 0.5" in problems[0]
    assert "a second limit on Sq for primary and secondary nestings 10–10" in problems[1]
    assert "none for primary nestings 30–31, 40" in problems[2]
    other_stage = Limit(quantity="Sq", stages=("secondary",), flight=1.0, reserve=1.0)
    primary = Limit(quantity="Sq", stages=("primary",), flight=1.0, reserve=1.0)
    assert check_limits([primary, other_stage], there, file="f") == []
