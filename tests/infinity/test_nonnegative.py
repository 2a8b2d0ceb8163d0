"""Our solver against the registry's."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import nnls

from beamreduce.infinity.nonnegative import solve_many, solve_nonnegative


def gaussian_columns(count=12, rings=50):
    """Curves of growth of Gaussians of many widths: nearly alike, like a slope ladder."""
    radius = np.linspace(0.0, 3.0, rings + 1)
    widths = np.geomspace(0.05, 2.0, count)
    both = np.hypot(widths[:, None], widths).ravel()
    return np.diff(1 - np.exp(-(radius[:, None] ** 2) / 2 / both**2), axis=0) * 70.0


@settings(max_examples=25, deadline=None)
@given(seed=st.integers(0, 2**32 - 1))
def test_as_good_a_fit_as_lawson_and_hanson(seed):
    rng = np.random.default_rng(seed)
    a = gaussian_columns()
    truth = np.where(rng.random(a.shape[1]) < 0.03, rng.random(a.shape[1]), 0.0)
    y = a @ truth + rng.normal(0, 1, a.shape[0])
    ours = solve_nonnegative(a.T @ a, a.T @ y)
    theirs, _ = nnls(a, y, maxiter=20_000)
    assert ours.min() >= 0
    # Nearly alike columns have many solutions, and one residual. The ridge of 1e-10 of
    # each column and the squared condition of normal equations leave 1e-6 of it.
    best = np.sum((a @ theirs - y) ** 2)
    assert np.sum((a @ ours - y) ** 2) == pytest.approx(best, rel=1e-6, abs=1e-6)


def test_a_start_changes_the_way_not_the_end():
    rng = np.random.default_rng(4)
    a = gaussian_columns()
    y = a[:, 30] * 2 + rng.normal(0, 1, a.shape[0])
    gram, projection = a.T @ a, a.T @ y
    cold = solve_nonnegative(gram, projection)
    warm = solve_nonnegative(gram, projection, np.ones(a.shape[1]))
    assert np.sum((a @ warm - y) ** 2) == pytest.approx(
        np.sum((a @ cold - y) ** 2), rel=1e-6
    )


def test_nothing_helps():
    a = gaussian_columns()
    assert not solve_nonnegative(a.T @ a, -a.T @ np.ones(a.shape[0])).any()


def test_many_problems_at_once_are_as_good_as_one_by_one():
    rng = np.random.default_rng(5)
    a = gaussian_columns(count=8)
    truth = np.zeros(a.shape[1])
    truth[[10, 30, 45]] = 1.0, 2.0, 0.5
    many = a @ truth + rng.normal(0, 1, (20, a.shape[0]))
    solved = solve_many(a.T @ a, many @ a, truth)
    assert solved.min() >= 0
    for y, x in zip(many, solved, strict=True):
        theirs, _ = nnls(a, y, maxiter=20_000)
        best = np.sum((a @ theirs - y) ** 2)
        # As above: what the ridge and the normal equations leave.
        assert np.sum((a @ x - y) ** 2) == pytest.approx(best, rel=1e-6, abs=1e-6)
