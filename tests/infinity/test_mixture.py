"""Mixtures of several measurements against a general minimiser."""

import numpy as np
import pytest
from scipy.optimize import least_squares

from beamreduce.errors import MeasurementError
from beamreduce.infinity.mixture import (
    RingData,
    fit_mixture,
    refit_near,
    solve_mixture,
    whiten,
)

RINGS, PAIRS = 14, 6


def curves(stretch):
    """Rings of Gaussians of several widths, seen at another scale a measurement."""
    radius = np.linspace(0.0, 3.0, RINGS + 1)
    widths = np.geomspace(0.3, 1.5, PAIRS) * stretch
    return np.diff(1 - np.exp(-(radius[:, None] ** 2) / 2 / widths**2), axis=0)


def problem(seed, photons=3e4, truth=None, stretches=(1.0, 1.3, 0.8)):
    rng = np.random.default_rng(seed)
    if truth is None:
        truth = np.where(rng.random(PAIRS) < 0.5, rng.random(PAIRS), 0.0)
        truth[rng.integers(PAIRS)] += 0.5
    truth = truth / truth.sum()
    data = []
    for stretch in stretches:
        columns = curves(stretch) * np.linspace(1.0, 0.6, PAIRS)
        expected = photons * rng.uniform(0.3, 1.0) * (columns @ truth)
        counts = rng.poisson(expected) * 1.0
        # Noise that rings share: a common background level.
        covariance = np.diag(np.maximum(counts, 1.0)) + np.outer(
            *(np.full(RINGS, 3.0),) * 2
        )
        data.append(RingData(photons=counts, covariance=covariance, columns=columns))
    return data


def white_of(whitened, data):
    return [f @ one.photons for f, one in zip(whitened.factors, data, strict=True)]


def least_chi_square(whitened, white, seed):
    """The least that a general minimiser finds from several starts."""
    size = len(white)

    def residuals(free):
        scale = np.concatenate([[1.0], free[: size - 1]])  # the first is in the weights
        return np.concatenate(
            [
                w - s * (c @ free[size - 1 :])
                for w, s, c in zip(white, scale, whitened.columns, strict=True)
            ]
        )

    rng = np.random.default_rng(seed)
    top = white[0].max() / whitened.columns[0].max()
    best = np.inf
    for _ in range(8):
        start = np.concatenate(
            [rng.uniform(0.3, 3, size - 1), rng.uniform(0.01, 1, PAIRS) * top]
        )
        found = least_squares(
            residuals, start, bounds=(0, np.inf), x_scale=start,
            xtol=1e-14, ftol=1e-14, gtol=1e-14, max_nfev=2000,
        )  # fmt: skip
        best = min(best, 2 * found.cost)
    return best


@pytest.mark.parametrize("seed", range(6))
@pytest.mark.parametrize("measurements", [1, 3])
def test_the_least_chi_square_is_reached(seed, measurements):
    data = problem([20261125, seed])[:measurements]
    whitened = whiten(data)
    white = white_of(whitened, data)
    weights, scale = solve_mixture(whitened, white)
    chi_square = sum(
        np.sum((w - s * (c @ weights)) ** 2)
        for w, s, c in zip(white, scale, whitened.columns, strict=True)
    )
    assert weights.min() >= 0
    best = least_chi_square(whitened, white, seed)
    # Rounds end when photons a mm² settle to 1e-6: χ² is flat about its least, and the
    # photons are known to 1 %: (1e-6/0.01)² of χ². The ridge of 1e-10 leaves as little.
    assert chi_square == pytest.approx(best, rel=1e-4)
    assert chi_square >= best * (1 - 1e-6)


@pytest.mark.parametrize("factor", [1e-6, 1e6])
def test_units_do_not_matter(factor):
    data = problem(20261125)
    fit = fit_mixture(whiten(data), [one.photons for one in data])
    other = [
        RingData(
            photons=one.photons, covariance=one.covariance, columns=factor * one.columns
        )
        for one in data
    ]
    again = fit_mixture(whiten(other), [one.photons for one in other])
    np.testing.assert_allclose(again.weights, fit.weights, atol=1e-5)
    np.testing.assert_allclose(
        again.photons_per_mm2 * factor, fit.photons_per_mm2, rtol=1e-5
    )
    assert fit.weights.sum() == pytest.approx(1.0)


def test_refits_are_right_to_first_order():
    """Halving what changes makes the error of a refit a quarter."""
    data = problem(20261125, truth=np.array([2, 1, 2, 1, 2, 1.0]), photons=3e8)
    whitened = whiten(data)
    white = white_of(whitened, data)
    mixture = fit_mixture(whitened, [one.photons for one in data])
    rng = np.random.default_rng(20261126)
    change = [20 * rng.standard_normal(w.size) for w in white]
    active = mixture.weights > 0
    errors, moved = [], []
    for size in (1.0, 0.5):
        new = [w + size * c for w, c in zip(white, change, strict=True)]
        near = refit_near(whitened, mixture, [w[None] for w in new])[0]
        full, _ = solve_mixture(whitened, new, mixture.weights)
        assert np.array_equal(full > 0, active)
        near, full = near / near.sum(), full / full.sum()
        errors.append(np.abs(near - full).max())
        moved.append(np.abs(full - mixture.weights).max())
    assert moved[0] > 0.003
    assert errors[0] < 0.2 * moved[0]
    # A quarter; a third leaves room for the order after the second.
    assert errors[1] < errors[0] / 3


def test_no_change_refits_to_the_mixture_itself():
    data = problem(20261125)
    whitened = whiten(data)
    mixture = fit_mixture(whitened, [one.photons for one in data])
    again = refit_near(whitened, mixture, [w[None] for w in white_of(whitened, data)])[0]
    np.testing.assert_allclose(again / again.sum(), mixture.weights, atol=1e-5)


def test_rings_without_noise_are_refused():
    (one,) = problem(20261125, stretches=(1.0,))
    blank = RingData(
        photons=one.photons, covariance=0 * one.covariance, columns=one.columns
    )
    with pytest.raises(MeasurementError, match="positive definite"):
        whiten([blank])


def test_no_light_where_the_photons_are():
    (one,) = problem(20261125, stretches=(1.0,))
    dark = RingData(photons=-one.photons, covariance=one.covariance, columns=one.columns)
    with pytest.raises(MeasurementError, match="no mixture of slope errors"):
        fit_mixture(whiten([dark]), [dark.photons])
