import dataclasses

import astropy.units as u
import numpy as np
import pytest

from beamreduce.errors import FrameError, SettingsError
from beamreduce.frame import (
    DarkRate,
    Frame,
    MasterFrame,
    MasterSet,
    calibrate_frame,
    calibrate_frames,
)
from tests.frame.made_frames import (
    COUNTER,
    DETECTOR,
    ELECTRONS,
    ENERGY,
    GAIN,
    READ_NOISE,
    Camera,
)

SHAPE = (30, 40)
SCALE = ELECTRONS / GAIN  # adu a photon


def master(value, variance=0.0, count=5):
    return MasterFrame(
        mean=np.broadcast_to(np.asarray(value, float), SHAPE),
        variance=np.broadcast_to(np.float32(variance), SHAPE),
        count=count,
        without_data=np.zeros(SHAPE, dtype=bool),
        name="master.fits",
    )


def rate(value, variance=0.0, weight=0.1):
    return DarkRate(
        rate=np.full(SHAPE, float(value)),
        variance=np.full(SHAPE, variance, dtype=np.float32),
        bias_weight=weight,
    )


def flat_masters(flat, **more):
    return MasterSet(flat=flat, bad=np.zeros(SHAPE, dtype=bool), **more)


def frame(value, name="raw.fits"):
    return Frame(name=name, pixels=np.broadcast_to(value, SHAPE))


def one(raw, masters, seconds=10, detector=DETECTOR, energy=ENERGY):
    return calibrate_frame(
        raw, masters, detector=detector, exposure_time=seconds * u.s, energy=energy
    )


def test_the_equation_of_the_frame():
    response = np.linspace(0.9, 1.1, 40)
    masters = flat_masters(master(response), bias=master(1000), dark=rate(2.0))
    got = one(frame(1500.0), masters)
    # photons = gain (raw - bias - dark t) / flat / (E/w), all numbers by hand
    expected = 2.0 * (1500 - 1000 - 2 * 10) / response / (4511 / 3.65)
    np.testing.assert_allclose(got.photons, np.broadcast_to(expected, SHAPE), rtol=1e-12)


def test_a_table_of_electrons_a_photon_replaces_the_pair_energy():
    table = ([4.0, 5.0] * u.keV, [1000, 1200] * u.electron)
    detector = dataclasses.replace(DETECTOR, electrons_per_photon=table)
    got = one(frame(551.0), MasterSet(), detector=detector, energy=4.5 * u.keV)
    # Linear in the collected fraction: halfway between 0.25 and 0.24 electrons an eV.
    np.testing.assert_allclose(got.photons, 551 * 2 / (4500 * 0.245), rtol=1e-12)


def test_a_sum_of_frames_is_the_sum_of_their_photons():
    camera = Camera(shape=SHAPE, dark_rate=5.0)
    frames = [camera.frames(1, seconds=seconds, photons=2.0)[0] for seconds in (5, 10, 30)]
    masters = flat_masters(master(1.1), bias=master(1000), dark=rate(2.5))
    times = [5, 10, 30]
    whole = calibrate_frames(
        frames, masters, detector=DETECTOR, exposure_times=times * u.s, energy=ENERGY
    )
    parts = [one(raw, masters, t) for raw, t in zip(frames, times, strict=True)]
    np.testing.assert_allclose(
        whole.photons, sum(part.photons for part in parts), atol=1e-9
    )
    assert whole.count == 3


def test_read_noise_and_dark_current_of_every_frame():
    masters = MasterSet(bias=master(1000), dark=rate(3.0))
    got = calibrate_frames(
        [frame(1500.0), frame(1501.0)],
        masters,
        detector=DETECTOR,
        exposure_times=[10, 20] * u.s,
        energy=ENERGY,
    )
    electrons2 = 2 * READ_NOISE**2 + GAIN * 3.0 * (10 + 20)
    np.testing.assert_allclose(got.noise_variance, electrons2 / ELECTRONS**2, rtol=1e-6)


def test_noise_of_the_masters_is_common_to_the_frames():
    masters = MasterSet(bias=master(1000, 4.0), dark=rate(0.0, 0.25, weight=0.05))
    got = calibrate_frames(
        [frame(1500.0)] * 3,
        masters,
        detector=DETECTOR,
        exposure_times=[10, 10, 20] * u.s,
        energy=ENERGY,
    )
    read = 3 * (READ_NOISE / GAIN) ** 2
    # Three times the bias, less what the rate took off with it: 3 - 40 s · 0.05/s.
    common = (3 - 40 * 0.05) ** 2 * 4.0 + 40**2 * 0.25
    np.testing.assert_allclose(got.noise_variance, (read + common) / SCALE**2, rtol=1e-6)


