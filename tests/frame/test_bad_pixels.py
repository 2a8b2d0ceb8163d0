from dataclasses import replace

import numpy as np
import pytest

from beamreduce.frame import (
    find_bad_pixels,
    find_dead_pixels,
    find_steady_pixels,
    make_master,
    sum_frames,
)
from tests.frame.made_frames import ELECTRONS, GAIN, Camera

SHAPE = (80, 90)


def rng(seed):
    return np.random.default_rng(seed)


def places(found):
    return {(int(y), int(x)) for y, x in np.argwhere(found)}


def with_values(base, **at):
    image = np.full(SHAPE, float(base))
    for where, value in at.items():
        y, x = (int(part) for part in where[1:].split("_"))
        image[y, x] = value
    return image


@pytest.mark.parametrize("seed", range(5))
def test_good_frames_have_no_bad_pixels(seed):
    camera = Camera(shape=SHAPE, dark_rate=0.5, rng=rng(seed))
    bias = make_master(camera.frames(8))
    dark = make_master(camera.frames(8, seconds=30))
    # 7 200 pixels held against 10 sigma: none by chance.
    assert not find_bad_pixels(bias=bias, darks=[dark], saturation_adu=60000).any()


@pytest.mark.parametrize("count", [1, 2, 3, 10])
def test_hot_pixels_are_found_in_darks_of_any_number(count):
    rate = with_values(0.5, p3_4=500, p40_41=2000, p79_89=300, p0_0=300)
    dark = make_master(Camera(shape=SHAPE, dark_rate=rate).frames(count, seconds=10))
    found = find_bad_pixels(darks=[dark])
    assert places(found) == {(3, 4), (40, 41), (79, 89), (0, 0)}


def test_hot_columns_and_clusters_are_found():
    rate = np.full(SHAPE, 0.5)
    rate[:, 30:32] = 400
    rate[50:53, 60:63] = 400
    dark = make_master(Camera(shape=SHAPE, dark_rate=rate).frames(5, seconds=10))
    assert np.array_equal(find_bad_pixels(darks=[dark]), rate > 100)


@pytest.mark.parametrize("count", [1, 2, 6])
def test_a_glowing_corner_and_two_amplifiers_are_not_bad(count):
    y, x = np.ogrid[: SHAPE[0], : SHAPE[1]]
    glow = 200 * np.exp(-np.hypot(x, y) / 30)
    pedestal = np.where(x < 45, 1000.0, 1400.0) + 0.5 * x + 0 * y
    camera = Camera(shape=SHAPE, pedestal=pedestal, dark_rate=glow)
    bias = make_master(camera.frames(count))
    dark = make_master(camera.frames(count, seconds=10))
    assert not find_bad_pixels(bias=bias, darks=[dark]).any()


@pytest.mark.parametrize("count", [2, 3, 6, 20])
def test_a_small_glowing_corner_is_not_unsteady(count):
    y, x = np.ogrid[: SHAPE[0], : SHAPE[1]]
    glow = 500 * np.exp(-np.hypot(x, y) / 15)  # its shot noise is 40 times the typical
    dark = make_master(Camera(shape=SHAPE, dark_rate=glow).frames(count, seconds=10))
    assert not find_bad_pixels(darks=[dark]).any()


def test_saturated_in_the_dark_is_bad_and_one_cosmic_ray_is_not():
    camera = Camera(shape=SHAPE, dark_rate=np.full(SHAPE, 0.5))
    stack = camera.frames(6, seconds=10)
    for frame in stack:
        frame.pixels[20:28, 20:28] = 65535  # too many for neighbours to tell
    stack[2].pixels[50, 50] = 65535
    found = find_bad_pixels(darks=[make_master(stack)], saturation_adu=60000)
    assert found[20:28, 20:28].all()
    assert found.sum() == 64


def test_unsteady_pixels_are_found():
    camera = Camera(shape=SHAPE)
    stack = camera.frames(12)
    for i, frame in enumerate(stack):
        frame.pixels[33, 44] = 1000 + 60 * (-1) ** i
    assert places(find_bad_pixels(bias=make_master(stack))) == {(33, 44)}


def test_dead_and_odd_pixels_are_found_in_flats():
    response = rng(1).normal(1, 0.02, SHAPE)
    response[5, 6], response[7, 8], response[70, 80], response[30, 30] = 0, 0.3, 2.6, 0.05
    light = 20000 * (1 - 0.3 * np.linspace(0, 1, SHAPE[1])) * np.ones(SHAPE)
    camera = Camera(shape=SHAPE, pedestal=0.0, response=response)
    stack = [frame.pixels * GAIN / light.mean() for frame in camera.frames(5, light=light)]
    frames = [type(camera.frames(1)[0])(name="f", pixels=pixels) for pixels in stack]
    flat = make_master(frames, of_photons=True)
    assert places(find_bad_pixels(flat=flat)) == {(5, 6), (7, 8), (70, 80), (30, 30)}


def test_a_flat_of_few_photons_condemns_only_what_it_can_tell():
    # 30 photons a pixel in all: a response of half cannot be told from chance.
    camera = Camera(shape=SHAPE, pedestal=0.0, read_noise=0.1, rng=rng(3))
    frames = camera.frames(6, photons=5.0)
    scaled = [type(f)(name="f", pixels=f.pixels * GAIN / ELECTRONS / 5) for f in frames]
    assert not find_bad_pixels(flat=make_master(scaled, of_photons=True)).any()


def test_pixels_without_data_are_bad():
    pixels = np.ones(SHAPE)
    pixels[4, 5] = np.nan
    frames = Camera(shape=SHAPE).frames(1)
    bias = make_master([type(frames[0])(name="b", pixels=pixels)])
    assert places(find_bad_pixels(bias=bias)) == {(4, 5)}


