import dataclasses
import tracemalloc

import astropy.units as u
import numpy as np
import pytest

from beamreduce.campaign import CalibratedBy
from beamreduce.errors import FrameError, SettingsError
from beamreduce.frame import FrameSettings, MasterCache, calibrate_frame, sum_exposures
from beamreduce.frame.matched_masters import gather_masters
from beamreduce.frame.read_fits import read_frame
from tests.frame.made_frames import (
    COUNTER,
    DETECTOR,
    ENERGY,
    Camera,
    plain,
    write,
    write_all,
)

SHAPE = (48, 56)


@pytest.fixture
def camera():
    response = np.random.default_rng(1).normal(1, 0.03, SHAPE)
    return Camera(shape=SHAPE, dark_rate=3.0, response=response)


@pytest.fixture
def group(tmp_path, camera):
    """Frames of different times that share bias, darks and flats."""
    raw = camera.frame
    bias = write_all(tmp_path, "bias", [raw() for _ in range(4)], seconds=0, kind="bias")
    dark = write_all(
        tmp_path, "dark", [raw(seconds=50) for _ in range(4)], seconds=50, kind="dark"
    )
    flat = write_all(
        tmp_path, "flat", [raw(light=5e4) for _ in range(3)], seconds=1, kind="flat"
    )
    beam = [
        write(tmp_path, f"beam-{t}.fits", raw(seconds=t, photons=t / 10), seconds=t)
        for t in (5, 10, 20)
    ]
    return tuple(
        CalibratedBy(exposure=b, bias=bias, dark=dark, flat=flat, dark_use="rate")
        for b in beam
    )


def total(group, folder, **options):
    return sum_exposures(group, folder=folder, detector=DETECTOR, **options)


def test_the_sum_is_that_of_frames_calibrated_one_by_one(tmp_path, group):
    masters = gather_masters(group[0], folder=tmp_path, detector=DETECTOR)
    parts = [
        calibrate_frame(
            read_frame(tmp_path / item.exposure.file),
            masters,
            detector=DETECTOR,
            exposure_time=item.exposure.exposure_time,
            energy=ENERGY,
        ).photons
        for item in group
    ]
    got = total(group, tmp_path)
    np.testing.assert_allclose(got.photons, sum(parts), atol=1e-9)
    assert got.count == 3


def test_the_order_of_exposures_changes_nothing(tmp_path, group):
    one, other = total(group, tmp_path), total(group[::-1], tmp_path)
    np.testing.assert_allclose(one.photons, other.photons, atol=1e-12)
    np.testing.assert_allclose(one.noise_variance, other.noise_variance, rtol=1e-12)


def test_darks_of_the_same_time_may_differ_within_a_measurement(tmp_path, camera):
    raw = camera.frame
    flat = write_all(
        tmp_path, "flat", [raw(light=5e4) for _ in range(3)], seconds=1, kind="flat"
    )
    flat_dark = write_all(
        tmp_path, "fd", [raw(seconds=1) for _ in range(3)], seconds=1, kind="dark"
    )
    group = []
    for time in (5, 20):
        dark = write_all(
            tmp_path,
            f"dark{time}",
            [raw(seconds=time) for _ in range(4)],
            seconds=time,
            kind="dark",
        )
        beam = write(
            tmp_path, f"b{time}.fits", raw(seconds=time, photons=time / 10), seconds=time
        )
        group.append(
            CalibratedBy(
                exposure=beam,
                dark=dark,
                flat=flat,
                dark_use="same_time",
                flat_dark=flat_dark,
            )
        )
    got = total(group, tmp_path)
    parts = [total([item], tmp_path) for item in group]
    np.testing.assert_allclose(got.photons, parts[0].photons + parts[1].photons, atol=1e-9)
    # The flat is the same for both: its errors add before they are squared.
    masters = gather_masters(group[0], folder=tmp_path, detector=DETECTOR)
    relative = masters.flat.variance / masters.flat.mean**2
    cross = 2 * parts[0].photons * parts[1].photons * relative
    np.testing.assert_allclose(
        got.noise_variance,
        parts[0].noise_variance + parts[1].noise_variance + cross,
        rtol=1e-6,
        atol=1e-12,
    )


def test_a_frame_of_another_shape_names_both_files(tmp_path, group):
    odd = write(tmp_path, "odd.fits", np.ones((5, 6), "u2"), seconds=5)
    rows = (*group, dataclasses.replace(group[0], exposure=odd))
    with pytest.raises(FrameError, match=r"odd\.fits: found 6 x 5 .* like beam-5\.fits"):
        total(rows, tmp_path)


def test_a_frame_of_another_shape_with_other_masters_names_both_files(tmp_path, group):
    odd = write(tmp_path, "odd.fits", np.ones((5, 6), "u2"), seconds=5)
    with pytest.raises(FrameError, match=r"odd\.fits: found 6 x 5 .* like beam-5\.fits"):
        total((*group, *plain(odd)), tmp_path)


