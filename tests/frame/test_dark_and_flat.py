import numpy as np
import pytest

from beamreduce.errors import FrameError
from beamreduce.frame import FlatFrames, Frame, MasterFrame, make_dark_rate, make_flat
from beamreduce.frame.master import make_master
from tests.frame.made_frames import GAIN, Camera

SHAPE = (40, 50)


def master(value, variance, count, shape=SHAPE):
    return MasterFrame(
        mean=np.full(shape, float(value)),
        variance=np.full(shape, variance, dtype=np.float32),
        count=count,
        without_data=np.zeros(shape, dtype=bool),
        name="m",
    )


def test_the_rate_is_that_of_darks_of_any_times():
    bias = master(1000, 1.0, 5)
    darks = [(master(1000 + 3 * t, 1.0, n), t) for t, n in ((10.0, 4), (100.0, 2))]
    dark = make_dark_rate(darks, bias)
    np.testing.assert_allclose(dark.rate, 3.0, rtol=1e-12)


def test_its_variance_and_its_tie_to_the_bias():
    # One time: (dark - bias)/t, so var(dark)/t² and once the bias in t.
    dark = make_dark_rate([(master(1030, 4.0, 5), 20.0)], master(1000, 9.0, 5))
    np.testing.assert_allclose(dark.variance, 4.0 / 400)
    assert dark.bias_weight == pytest.approx(1 / 20)


def test_the_variance_of_the_rate_is_that_of_repeats():
    camera = Camera(shape=SHAPE, dark_rate=20.0, rng=np.random.default_rng(12))
    bias = master(1000, 0.0, 1)
    rates = [
        make_dark_rate(
            [
                (make_master(camera.frames(3, seconds=10)), 10.0),
                (make_master(camera.frames(2, seconds=40)), 40.0),
            ],
            bias,
        )
        for _ in range(100)
    ]
    scatter = np.var([dark.rate for dark in rates], axis=0, ddof=1).mean()
    stated = np.mean([dark.variance.mean() for dark in rates])
    # 2 000 pixels times 99 degrees of freedom; the stated one has fewer: 3 a pixel.
    assert stated == pytest.approx(scatter, rel=4 * np.sqrt(2 / (2000 * 99) + 2 / 2e5 / 3))


def flats(frames, pedestal=1000.0, **options):
    bad = np.zeros(frames[0].shape, dtype=bool)
    return FlatFrames(frames, [lambda: pedestal] * len(frames), bad, **options)


def test_the_flat_is_the_response_whatever_the_lamp_does():
    response = np.random.default_rng(2).normal(1, 0.05, SHAPE)
    camera = Camera(shape=SHAPE, response=response)
    frames = [camera.frames(1, light=light)[0] for light in (2e4, 4e4, 8e4) * 4]
    flat = make_flat(flats(frames), noise=lambda level: level / GAIN)
    pull = (flat.mean - response / response.mean()) / np.sqrt(flat.variance)
    # Twelve exposures: the scatter itself is known to 21 %, so pulls follow Student's
    # law with 11 degrees of freedom, whose variance is 11/9; 2 000 pixels.
    assert np.mean(pull**2) == pytest.approx(11 / 9, rel=0.15)
    assert flat.mean.mean() == pytest.approx(1.0, abs=1e-6)


def test_dead_pixels_do_not_shift_the_mean_of_the_good_ones():
    response = np.ones(SHAPE)
    response[::7, ::5] = 0
    frames = Camera(shape=SHAPE, response=response).frames(4, light=40000)
    flat = make_flat(flats(frames), noise=lambda level: level / GAIN)
    assert flat.mean[response == 1].mean() == pytest.approx(1.0, abs=1e-6)


def test_a_single_flat_has_the_variance_it_is_told():
    frames = Camera(shape=SHAPE).frames(1, light=40000)
    flat = make_flat(flats(frames), noise=lambda level: level / GAIN + 9)
    level = 40000 / GAIN
    np.testing.assert_allclose(flat.variance, (level / GAIN + 9) / level**2, rtol=1e-3)


def test_saturated_pixels_of_a_flat_hold_no_data():
    frames = Camera(shape=SHAPE).frames(3, light=40000)
    frames[1].pixels[4, 5] = 65000
    flat = make_flat(flats(frames, saturation_adu=60000.0), noise=lambda level: level)
    assert np.argwhere(flat.without_data).tolist() == [[4, 5]]


@pytest.mark.parametrize("pixels", [np.full(SHAPE, 990), np.full(SHAPE, 65535)])
def test_a_flat_without_light_or_all_saturated_is_named(pixels):
    frames = [Frame(name="flat-1.fits", pixels=pixels)]
    with pytest.raises(
        FrameError, match=r"flat-1\.fits: found a mean signal of .* in a fl"
    ):
        make_flat(flats(frames, saturation_adu=60000.0), noise=lambda level: level)