def test_no_master_is_an_error():
    with pytest.raises(ValueError, match="at least one master frame; got none"):
        find_bad_pixels()


class TestRepeatedExposures:
    """Beam frames only: photons must never be taken for a bad pixel."""

    @staticmethod
    def image(peak, width=6.0, background=0.02):
        y, x = np.ogrid[: SHAPE[0], : SHAPE[1]]
        r2 = (x - 45.2) ** 2 + (y - 40.7) ** 2
        return background + peak * np.exp(-r2 / (2 * width**2))

    @pytest.mark.parametrize("level", [0.02, 0.4, 3.0, 30.0])
    @pytest.mark.parametrize("count", [5, 60])
    def test_photons_are_never_flagged(self, level, count):
        camera = Camera(shape=SHAPE, rng=rng(int(100 * level) + count))
        sums = sum_frames(camera.frames(count, photons=self.image(level, width=2.0)))
        scale = ELECTRONS / GAIN
        assert not find_steady_pixels(sums, adu_per_photon=scale).any()
        photons = (sums.total() - 1000 * count) / scale
        assert not find_dead_pixels(photons, np.full(SHAPE, 1e-4 * count)).any()

    def test_photons_spread_over_pixels_are_not_flagged(self):
        # A charge cloud of 1.5 pixels (one sigma) leaves 3.5 % of the variance.
        kernel = np.exp(-(np.arange(-6, 7) ** 2) / (2 * 1.5**2))
        kernel /= kernel.sum()
        camera = Camera(shape=SHAPE, pedestal=0.0, read_noise=1.0, rng=rng(4))
        frames = []
        for frame in camera.frames(80, photons=self.image(10.0)):
            charge = frame.pixels.astype(float)
            for axis in (0, 1):
                charge = np.apply_along_axis(np.convolve, axis, charge, kernel, "same")
            frames.append(type(frame)(name="f", pixels=charge))
        sums = sum_frames(frames)
        assert not find_steady_pixels(sums, adu_per_photon=ELECTRONS / GAIN).any()

    def test_a_leaking_pixel_is_told_from_photons(self):
        # Twice as bright as the core, in the core and outside it; no darks to tell.
        leak = with_values(0.0, p41_45=16 * ELECTRONS, p10_10=8 * ELECTRONS)
        camera = Camera(shape=SHAPE, dark_rate=leak, rng=rng(6))
        frames = camera.frames(60, seconds=1, photons=self.image(8.0) * (leak == 0))
        found = find_steady_pixels(sum_frames(frames), adu_per_photon=ELECTRONS / GAIN)
        assert places(found) == {(41, 45), (10, 10)}

    def test_an_amplifier_of_higher_pedestal_is_not_leaking(self):
        pedestal = np.where(np.arange(SHAPE[1]) < 30, 1000.0, 1400.0)
        camera = Camera(shape=SHAPE, pedestal=pedestal, rng=rng(9))
        sums = sum_frames(camera.frames(150, photons=self.image(3.0)))
        assert not find_steady_pixels(sums, adu_per_photon=ELECTRONS / GAIN).any()

    def test_dead_pixels_and_columns_show_in_a_bright_image(self):
        response = np.ones(SHAPE)
        response[40, 45], response[44, 40] = 0, 0.05
        response[:, 48] = 0
        photons = rng(7).poisson(self.image(400.0)) * response
        found = find_dead_pixels(photons, np.full(SHAPE, 0.01))
        assert found[40, 45]
        assert found[44, 40]
        assert found[34:48, 48].all()
        assert not (found & (response == 1)).any()

    def test_shadows_and_edges_of_the_image_are_not_dead(self):
        y, x = np.ogrid[: SHAPE[0], : SHAPE[1]]
        image = 500.0 * ((x > 20) & (x < 70) & (np.abs(y - 40) > 1) & (np.abs(x - y) > 2))
        photons = rng(8).poisson(image).astype(float)
        assert not find_dead_pixels(photons, np.zeros(SHAPE)).any()

    @pytest.mark.parametrize("value", [-50.0, -1e30])
    def test_a_mark_for_no_data_is_not_light(self, value):
        photons = rng(9).normal(0.0, 0.5, SHAPE)
        photons[40, 45] = value
        assert places(find_dead_pixels(photons, np.full(SHAPE, 0.25))) == {(40, 45)}

    def test_too_much_dark_makes_no_pixel_bad(self):
        """All of the frame lies 60 photons too low, as after a warm dark."""
        photons = rng(10).normal(-60.0, 0.5, SHAPE)
        assert not find_dead_pixels(photons, np.full(SHAPE, 0.25)).any()


def test_values_without_sense_in_a_dark_are_clipped_in_silence():
    frames = Camera(shape=SHAPE, rng=rng(11)).frames(5)
    values = [np.array(frame.pixels, dtype=np.float32) for frame in frames]
    values[2][40, 45] = 1e30
    wild = [replace(f, pixels=v) for f, v in zip(frames, values, strict=True)]
    master = make_master(wild)
    assert abs(master.mean[40, 45] - np.median(master.mean)) < 10
    assert np.isfinite(master.variance).all()


def test_the_work_does_not_touch_its_input():
    camera = Camera(shape=SHAPE)
    bias = make_master(camera.frames(3))
    bias.mean.flags.writeable = False
    bias.variance.flags.writeable = False
    find_bad_pixels(bias=bias)
    photons = np.ones(SHAPE)
    photons.flags.writeable = False
    find_dead_pixels(photons, photons)
