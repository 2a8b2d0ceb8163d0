import numpy as np
import pytest

from beamreduce.frame import find_hits

SHAPE = (80, 80)


def image(level):
    y, x = np.ogrid[:80, :80]
    return level * (0.05 + np.exp(-np.hypot(x - 40, y - 40) / 6))


@pytest.mark.parametrize("level", [0.02, 0.4, 2.0, 20.0])
@pytest.mark.parametrize("frames", [3, 10, 40])
def test_photons_are_never_taken_for_hits(level, frames):
    rng = np.random.default_rng(int(100 * level) + frames)
    stack = rng.poisson(image(level), (frames, *SHAPE)) + rng.normal(0, 0.02, SHAPE)
    total = stack.sum(axis=0)
    # One false hit in a thousand measurements is what the limit allows.
    found = [find_hits(f, total, share=1 / frames, frames=frames) for f in stack]
    assert not np.any(found)


def test_a_source_that_drifts_is_not_a_hit():
    rng = np.random.default_rng(3)
    drift = np.array([0.2, 0.5, 1, 1, 2, 3])
    stack = np.array([rng.poisson(image(20.0) * part) for part in drift]).astype(float)
    total = stack.sum(axis=0)
    shares = stack.sum(axis=(1, 2)) / stack.sum()
    for frame, share in zip(stack, shares, strict=True):
        assert not find_hits(frame, total, share=share, frames=6).any()


def test_hits_far_above_the_other_frames_are_found():
    rng = np.random.default_rng(4)
    stack = rng.poisson(image(2.0), (20, *SHAPE)).astype(float)
    stack[7, 10, 12] += 40
    stack[7, 40, 40] += 80
    stack[9, 70, 5] += 15
    total = stack.sum(axis=0)
    found = [np.argwhere(find_hits(f, total, share=0.05, frames=20)) for f in stack]
    assert found[7].tolist() == [[10, 12], [40, 40]]
    assert found[9].tolist() == [[70, 5]]
    assert sum(len(places) for places in found) == 3


def test_one_photon_in_one_frame_is_a_photon():
    total = np.zeros(SHAPE)
    total[3, 4] = 1.0
    assert not find_hits(total, total, share=0.01, frames=100).any()


@pytest.mark.parametrize(("share", "frames"), [(0.5, 2), (1.0, 1), (0.0, 5)])
def test_two_frames_cannot_say_which_is_wrong(share, frames):
    frame = np.zeros(SHAPE)
    frame[3, 4] = 500.0
    assert not find_hits(frame, frame, share=share, frames=frames).any()
