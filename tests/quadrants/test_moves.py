"""Whole steps within travel: against every combination, and against plain algebra."""

import itertools

import numpy as np
import pytest

from beamreduce.quadrants import Aim, best_moves


def aim_of(rng, *, images=2, adjusters=4, reach=3):
    """Random effects, displacements and travel."""
    numbers = 2 * images
    lower = rng.integers(-reach, 1, adjusters)
    return Aim(
        displaced=rng.normal(0, 4, numbers),
        effect=rng.normal(0, 1, (numbers, adjusters)),
        free=np.tile(np.eye(2), (images, 1)),
        lower=lower,
        upper=lower + rng.integers(0, 2 * reach, adjusters),
        travel_steps=rng.uniform(5, 50, adjusters),
    )


def cost_of(aim, steps):
    """What is minimised, written out: squares left over without what all have in common."""
    left = (aim.displaced + aim.effect @ steps).reshape(-1, 2)
    left = left - left.mean(axis=0)
    return np.sum(left**2) + np.sum((steps / aim.travel_steps) ** 2)


@pytest.mark.parametrize("seed", range(12))
def test_the_best_of_all_combinations_is_found(seed):
    aim = aim_of(np.random.default_rng(seed))
    ranges = [range(a, b + 1) for a, b in zip(aim.lower, aim.upper, strict=True)]
    least = min(cost_of(aim, np.array(steps)) for steps in itertools.product(*ranges))
    found = best_moves(aim)
    assert found.proven
    assert np.all((found.steps >= aim.lower) & (found.steps <= aim.upper))
    assert cost_of(aim, found.steps) == pytest.approx(least, rel=1e-9)
    assert found.cost == pytest.approx(least, rel=1e-9)


def test_without_bounds_the_exact_answer_is_that_of_least_squares():
    rng = np.random.default_rng(3)
    aim = Aim(
        displaced=rng.normal(0, 400, 6),
        effect=rng.normal(0, 1, (6, 3)),
        free=np.empty((6, 0)),
        lower=np.full(3, -10_000),
        upper=np.full(3, 10_000),
        travel_steps=np.full(3, 1e9),
    )
    expected = np.linalg.lstsq(aim.effect, -aim.displaced, rcond=None)[0]
    assert best_moves(aim).exact_steps == pytest.approx(expected, rel=1e-9)
    assert np.abs(best_moves(aim).steps - expected).max() < 3


def test_of_two_adjusters_that_do_the_same_both_do_half():
    """Minimum norm: the least squares of moves over travel shares them evenly."""
    aim = Aim(
        displaced=np.array([10.0, 0.0]),
        effect=np.array([[1.0, 1.0], [0.0, 0.0]]),
        free=np.empty((2, 0)),
        lower=np.full(2, -100),
        upper=np.full(2, 100),
        travel_steps=np.full(2, 200.0),
    )
    assert best_moves(aim).steps.tolist() == [-5, -5]


def test_what_all_images_have_in_common_is_left_alone():
    aim = Aim(
        displaced=np.tile([7.0, -3.0], 4),
        effect=np.kron(np.eye(4), np.eye(2)),
        free=np.tile(np.eye(2), (4, 1)),
        lower=np.full(8, -20),
        upper=np.full(8, 20),
        travel_steps=np.full(8, 40.0),
    )
    found = best_moves(aim)
    assert not found.steps.any()
    assert found.residual == pytest.approx(np.zeros(8), abs=1e-12)


def test_travel_that_is_too_short_is_used_up():
    aim = Aim(
        displaced=np.array([50.0, 0.0, 0.0, 0.0]),
        effect=np.array([[1.0], [0.0], [0.0], [0.0]]),
        free=np.empty((4, 0)),
        lower=np.array([-8]),
        upper=np.array([8]),
        travel_steps=np.array([16.0]),
    )
    found = best_moves(aim)
    assert found.steps.tolist() == [-8]
    assert found.residual[0] == pytest.approx(42.0)


def test_more_combinations_than_can_be_tried_still_give_a_good_plan():
    """Four redundant adjusters a quadrant: below the tolerance, and not called the best."""
    rng = np.random.default_rng(8)
    effect = np.zeros((8, 16))
    for quadrant in range(4):
        rows, columns = slice(2 * quadrant, 2 * quadrant + 2), slice(4 * quadrant, None)
        effect[rows, columns][:, :4] = rng.normal(0, 0.5, (2, 4))
    aim = Aim(
        displaced=rng.normal(0, 20, 8),
        effect=effect,
        free=np.tile(np.eye(2), (4, 1)),
        lower=np.full(16, -60),
        upper=np.full(16, 60),
        travel_steps=np.full(16, 120.0),
    )
    found = best_moves(aim)
    assert np.abs(found.residual).max() < 1.0
    assert not found.proven