def test_noise_of_the_flat():
    got = one(frame(5000.0), flat_masters(master(0.8, 0.01**2)))
    photons = 5000 / 0.8 / SCALE
    read = (READ_NOISE / GAIN / 0.8 / SCALE) ** 2
    of_flat = (photons * 0.01 / 0.8) ** 2
    np.testing.assert_allclose(got.noise_variance, read + of_flat, rtol=1e-6)


def test_saturation_is_looked_at_frame_by_frame():
    raws = [np.full(SHAPE, 30000, "u2") for _ in range(3)]
    raws[1][4, 5] = 60000
    raws[2][6, 7] = 65535
    raws[0][8, 9] = 59999
    got = calibrate_frames(
        [frame(raw) for raw in raws],
        MasterSet(),
        detector=DETECTOR,
        exposure_times=[1, 1, 1] * u.s,
        energy=ENERGY,
    )
    assert np.argwhere(got.saturated).tolist() == [[4, 5], [6, 7]]


def test_a_bad_pixel_is_not_called_saturated():
    raw = np.full(SHAPE, 1000, "u2")
    raw[4, 5] = 65535
    bad = np.zeros(SHAPE, dtype=bool)
    bad[4, 5] = True
    got = one(frame(raw), MasterSet(bad=bad))
    assert got.bad[4, 5]
    assert not got.saturated.any()


def test_pixels_without_data_are_bad_and_finite():
    raw = np.full(SHAPE, 1000.0)
    raw[2, 3] = np.nan
    got = one(frame(raw), MasterSet(bias=master(990), dark=rate(0)))
    assert np.argwhere(got.bad).tolist() == [[2, 3]]
    assert np.isfinite(got.photons).all()
    assert np.isfinite(got.noise_variance).all()


def test_dead_pixels_of_the_flat_divide_nothing_by_zero():
    response = np.ones(SHAPE)
    response[3, 3] = 0
    masters = MasterSet(flat=master(response, 1e-6), bad=response == 0)
    got = one(frame(500.0), masters)
    assert got.bad[3, 3]
    assert np.isfinite(got.photons).all()
    assert np.isfinite(got.noise_variance).all()


def test_a_counter_gives_its_photons_as_they_are():
    counts = np.arange(np.prod(SHAPE)).reshape(SHAPE).astype("u2")
    got = one(frame(counts), MasterSet(), detector=COUNTER, energy=None)
    np.testing.assert_array_equal(got.photons, counts)
    np.testing.assert_array_equal(got.noise_variance, 0)
    assert not got.saturated.any()


def test_a_counter_is_divided_by_its_flat():
    got = one(frame(100), flat_masters(master(0.5)), detector=COUNTER, energy=None)
    np.testing.assert_allclose(got.photons, 200)
    # 100 counts vary by 100; twice that number varies by 400, of which 200 are photons.
    np.testing.assert_allclose(got.noise_variance, 200)


def test_a_master_of_another_shape_names_both_files():
    raw = Frame(name="raw.fits", pixels=np.ones((3, 4)))
    with pytest.raises(FrameError, match=r"raw\.fits: found 4 x 3 .* like master\.fits"):
        one(raw, MasterSet(bias=master(1)))
    with pytest.raises(FrameError, match=r"raw\.fits: found 4 x 3 .* like dark\.fits"):
        one(raw, MasterSet(bad=np.zeros(SHAPE, bool), name="dark.fits"))


def test_as_many_times_as_frames():
    with pytest.raises(FrameError, match=r"raw\.fits .*one exposure time .*got 1 for 2 fr"):
        calibrate_frames(
            [frame(1.0)] * 2,
            MasterSet(),
            detector=DETECTOR,
            exposure_times=[1] * u.s,
            energy=ENERGY,
        )


def test_charge_without_an_energy_is_refused():
    with pytest.raises(SettingsError, match=r"energy must be given .*fill in the column"):
        one(frame(1.0), MasterSet(), energy=None)


def test_a_missing_gain_is_named():
    detector = dataclasses.replace(DETECTOR, gain=None)
    with pytest.raises(SettingsError, match="gain of the detector must be given"):
        one(frame(1.0), MasterSet(), detector=detector)


@pytest.mark.parametrize(
    ("times", "message"),
    [([1.0, 2.0] * u.m, "converts to s"), ([np.nan, 1.0] * u.s, "must be finite")],
)
def test_exposure_times_must_be_times(times, message):
    with pytest.raises(SettingsError, match=message):
        calibrate_frames(
            [frame(1.0)] * 2,
            MasterSet(),
            detector=DETECTOR,
            exposure_times=times,
            energy=ENERGY,
        )


def test_inputs_are_not_touched():
    masters = flat_masters(master(1.0), bias=master(1000), dark=rate(1.0))
    raw = np.full(SHAPE, 1200, "u2")
    for pixels in (raw, masters.dark.rate, masters.dark.variance, masters.bad):
        pixels.flags.writeable = False
    one(frame(raw), masters)
