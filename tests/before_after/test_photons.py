"""How many more photons: the promise is kept when they are taken."""

import numpy as np
import pytest

from beamreduce.before_after import (
    Assurance,
    Precision,
    chance_at_margin,
    chance_without_change,
    more_photons,
)
from beamreduce.before_after.finding import needs_text, rounded_up

SEED = 20261129
ASSURANCE = Assurance()


def precision(**changes):
    known = {
        "difference": 0.1, "margin": 1.0, "counting_before": 0.2, "counting_after": 0.6,
        "beyond_counting": 0.1, "photons_after": 1000.0,
    }  # fmt: skip
    return Precision(**(known | changes))


@pytest.mark.parametrize("difference", [0.0, 0.3, 2.5])
def test_the_photons_asked_for_suffice_as_often_as_stated(difference):
    known = precision(difference=difference, counting_before=0.1, counting_after=0.9)
    needs = more_photons(known, ASSURANCE, (4, 4))
    assert needs.reach == "after"
    assert needs.photons == pytest.approx(1000 * (needs.factor - 1))
    sigma = np.sqrt(0.1**2 + 0.9**2 / needs.factor + 0.1**2)
    rng = np.random.default_rng(SEED)
    seen = difference + sigma * rng.standard_normal(20_000)
    risk = ASSURANCE.risk / 4
    if needs.verdict == "unchanged":
        decided = chance_at_margin(seen, sigma, 1.0) <= risk
    else:
        decided = chance_without_change(seen, sigma) <= risk
    # Both ends of the margin count where nothing changed: a little less than for one.
    expected = 0.8 if difference == 0 else 0.9
    assert decided.mean() >= expected - 3 * np.sqrt(0.16 / 20_000)
    assert decided.mean() <= 0.91


def test_the_first_run_may_be_too_coarse():
    needs = more_photons(precision(counting_before=0.5), ASSURANCE, (1, 1))
    assert needs.reach == "both"
    sigma = np.sqrt((0.5**2 + 0.6**2) / needs.factor + 0.1**2)
    assert (1.0 - 0.1) / sigma == pytest.approx(1.6449 + 1.2816, rel=1e-4)
    assert "times as many before" in needs_text(needs)


def test_no_number_of_photons_helps_against_systematics():
    needs = more_photons(precision(beyond_counting=0.5), ASSURANCE, (1, 1))
    assert (needs.reach, needs.photons, needs.factor) == ("never", None, None)
    assert "no number of photons" in needs_text(needs)


def test_without_counting_noise_nothing_is_divided_by_zero():
    known = precision(counting_before=0.0, counting_after=0.0)
    assert more_photons(known, ASSURANCE, (1, 1)).photons == 0.0


@pytest.mark.parametrize(
    ("photons", "text"),
    [
        (0, "0"),
        (0.3, "1"),
        (7.0, "7"),
        (101, "110"),
        (12_345, "13 000"),
        (5e6, "5 000 000"),
    ],
)
def test_photons_are_rounded_up_to_two_figures(photons, text):
    assert rounded_up(photons) == text
