import dataclasses

import astropy.units as u
import numpy as np
import pytest

from beamreduce.errors import SettingsError
from beamreduce.frame import DarkRate, MasterFrame, MasterSet
from beamreduce.image import (
    FocalImage,
    PixelFlag,
    peak_occupancy,
    peak_photons,
    pedestal_of,
    safe_exposure_time,
)
from tests.frame.made_frames import COUNTER, DETECTOR, ELECTRONS, ENERGY, GAIN

SHAPE = (101, 111)
Y, X = np.mgrid[: SHAPE[0], : SHAPE[1]]
RADIUS = np.hypot(X - 55.3, Y - 50.6)
FULL = 60000 * GAIN / ELECTRONS  # photons that a pixel holds: 97


def image_of(photons, saturated=None, seconds=10.0):
    flags = np.zeros(SHAPE, dtype=np.uint8)
    if saturated is not None:
        flags[saturated] = PixelFlag.SATURATED
    return FocalImage(
        photons=np.where(flags > 0, 0.0, photons),
        flags=flags,
        noise_variance=0.01,
        variance_per_photon=1.0,
        pixel_size=20 * u.um,
        detector_distance=5.5 * u.m,
        live_time=seconds * u.s,
        energy=ENERGY,
    )


def safe(image, **options):
    options = {
        "detector": DETECTOR,
        "frame_time": 10 * u.s,
        "pedestal": 0 * u.adu,
        **options,
    }
    return safe_exposure_time(image, **options).to_value(u.s)


@pytest.mark.parametrize("level", [0.02, 0.4, 3.0, 200.0])
def test_the_peak_of_even_light_is_its_level(level):
    rng = np.random.default_rng(int(level * 100))
    got = peak_photons(image_of(rng.poisson(level, SHAPE).astype(float)))
    # A box of at least 100 photons where one fits (65 pixels wide at most), and the
    # brightest of up to 11 000 boxes: 4 sigma of its Poisson noise, one for the box.
    photons = max(100.0, level)
    if level < 0.1:
        photons = level * 33**2
    assert level * (1 - 1 / photons**0.5) < got < level * (1 + 5 / photons**0.5)


def test_the_peak_of_an_image_is_that_of_its_core():
    photons = 500 * np.exp(-(RADIUS**2) / 200)
    assert peak_photons(image_of(photons)) == pytest.approx(500, rel=0.01)


def test_bad_pixels_do_not_lower_the_peak():
    flags = np.zeros(SHAPE, dtype=np.uint8)
    flags[50, 55] = PixelFlag.BAD
    image = image_of(np.full(SHAPE, 4.0))
    photons = np.where(flags > 0, 0.0, 4.0)
    holed = dataclasses.replace(image, photons=photons, flags=flags)
    assert peak_photons(holed) == pytest.approx(4.0)


def test_no_photons_have_no_peak():
    assert peak_photons(image_of(np.zeros(SHAPE))) == 0
    assert peak_photons(image_of(np.full(SHAPE, -0.01))) == 0


@pytest.mark.parametrize(
    ("level", "side", "step"), [(200, 1, 1), (8, 3, 1), (3, 5, 1), (0.6, 17, 4)]
)
def test_the_peak_is_the_brightest_box(level, side, step):
    """Box by box, over the good pixels of those with more than three quarters of them."""
    rng = np.random.default_rng(20250311)
    photons = rng.poisson(level, SHAPE).astype(float)
    good = rng.random(SHAPE) > 0.15
    image = dataclasses.replace(
        image_of(np.where(good, photons, 0.0)),
        flags=np.where(good, 0, PixelFlag.BAD).astype(np.uint8),
    )
    means = [
        image.photons[y : y + side, x : x + side].sum() / count
        for y in range(0, SHAPE[0] - side + 1, step)
        for x in range(0, SHAPE[1] - side + 1, step)
        if (count := good[y : y + side, x : x + side].sum()) > 0.75 * side**2
    ]
    assert peak_photons(image) == pytest.approx(max(means), rel=1e-12)


@pytest.mark.parametrize("flags", range(8))
def test_pixels_count_unless_saturated_or_bad_and_not_filled(flags):
    image = image_of(np.zeros(SHAPE))
    image = dataclasses.replace(image, flags=np.full(SHAPE, flags, dtype=np.uint8))
    saturated, bad, filled = (
        bool(flags & flag)
        for flag in (PixelFlag.SATURATED, PixelFlag.BAD, PixelFlag.FILLED)
    )
    assert image.usable.all() == image.usable.any()
    assert image.usable.all() == (not saturated and (filled or not bad))


