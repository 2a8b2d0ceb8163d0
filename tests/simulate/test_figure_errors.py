import numpy as np
import pytest

from beamreduce.simulate.figure_errors import FigureErrors, draw_offsets


def test_slopes_have_two_scales_and_the_offset_of_their_reflector():
    rng = np.random.default_rng(11)
    figure = FigureErrors(
        core_rad=1e-5,
        tail_rad=5e-5,
        tail_share=0.25,
        offsets_rad=np.arange(16.0).reshape(2, 4, 2) * 1e-4,
        shifts_mm=np.zeros((4, 2)),
        scatter_rad=0.0,
    )
    rays = 200_000
    reflector = (np.full(rays, 1), np.full(rays, 2))
    tilts = figure.tilts(1, reflector, rng)
    assert tilts.mean() == pytest.approx(13e-4, abs=4 * 3e-5 / rays**0.5)
    variance = 0.75 * 1e-5**2 + 0.25 * 5e-5**2
    fourth = 3 * (0.75 * 1e-5**4 + 0.25 * 5e-5**4)
    noise = np.sqrt((fourth - variance**2) / rays)
    assert tilts.var() == pytest.approx(variance, abs=4 * noise)


def test_a_perfect_mirror_has_none():
    figure = FigureErrors.none(3)
    reflector = (np.arange(3), np.array([0, 1, 3]))
    assert not figure.tilts(0, reflector, np.random.default_rng(1)).any()
    assert not figure.scatter(np.ones(5), np.random.default_rng(1)).any()


def test_scatter_turns_the_share_it_is_told_by_a_lorentzian():
    figure = FigureErrors(**(vars(FigureErrors.none(1)) | {"scatter_rad": 2e-4}))
    turn = figure.scatter(np.full(100_000, 0.3), np.random.default_rng(12))
    turned = turn[turn != 0]
    assert turned.size == pytest.approx(30_000, abs=4 * np.sqrt(100_000 * 0.21))
    # Half of a Lorentzian lies within its half width at half maximum.
    within = np.mean(np.abs(turned) < 2e-4)
    assert within == pytest.approx(0.5, abs=4 * 0.5 / np.sqrt(turned.size))


def test_offsets_differ_from_reflector_to_reflector():
    offsets = draw_offsets(1e-5, 500, np.random.default_rng(13))
    assert offsets.shape == (500, 4, 2)
    assert offsets.std() == pytest.approx(1e-5, rel=4 / np.sqrt(2 * offsets.size))
    assert np.unique(offsets).size == offsets.size
