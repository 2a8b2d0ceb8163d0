import dataclasses

import astropy.units as u
import numpy as np
import pytest

from beamreduce.campaign import read_campaign
from beamreduce.errors import FrameError
from beamreduce.frame import FrameSettings, MasterCache
from beamreduce.image import PixelFlag, calibrate_group, fill_bad_pixels
from tests import folders
from tests.frame.made_frames import COUNTER, DETECTOR, ENERGY, FANO, Camera, plain, write

SHAPE = (40, 50)


def test_a_campaign_folder_gives_photons(tmp_path):
    campaign = read_campaign(folders.write_campaign(tmp_path / "c"))
    inputs = campaign.measurements[0]
    image = calibrate_group(inputs.beam, folder=campaign.folder, detector=inputs.detector)
    pixels = np.prod(folders.SHAPE)
    expected = 2 * (folders.PHOTONS_PER_FRAME + folders.BACKGROUND_PER_PIXEL * pixels)
    # Poisson, and the masters (two bias frames and two darks) in every pixel.
    sigma = np.sqrt(expected + image.noise_variance.sum())
    assert abs(image.photons.sum() - expected) < 4 * sigma
    assert image.live_time == 20 * u.s
    assert image.energy == inputs.energy
    assert image.detector_distance == inputs.detector_distance
    assert image.pixel_size == inputs.detector.pixel_size
    assert image.variance_per_photon == pytest.approx(1 + 0.115 * 3.65 / 4511)
    assert not image.flags.any()


def test_backgrounds_without_distance_or_energy(tmp_path):
    campaign = read_campaign(folders.write_campaign(tmp_path / "c"))
    inputs = campaign.measurements[0]
    off = calibrate_group(
        inputs.background,
        folder=campaign.folder,
        detector=inputs.detector,
        settings=FrameSettings(energy=inputs.energy),
    )
    level = 2 * folders.BACKGROUND_PER_PIXEL
    sigma = np.sqrt(level * off.photons.size + off.noise_variance.sum()) / off.photons.size
    assert off.photons.mean() == pytest.approx(level, abs=4 * sigma)
    assert off.energy == inputs.energy
    assert off.detector_distance is None


def test_bad_and_saturated_pixels_are_flagged_and_zero(tmp_path):
    camera = Camera(shape=SHAPE)
    frames = [camera.frame(photons=2.0).astype("f4") for _ in range(3)]
    frames[1][5, 6] = 65000
    frames[2][8, 9] = np.nan
    frames[0][8, 9] = 65000
    rows = [write(tmp_path, f"f{i}.fits", pixels) for i, pixels in enumerate(frames)]
    image = calibrate_group(plain(*rows), folder=tmp_path, detector=DETECTOR)
    assert image.flags[5, 6] == PixelFlag.SATURATED
    assert image.flags[8, 9] == PixelFlag.BAD
    assert np.count_nonzero(image.flags) == 2
    assert not image.photons[image.flags > 0].any()
    filled = fill_bad_pixels(image, (20, 20), limit=0.05)
    assert filled.flags[5, 6] == PixelFlag.SATURATED
    assert filled.flags[8, 9] == PixelFlag.BAD | PixelFlag.FILLED


def test_a_core_saturated_in_every_frame_is_saturated_not_bad(tmp_path):
    y, x = np.ogrid[: SHAPE[0], : SHAPE[1]]
    core = 400 * np.exp(-((x - 25) ** 2 + (y - 20) ** 2) / 20)
    camera = Camera(shape=SHAPE)
    rows = [
        write(tmp_path, f"f{i}.fits", camera.frame(photons=core)) for i in range(60)
    ]  # as many as it takes to tell a steady pixel
    image = calibrate_group(plain(*rows), folder=tmp_path, detector=DETECTOR)
    assert image.saturated[20, 25]
    assert not (image.flags & PixelFlag.BAD).any()


def test_dead_time_shortens_the_live_time(tmp_path):
    row = write(tmp_path, "f.fits", Camera(shape=SHAPE).frame(), dead_time_fraction=0.1)
    image = calibrate_group(plain(row), folder=tmp_path, detector=DETECTOR)
    assert image.live_time.to_value(u.s) == pytest.approx(9.0)


def test_a_counter(tmp_path):
    counts = np.random.default_rng(3).poisson(0.1, SHAPE).astype("u2")
    rows = [write(tmp_path, f"c{i}.fits", counts, energy=ENERGY) for i in range(2)]
    image = calibrate_group(plain(*rows), folder=tmp_path, detector=COUNTER)
    np.testing.assert_array_equal(image.photons, 2.0 * counts)
    assert image.variance_per_photon == 1.0
    assert not image.noise_variance.any()


def test_an_unreadable_frame_is_named(tmp_path):
    row = write(tmp_path, "f.fits", Camera(shape=SHAPE).frame())
    (tmp_path / "f.fits").write_bytes(b"")
    with pytest.raises(FrameError, match=r"f\.fits: found an empty file"):
        calibrate_group(plain(row), folder=tmp_path, detector=DETECTOR)


def test_masters_are_made_once_for_beam_and_background(tmp_path):
    campaign = read_campaign(folders.write_campaign(tmp_path / "c"))
    inputs, cache = campaign.measurements[0], MasterCache()
    options = {"folder": campaign.folder, "detector": inputs.detector, "masters": cache}
    first = calibrate_group(inputs.beam, **options)
    for exposure in (*inputs.beam[0].bias, *inputs.beam[0].dark):
        (campaign.folder / exposure.file).unlink()
    second = calibrate_group(inputs.beam, **options)
    np.testing.assert_array_equal(first.photons, second.photons)


def test_fano_noise_is_that_of_the_detector(tmp_path):
    detector = dataclasses.replace(DETECTOR, fano_factor=0.5)
    row = write(tmp_path, "f.fits", Camera(shape=SHAPE).frame())
    image = calibrate_group(plain(row), folder=tmp_path, detector=detector)
    assert image.variance_per_photon == pytest.approx(1 + 0.5 * 3.65 / 4511)
    assert FANO != 0.5
