import tracemalloc

import numpy as np
import pytest
from astropy.io import fits
from hypothesis import given, settings
from hypothesis import strategies as st

from beamreduce.errors import FrameError
from beamreduce.frame import Frame, FrameFiles, make_master
from tests.frame.made_frames import GAIN, READ_NOISE, Camera

SIGMA = READ_NOISE / GAIN  # adu


def as_frames(stack):
    return [Frame(name=f"f{i}", pixels=pixels) for i, pixels in enumerate(stack)]


def clipped_mean(values, sigma):
    """The definition, pixel by pixel with the whole stack in memory."""
    lower_median = np.sort(values, axis=0)[(len(values) - 1) // 2]
    away = np.abs(values - lower_median)
    kept = away <= 6 * np.maximum(sigma, 1.4826 * np.median(away, axis=0))
    return np.sum(values * kept, axis=0) / kept.sum(axis=0)


def test_without_outliers_it_is_the_plain_mean():
    stack = np.array([f.pixels for f in Camera(shape=(50, 60)).frames(12)])
    master = make_master(as_frames(stack))
    np.testing.assert_allclose(master.mean, stack.mean(axis=0), rtol=1e-12)
    np.testing.assert_allclose(master.variance, stack.var(axis=0, ddof=1) / 12, rtol=1e-6)


@settings(max_examples=20, deadline=None)
@given(
    count=st.integers(8, 40),
    height=st.sampled_from([30, 100, 1000, 40000]),
    hits=st.integers(1, 3),
    seed=st.integers(0, 2**31),
)
def test_it_equals_the_definition_with_the_stack_in_memory(count, height, hits, seed):
    rng = np.random.default_rng(seed)
    stack = np.array([f.pixels for f in Camera(shape=(40, 50), rng=rng).frames(count)])
    for _ in range(hits):  # up to `hits` hits on each of 100 pixels
        at = rng.integers(0, 2000, 100)
        stack.reshape(count, -1)[rng.integers(0, count, 100), at] += np.uint16(height)
    master = make_master(as_frames(stack))
    expected = clipped_mean(stack.astype(float), np.sqrt(SIGMA**2 + 1 / 12))
    # The noise is measured, here to about 2 %: a hit right at the limit may fall on
    # either side, which none of these heights does for more than a pixel or two.
    assert np.mean(~np.isclose(master.mean, expected, rtol=1e-9)) < 2e-3


@pytest.mark.parametrize("count", [2, 3, 4, 5, 10, 50])
def test_a_hit_in_one_frame_leaves_no_trace(count):
    camera = Camera(shape=(60, 60), rng=np.random.default_rng(count))
    stack = np.array([f.pixels for f in camera.frames(count)])
    clean = stack.astype(float)
    at = np.arange(0, 3600, 40)
    stack.reshape(count, -1)[np.arange(at.size) % count, at] += np.uint16(3000)
    got = make_master(as_frames(stack)).mean.ravel()[at]
    # The values that were not hit, 4 sigma of their mean at most for 90 pixels.
    others = clean.mean(axis=0).ravel()[at]
    assert np.abs(got - others).max() < 5 * SIGMA / np.sqrt(count - 1)


def test_several_hits_of_very_different_size_in_one_pixel():
    stack = np.array([f.pixels for f in Camera().frames(30)])
    clean = stack.mean(axis=0)
    for frame, height in zip((3, 9, 17, 22), (40000, 500, 60, 9000), strict=True):
        stack[frame, 5, 6] += np.uint16(height)
    got = make_master(as_frames(stack)).mean
    assert abs(got[5, 6] - clean[5, 6]) < SIGMA
    got[5, 6] = clean[5, 6]
    np.testing.assert_allclose(got, clean, rtol=1e-12)


def test_noisy_pixels_are_not_cut_down():
    # A pixel with ten times the noise of the others: its own scatter counts.
    camera = Camera(shape=(60, 60))
    stack = np.array([f.pixels for f in camera.frames(40)]).astype(float)
    loud = camera.rng.normal(1000, 10 * SIGMA, 40)
    stack[:, 8, 9] = loud
    master = make_master(as_frames(stack))
    assert master.mean[8, 9] == pytest.approx(loud.mean())
    assert master.variance[8, 9] == pytest.approx(loud.var(ddof=1) / 40, rel=1e-5)


@pytest.mark.parametrize("level", [0.02, 0.4, 2.0, 10.0, 100.0])
def test_photons_are_not_taken_for_outliers(level):
    # With few photons a pixel a clipped mean would be 28 % low (0.4 a pixel).
    rng = np.random.default_rng(int(level * 100))
    stack = rng.poisson(level, (30, 64, 64)) * 600.0 + rng.normal(0, 3, (30, 64, 64))
    mean = make_master(as_frames(stack), of_photons=True).mean.mean()
    plain = stack.mean()
    one_sigma = 600 * np.sqrt(level / stack.size)
    assert abs(mean - plain) < 0.2 * one_sigma


def test_variance_of_the_mean_is_that_of_repeats():
    camera = Camera(shape=(40, 40), rng=np.random.default_rng(8))
    masters = [make_master(camera.frames(6)) for _ in range(200)]
    means = np.array([master.mean for master in masters])
    scatter = means.var(axis=0, ddof=1).mean()
    stated = np.mean([master.variance.mean() for master in masters])
    # 1 600 pixels times 199 degrees of freedom: the scatter is known to 0.25 %.
    assert stated == pytest.approx(scatter, rel=4 * np.sqrt(2 / (1600 * 199)))


def test_a_single_frame_has_no_variance():
    pixels = Camera().frame()
    master = make_master(as_frames([pixels]))
    np.testing.assert_array_equal(master.mean, pixels)
    assert master.variance is None
    assert master.frame_variance is None


def test_pixels_without_data_are_told_and_zero():
    stack = np.array([f.pixels for f in Camera().frames(4)]).astype(float)
    stack[2, 3, 4] = np.nan
    stack[0, 7, 8] = np.inf
    master = make_master(as_frames(stack))
    assert np.argwhere(master.without_data).tolist() == [[3, 4], [7, 8]]
    assert master.mean[3, 4] == 0
    assert np.isfinite(master.mean).all()


def test_identical_frames_have_no_variance_and_lose_nothing():
    pixels = np.arange(20.0).reshape(4, 5)
    master = make_master(as_frames([pixels] * 3))
    np.testing.assert_array_equal(master.mean, pixels)
    np.testing.assert_array_equal(master.variance, 0)


def test_no_frame_is_an_error():
    with pytest.raises(FrameError, match="at least one frame"):
        make_master([])


def peak_bytes(work):
    tracemalloc.start()
    work()
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    return peak


def test_memory_does_not_grow_with_the_number_of_frames(tmp_path):
    camera = Camera(shape=(400, 400))
    paths = []
    for i in range(40):
        paths.append(tmp_path / f"{i}.fits")
        pixels = camera.frame()
        pixels.reshape(-1)[camera.rng.integers(0, 160_000, 30)] += np.uint16(900)
        fits.writeto(paths[-1], pixels)
    make_master(FrameFiles(paths[:3]))  # compiled and imported
    few = peak_bytes(lambda: make_master(FrameFiles(paths[:10])))
    many = peak_bytes(lambda: make_master(FrameFiles(paths)))
    # Values of suspicious pixels are held in portions of at most half a frame.
    assert many < few + 1.5 * 8 * 160_000