def test_an_exposure_of_zeros_is_refused(tmp_path):
    rows = plain(write(tmp_path, "zero.fits", np.zeros(SHAPE, "u2")))
    with pytest.raises(FrameError, match=r"zero\.fits: found zero in every pixel"):
        total(rows, tmp_path)


def test_a_counter_may_count_nothing(tmp_path):
    rows = plain(write(tmp_path, "zero.fits", np.zeros(SHAPE, "u2"), energy=None))
    got = sum_exposures(rows, folder=tmp_path, detector=COUNTER)
    assert not got.photons.any()


def test_a_counter_behind_a_hole_has_no_frame(tmp_path, group):
    exposure = dataclasses.replace(group[0].exposure, file="", counts=100.0)
    with pytest.raises(FrameError, match=r"exposure beam-5: found no file .*of a counter"):
        total(plain(exposure), tmp_path)


def test_nothing_to_sum_is_an_error(tmp_path):
    with pytest.raises(FrameError, match="at least one exposure to sum; got none"):
        total((), tmp_path)


def test_frames_of_no_energy_take_the_one_they_are_given(tmp_path, camera):
    rows = plain(write(tmp_path, "off.fits", camera.frame(), kind="background"))
    with pytest.raises(SettingsError, match="energy must be given"):
        total(rows, tmp_path)
    low = total(rows, tmp_path, settings=FrameSettings(energy=2 * u.keV)).photons
    high = total(rows, tmp_path, settings=FrameSettings(energy=4 * u.keV)).photons
    np.testing.assert_allclose(low, 2 * high)


class TestCosmicRays:
    REPEATS = FrameSettings(cosmic_rays="repeats")

    @pytest.fixture
    def stacks(self, tmp_path):
        """Ten frames, and the same with hits in three pixels."""
        camera = Camera(shape=SHAPE)
        clean = [camera.frame(photons=1.5) for _ in range(10)]
        hit = [pixels.copy() for pixels in clean]
        hit[3][10, 11] += np.uint16(20000)
        hit[3][12, 40] += np.uint16(30000)
        hit[8][30, 30] += np.uint16(15000)
        return (
            plain(*write_all(tmp_path, "clean", clean)),
            plain(*write_all(tmp_path, "hit", hit)),
        )

    def test_off_by_default(self, tmp_path, stacks):
        clean, hit = (total(rows, tmp_path).photons for rows in stacks)
        assert (hit - clean)[10, 11] == pytest.approx(20000 * 2 / (4511 / 3.65))

    def test_hit_frames_are_left_out_pixel_by_pixel(self, tmp_path, stacks):
        clean, hit = (
            total(rows, tmp_path, settings=self.REPEATS).photons for rows in stacks
        )
        plain_sum = total(stacks[0], tmp_path).photons
        np.testing.assert_array_equal(clean, plain_sum)
        changed = np.argwhere(hit != plain_sum).tolist()
        assert changed == [[10, 11], [12, 40], [30, 30]]
        for y, x in changed:
            # One frame of ten is missing and made up for by the others.
            left_out = read_frame(tmp_path / stacks[0][3 if y < 20 else 8].exposure.file)
            photon = left_out.pixels[y, x] * 2 / (4511 / 3.65)
            expected = (plain_sum[y, x] - photon) / 0.9
            assert hit[y, x] == pytest.approx(expected, rel=0.02)

    def test_never_for_a_counter(self, tmp_path, stacks):
        with pytest.raises(
            SettingsError, match="cosmic_rays must be 'none' for a counting"
        ):
            sum_exposures(
                stacks[0], folder=tmp_path, detector=COUNTER, settings=self.REPEATS
            )

    def test_unknown_choice(self):
        with pytest.raises(SettingsError, match="cosmic_rays must be one of none, repeats"):
            FrameSettings(cosmic_rays="median")


def test_memory_is_flat_in_the_number_of_frames_and_below_twelve_of_them(tmp_path):
    shape = (512, 512)
    camera = Camera(shape=shape, dark_rate=2.0)
    raw = camera.frame
    bias = write_all(tmp_path, "bias", [raw() for _ in range(3)], seconds=0, kind="bias")
    dark = write_all(
        tmp_path, "dark", [raw(seconds=50) for _ in range(3)], seconds=50, kind="dark"
    )
    flat = write_all(
        tmp_path, "flat", [raw(light=5e4) for _ in range(3)], seconds=1, kind="flat"
    )
    beam = write_all(
        tmp_path, "beam", [raw(seconds=10, photons=0.2) for _ in range(4)], seconds=10
    )
    rows = [
        CalibratedBy(exposure=b, bias=bias, dark=dark, flat=flat, dark_use="rate")
        for b in beam
    ]
    total(rows, tmp_path)  # compiled and imported

    def peak_frames(group):
        tracemalloc.start()
        sum_exposures(group, folder=tmp_path, detector=DETECTOR, cache=MasterCache())
        peak = tracemalloc.get_traced_memory()[1]
        tracemalloc.stop()
        return peak / (8 * np.prod(shape))

    few, many = peak_frames(rows[:2]), peak_frames(rows * 8)
    assert many < 12
    assert many < few + 0.5