def test_occupancy_is_for_one_frame():
    image = image_of(np.full(SHAPE, 200.0))
    assert peak_occupancy(image, frames=400) == pytest.approx(0.5)
    with pytest.raises(SettingsError, match="frames must be at least 1; got 0"):
        peak_occupancy(image, frames=0)


def test_safe_time_of_an_image_that_is_not_saturated():
    image = image_of(np.full(SHAPE, 400.0), seconds=100.0)  # 4 photons a second
    # m + 4 √m = 97.1 is met at m = 65.0, below 80 % of 97.1.
    root = -2 + np.sqrt(4 + FULL)
    assert safe(image) == pytest.approx(root**2 / 4)


def test_safe_time_leaves_room_for_the_pedestal():
    image = image_of(np.full(SHAPE, 400.0), seconds=100.0)
    full = FULL * 50000 / 60000
    root = -2 + np.sqrt(4 + full)
    assert safe(image, pedestal=10000 * u.adu) == pytest.approx(root**2 / 4)


def master(level):
    return MasterFrame(
        mean=np.full(SHAPE, level),
        variance=np.zeros(SHAPE),
        count=3,
        without_data=np.zeros(SHAPE, bool),
        name="m.fits",
    )


def test_the_pedestal_is_the_bias_or_else_the_dark_of_the_same_time():
    rate = DarkRate(rate=np.full(SHAPE, 30.0), variance=np.zeros(SHAPE), bias_weight=0.1)
    assert pedestal_of(MasterSet(bias=master(500.0), dark=rate)) == 500 * u.adu
    assert pedestal_of(MasterSet(bias=master(500.0))) == 500 * u.adu
    assert pedestal_of(MasterSet(dark=master(530.0))) == 530 * u.adu
    assert pedestal_of(MasterSet()) == 0 * u.adu


def test_a_few_hot_pixels_do_not_raise_the_pedestal():
    hot = master(500.0)
    hot.mean[:3] = 40000.0
    assert pedestal_of(MasterSet(bias=hot)) == 500 * u.adu


def test_many_photons_to_a_full_pixel_may_fill_four_fifths():
    detector = dataclasses.replace(DETECTOR, saturation=60e6 * u.adu)
    image = image_of(np.full(SHAPE, 400.0), seconds=100.0)
    assert safe(image, detector=detector) == pytest.approx(0.8 * 1000 * FULL / 4)


@pytest.mark.parametrize("width", [4.0, 8.0])
@pytest.mark.parametrize("over", [1.5, 4.0, 10.0])
@pytest.mark.parametrize("shape", ["gaussian", "exponential"])
def test_frames_of_the_safe_time_do_not_saturate(width, over, shape):
    # Truth: peak `over` times what the detector holds in the frame of 10 s.
    profile = RADIUS**2 / (2 * width**2) if shape == "gaussian" else RADIUS / width
    truth = over * FULL * np.exp(-profile)
    rng = np.random.default_rng(int(10 * over + width))
    photons = rng.poisson(truth).astype(float)
    time = safe(image_of(photons, saturated=photons >= FULL))
    assert time * truth.max() / 10 < FULL  # safe, and not absurdly careful:
    assert time * truth.max() / 10 > 0.1 * FULL
    frames = rng.poisson(truth * time / 10, (50, *SHAPE))
    assert np.mean(frames.max(axis=(1, 2)) >= FULL) < 0.1


def test_a_saturated_frame_is_never_called_safe():
    everywhere = np.ones(SHAPE, dtype=bool)
    one = np.zeros(SHAPE, dtype=bool)
    one[50, 55] = True
    for saturated in (everywhere, one):
        assert safe(image_of(np.full(SHAPE, 0.01), saturated=saturated)) < 8.0


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"detector": COUNTER}, "saturation must be declared .* got none"),
        ({"pedestal": 60000 * u.adu}, "saturation must be above the pedestal"),
        ({"frame_time": 0 * u.s}, "frame_time must be above zero"),
        ({"frame_time": 1 * u.m}, "frame_time must have a unit that converts to s"),
    ],
)
def test_bad_settings(change, message):
    with pytest.raises(SettingsError, match=message):
        safe(image_of(np.ones(SHAPE)), **change)


def test_an_empty_image_has_no_safe_time():
    with pytest.raises(SettingsError, match="image must hold photons"):
        safe(image_of(np.zeros(SHAPE)))
