import numpy as np
import pytest
from scipy import stats

from beamreduce.before_after import (
    Assurance,
    chance_at_margin,
    chance_without_change,
    holm,
    verdicts,
)
from beamreduce.errors import SettingsError

# From these seeds on nothing is looked at before it is drawn.
SEED = 20261126


@pytest.mark.parametrize(
    ("difference", "margin"), [(0.0, 1.0), (0.4, 1.0), (-0.9, 1.0), (1.3, 1.0), (2.5, 3.0)]
)
def test_one_sided_tests_are_those_of_scipy(difference, margin):
    """Samples with exactly the wanted mean, and so many that t and normal law agree.

    With 10⁶ degrees of freedom the chances of t and normal law differ by less than 3e-6
    for any argument (the leading term is z(z²+1)φ(z)/(4 n), at most 0.5/n).
    """
    n, sigma = 1_000_000, 0.5
    plain = np.tile([-1.0, 1.0], n // 2)
    plain *= sigma * np.sqrt(n) / plain.std(ddof=1)
    sample = plain + difference
    from_below = stats.ttest_1samp(sample, -margin, alternative="greater").pvalue
    from_above = stats.ttest_1samp(sample, margin, alternative="less").pvalue
    expected = max(from_below, from_above)
    assert chance_at_margin(difference, sigma, margin) == pytest.approx(expected, abs=3e-6)
    two_sided = stats.ttest_1samp(sample, 0.0).pvalue
    assert chance_without_change(difference, sigma) == pytest.approx(two_sided, abs=3e-6)


def test_holm_by_hand():
    # Holm 1979: 0.01 × 4, then 0.02 × 3 and 0.03 × 2, both 0.06, then 0.05 raised to that.
    found = holm(np.array([0.03, 0.01, 0.05, 0.02]))
    assert found == pytest.approx([0.06, 0.04, 0.06, 0.06])
    assert holm(np.array([0.6, 0.9])) == pytest.approx([1.0, 1.0])


def test_without_uncertainty_everything_is_certain():
    assert chance_without_change(0.1, 0.0) == 0.0
    assert chance_without_change(0.0, 0.0) == 1.0
    assert chance_at_margin(0.1, 0.0, 0.2) == 0.0
    assert chance_at_margin(0.3, 0.0, 0.2) == 1.0


def test_small_comes_before_seen():
    words = verdicts(np.array([1e-9, 1e-9, 0.3]), np.array([0.01, 0.3, 0.3]), Assurance())
    assert words == ("unchanged", "changed", "undecided")


@pytest.mark.parametrize("bad", [{"confidence": 1.0}, {"confidence": 0.3}, {"power": 1.2}])
def test_assurance_that_makes_no_sense(bad):
    with pytest.raises(SettingsError, match="must be from"):
        Assurance(**bad)


@pytest.mark.parametrize("correlation", [0.0, 0.9])
def test_false_verdicts_are_as_rare_as_stated(correlation):
    """Family of 20 quantities: none is called changed when none changed, and none
    unchanged when all changed by exactly their margin, in 95 of 100 runs.
    """
    rng = np.random.default_rng(SEED)
    runs, count, margin, sigma = 4000, 20, 3.0, 1.0
    shared = rng.standard_normal((runs, 1)) * np.sqrt(correlation)
    noise = shared + rng.standard_normal((runs, count)) * np.sqrt(1 - correlation)
    wrong = {"changed": 0, "unchanged": 0}
    for row in noise:
        for truth, word in ((0.0, "changed"), (margin, "unchanged")):
            seen = truth + sigma * row
            shown = holm(chance_without_change(seen, sigma))
            small = holm(chance_at_margin(seen, sigma, margin))
            wrong[word] += word in verdicts(shown, small, Assurance())
    # Three standard errors of a rate of 0.05 in that many runs.
    allowed = 0.05 + 3 * np.sqrt(0.05 * 0.95 / runs)
    assert wrong["changed"] / runs <= allowed
    assert wrong["unchanged"] / runs <= allowed
    if correlation == 0:  # and the level is used, not wasted
        assert wrong["changed"] / runs >= 0.05 - 3 * np.sqrt(0.05 * 0.95 / runs) - 0.0013
