"""Bands and verdicts on whole curves, by repetition."""

from dataclasses import replace

import numpy as np
import pytest

from beamreduce.before_after.curves import common_radii, join_terms, largest_deviations
from beamreduce.before_after.equivalence import Assurance, chance_at_margin
from beamreduce.encircled_energy import CurveTerm
from beamreduce.statistics import correlated_normals
from tests.before_after.made_results import curve_of

SEED = 20261128
PHOTONS = 20_000


def test_radii_are_those_where_counts_are_normal():
    sides = [curve_of(50.0), curve_of(54.0)]
    radii = common_radii(sides, 4000.0)
    for side in sides:
        inside = side.at(radii).fraction
        assert inside.min() * 4000 > 25
        assert (1 - inside).min() * 4000 > 25
    assert np.all(np.diff(radii) > 0)


@pytest.mark.parametrize("confidence", [0.68, 0.95])
def test_the_band_holds_all_radii_together_as_often_as_stated(confidence, request):
    """Poisson repeats of two curves without change; the quantile has 20 000 draws."""
    runs = 3000 if request.config.getoption("--whole-grid") else 700
    truth = curve_of(50.0, PHOTONS)
    radii = common_radii([truth, truth], PHOTONS)
    covariance = 2 * truth.at(radii).covariance
    largest = largest_deviations(covariance, np.random.default_rng(SEED))
    half = np.quantile(largest, confidence) * np.sqrt(covariance.diagonal())
    rings = np.diff(truth.fraction, prepend=0.0)
    rng = np.random.default_rng(SEED + 1)
    drawn = rng.multinomial(PHOTONS, rings, size=(runs, 2))
    curves = np.cumsum(drawn, axis=2) / PHOTONS
    squares = np.concatenate([[0.0], truth.radius_arcsec**2])
    held = 0
    for before, after in curves:
        steps = np.interp(radii**2, squares, np.concatenate([[0.0], after - before]))
        held += bool(np.all(np.abs(steps) <= half))
    error = np.sqrt(confidence * (1 - confidence) / runs)
    # Three standard errors, and what the quantile's own draws leave open (a third more).
    assert held / runs == pytest.approx(confidence, abs=4 * error)


@pytest.mark.parametrize("where", ["one radius", "all radii"])
def test_a_curve_changed_by_its_margin_is_rarely_called_unchanged(where):
    """Every radius has to be within the margin: no correction is needed (Berger 1982)."""
    truth = curve_of(50.0, PHOTONS)
    radii = common_radii([truth, truth], PHOTONS)
    covariance = 2 * truth.at(radii).covariance
    sigma = np.sqrt(covariance.diagonal())
    margin = 0.05
    change = np.zeros(radii.size)
    at = np.argmax(sigma)
    change[at if where == "one radius" else slice(None)] = margin
    noise = correlated_normals(covariance, 4000, np.random.default_rng(SEED))
    chances = chance_at_margin(change + noise, sigma, margin).max(axis=1)
    risk = Assurance().risk
    wrong = np.mean(chances <= risk)
    assert wrong <= risk + 3 * np.sqrt(risk * (1 - risk) / 4000)
    if where == "one radius":
        assert wrong >= risk - 3 * np.sqrt(risk * (1 - risk) / 4000)


def test_a_common_cause_leaves_what_differs():
    """One pixel size in both runs: its changes of the curves subtract, with their signs."""
    sides = [curve_of(50.0), curve_of(60.0)]
    change = np.linspace(0, 0.01, 150)
    before, after = (
        replace(side, terms=(CurveTerm(term="pixel size", kind="systematic", change=c),))
        for side, c in zip(sides, (change, 1.5 * change), strict=True)
    )
    shared = join_terms(before, after, lambda name: name == "pixel size")
    own = join_terms(before, after, lambda name: False)
    assert shared.common == ("pixel size",)
    np.testing.assert_allclose(shared.terms[0].change, 0.5 * change)
    assert own.common == ()
    assert len(own.terms) == 2
