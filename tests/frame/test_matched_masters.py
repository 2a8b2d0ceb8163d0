import dataclasses

import astropy.units as u
import numpy as np
import pytest

from beamreduce.campaign import CalibratedBy
from beamreduce.errors import FrameError
from beamreduce.frame import MasterCache, MasterSet, gather_masters
from tests.frame.made_frames import DETECTOR, GAIN, READ_NOISE, Camera, write, write_all

SHAPE = (40, 50)
SIGMA2 = (READ_NOISE / GAIN) ** 2 + 1 / 12  # adu², with the rounding to whole adu


@pytest.fixture
def camera():
    return Camera(shape=SHAPE, dark_rate=4.0)


def raw(camera, count, **kind):
    return [camera.frame(**kind) for _ in range(count)]


@pytest.fixture
def rows(tmp_path, camera):
    """Bias, darks of two times, flats and a beam frame on disk."""
    bias = write_all(tmp_path, "bias", raw(camera, 6), seconds=0, kind="bias")
    dark = write_all(tmp_path, "dark", raw(camera, 4, seconds=50), seconds=50, kind="dark")
    dark += write_all(tmp_path, "long", raw(camera, 4, seconds=90), seconds=90, kind="dark")
    flat = write_all(
        tmp_path, "flat", raw(camera, 4, seconds=2, light=50000), seconds=2, kind="flat"
    )
    beam = write(tmp_path, "beam.fits", camera.frame(seconds=10, photons=0.5))
    return CalibratedBy(exposure=beam, bias=bias, dark=dark, flat=flat, dark_use="rate")


def test_bias_dark_rate_and_flat_are_those_of_the_camera(tmp_path, rows):
    masters = gather_masters(rows, folder=tmp_path, detector=DETECTOR)
    # Four sigma of the mean over 2 000 pixels.
    assert masters.bias.mean.mean() == pytest.approx(1000, abs=4 * (SIGMA2 / 12000) ** 0.5)
    electrons = 2000 * 4 * 4 * (50 + 90)  # dark current of all frames and pixels
    tolerance = 4 * (2 / electrons**0.5 + 0.002)
    assert masters.dark.rate.mean() * GAIN == pytest.approx(4, abs=tolerance)
    assert masters.dark.bias_weight == pytest.approx(8 / (4 * 50 + 4 * 90))
    assert masters.flat.mean.mean() == pytest.approx(1)
    assert not masters.bad.any()


def test_without_masters_nothing_is_taken_off(tmp_path, rows):
    masters = gather_masters(
        CalibratedBy(exposure=rows.exposure), folder=tmp_path, detector=DETECTOR
    )
    assert masters == MasterSet()
    assert masters.pedestal(count=3, seconds=30) == 0
    assert masters.pedestal_variance(count=3, seconds=30) == 0


def test_errors_of_masters_grow_with_the_square_of_the_number_of_frames(tmp_path, rows):
    masters = gather_masters(rows, folder=tmp_path, detector=DETECTOR)
    one = masters.pedestal_variance(count=1, seconds=10)
    np.testing.assert_allclose(
        masters.pedestal_variance(count=7, seconds=70), 49 * one, rtol=1e-5
    )


def test_bias_only(tmp_path, rows):
    rows = dataclasses.replace(rows, dark=(), flat=(), dark_use="none")
    masters = gather_masters(rows, folder=tmp_path, detector=DETECTOR)
    np.testing.assert_allclose(masters.pedestal(count=3, seconds=1), 3 * masters.bias.mean)
    np.testing.assert_allclose(
        masters.pedestal_variance(count=3, seconds=1), 9 * masters.bias.variance
    )


@pytest.mark.parametrize("count", [1, 5])
def test_single_frames_take_their_noise_from_the_detector(tmp_path, camera, rows, count):
    bias = rows.bias[:count]
    dark = rows.dark[4 : 4 + min(count, 4)]
    rows = dataclasses.replace(rows, bias=bias, dark=dark, flat=())
    masters = gather_masters(rows, folder=tmp_path, detector=DETECTOR)
    n = len(bias)
    # 2 000 pixels with at least one degree of freedom each: 4 sigma are 13 %.
    assert masters.bias.variance.mean() == pytest.approx(SIGMA2 / n, rel=0.13)
    shot = 4 * 90 / GAIN**2
    expected = (SIGMA2 + shot) / len(dark) / 90**2
    assert masters.dark.variance.mean() == pytest.approx(expected, rel=0.13)


class TestWithoutBias:
    @pytest.fixture
    def rows(self, tmp_path, camera):
        dark = write_all(
            tmp_path, "dark", raw(camera, 5, seconds=10), seconds=10, kind="dark"
        )
        dark2 = write_all(
            tmp_path, "short", raw(camera, 5, seconds=2), seconds=2, kind="dark"
        )
        flat = write_all(
            tmp_path, "flat", raw(camera, 4, seconds=2, light=50000), seconds=2, kind="flat"
        )
        beam = write(tmp_path, "beam.fits", camera.frame(seconds=10, photons=0.5))
        return CalibratedBy(
            exposure=beam, dark=dark, flat=flat, dark_use="same_time", flat_dark=dark2
        )

    def test_the_dark_is_taken_off_whole(self, tmp_path, rows):
        masters = gather_masters(rows, folder=tmp_path, detector=DETECTOR)
        pedestal = masters.pedestal(count=3, seconds=30)
        assert pedestal.mean() == pytest.approx(3 * (1000 + 4 * 10 / GAIN), rel=1e-4)
        assert masters.flat.mean.mean() == pytest.approx(1)

    def test_noise_of_a_frame_is_the_scatter_of_the_darks(self, tmp_path, rows):
        masters = gather_masters(rows, folder=tmp_path, detector=DETECTOR)
        noise = masters.frame_variance(DETECTOR, count=3, seconds=30)
        # 2 000 pixels, 4 degrees of freedom: 4 sigma are 6 %.
        expected = 3 * (SIGMA2 + 4 * 10 / GAIN**2)
        assert np.mean(noise) == pytest.approx(expected, rel=0.06)

    def test_flats_without_a_dark_of_their_time_are_named(self, tmp_path, rows):
        rows = dataclasses.replace(rows, flat_dark=rows.dark)
        message = r"flat-0\.fits: flat flat-0: found a flat of 2 s .* darks of 10 s; expect"
        with pytest.raises(FrameError, match=message):
            gather_masters(rows, folder=tmp_path, detector=DETECTOR)


def test_a_master_of_another_shape_names_both_files(tmp_path, rows):
    odd = write(tmp_path, "odd.fits", np.ones((5, 6), "u2"), seconds=50, kind="dark")
    rows = dataclasses.replace(rows, dark=(odd,))
    with pytest.raises(FrameError, match=r"odd\.fits: found 6 x 5 .* like bias-0\.fits"):
        gather_masters(rows, folder=tmp_path, detector=DETECTOR)


def test_the_cache_reads_frames_once(tmp_path, rows):
    cache = MasterCache()
    first = gather_masters(rows, folder=tmp_path, detector=DETECTOR, cache=cache)
    for exposure in (*rows.bias, *rows.dark, *rows.flat):
        (tmp_path / exposure.file).unlink()
    again = gather_masters(rows, folder=tmp_path, detector=DETECTOR, cache=cache)
    assert again is first
    with pytest.raises(FrameError, match=r"bias-0\.fits"):
        gather_masters(
            dataclasses.replace(rows, flat=()),
            folder=tmp_path,
            detector=DETECTOR,
            cache=cache,
        )


def test_a_detector_of_other_settings_has_its_own_masters(tmp_path, rows):
    cache, rows = MasterCache(), dataclasses.replace(rows, flat=())
    first = gather_masters(rows, folder=tmp_path, detector=DETECTOR, cache=cache)
    other = dataclasses.replace(DETECTOR, saturation=1000 * u.adu)
    second = gather_masters(rows, folder=tmp_path, detector=other, cache=cache)
    assert not first.bad.any()
    assert second.bad.any()


def test_the_cache_forgets_what_was_not_used_for_longest():
    cache = MasterCache(room=2)
    made = []
    for key in ("a", "b", "a", "c", "a", "b"):
        cache.get((key,), lambda key=key: made.append(key))
    assert made == ["a", "b", "c", "b"]
