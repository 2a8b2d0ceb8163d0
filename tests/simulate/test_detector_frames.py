import dataclasses

import astropy.units as u
import numpy as np
import pytest

from beamreduce.beamline import Detector
from beamreduce.simulate.detector_frames import (
    ArrivingPhotons,
    cosmic_charge_e_per_s,
    expose,
    make_detector,
)
from beamreduce.simulate.scenario_records import SensorAsMade

CHARGE = Detector(
    name="",
    pixel_size=20 * u.um,
    mode="integrating",
    gain=2 * u.electron / u.adu,
    read_noise=0 * u.electron,
    electron_energy=3.65 * u.eV,
    saturation=60_000 * u.adu,
    fano_factor=0.115,
)
SENSOR = SensorAsMade(
    columns=60, rows=40, image_center=(30.0, 20.0), charge_cloud=0.5, bias_level=100 * u.adu
)
PER_PHOTON = 4511 / 3.65 / 2  # adu


def detector(sensor=SENSOR, declared=CHARGE, seed=41, **sensor_changes):
    sensor = dataclasses.replace(sensor, **sensor_changes)
    return make_detector(declared, sensor, np.random.default_rng(seed))


def photons(place_px, energy=4.511):
    place_px = np.array(place_px, dtype=float).reshape(2, -1)
    return ArrivingPhotons(place_px=place_px, energy_kev=np.full(place_px.shape[1], energy))


NONE = photons([])


def test_charge_of_photons_is_kept_and_scatters_by_the_fano_factor():
    camera = detector()
    signals = []
    rng = np.random.default_rng(42)
    for _ in range(400):
        raw = expose(camera, photons(np.full((2, 10), 20.3)), 1.0, rng)
        signals.append((raw - 100.0).sum())
    # Rounding adds 1/12 a pixel where there is charge at all, 49 pixels at most.
    variance = 10 * 0.115 * 4511 / 3.65 / 4
    noise = np.sqrt((variance + 4) / 400)
    assert np.mean(signals) == pytest.approx(10 * PER_PHOTON, abs=4 * noise)
    ratio = np.var(signals) / variance
    assert ratio == pytest.approx(1, abs=4 * np.sqrt(2 / 400) + 4 / variance)


def test_a_cloud_spreads_as_a_gaussian_and_each_pixel_smears():
    camera = detector(charge_cloud=0.6)
    rng = np.random.default_rng(43)
    place = np.array([[30.0], [20.0]]) + rng.uniform(-0.5, 0.5, (2, 4000))
    image = expose(camera, photons(place, energy=0.1), 1.0, rng) - 100.0
    y, x = np.indices(image.shape)
    for axis, middle in ((x, 30), (y, 20)):
        variance = (image * (axis - middle) ** 2).sum() / image.sum()
        # Cloud, even places within the pixel, and the pixel itself.
        assert variance == pytest.approx(0.6**2 + 2 / 12, rel=0.05)


def test_without_a_cloud_all_charge_stays_in_its_pixel():
    image = expose(
        detector(charge_cloud=0.0), photons([[12.4], [7.4]]), 1.0, np.random.default_rng(44)
    )
    assert np.argwhere(image > 100).tolist() == [[7, 12]]


def test_photons_at_and_beyond_the_edge():
    rng = np.random.default_rng(45)
    image = expose(detector(), photons([[-0.5, -20.0, 59.0], [20, 20, 39.4]]), 1.0, rng)
    total = (image - 100.0).sum() / PER_PHOTON
    # Half of the first, none of the second; of the third what lies below 39.5.
    assert total == pytest.approx(0.5 + 0.5793 * 0.8413, abs=0.05)


def test_read_noise_dark_current_and_lamp_have_their_levels():
    declared = dataclasses.replace(CHARGE, read_noise=6 * u.electron)
    camera = detector(
        declared=declared, dark_current=2 * u.electron / u.s, rows=200, columns=200,
        flat_light=500 * u.electron / u.s,
    )  # fmt: skip
    rng = np.random.default_rng(46)
    pixels = 200 * 200
    for time_s, lamp in ((0.0, False), (10.0, False), (10.0, True)):
        raw = expose(camera, NONE, time_s, rng, lamp=lamp).astype(float)
        electrons = 2 * time_s + 500 * time_s * lamp
        variance = (electrons + 36) / 4 + 1 / 12
        assert raw.mean() == pytest.approx(
            100 + electrons / 2, abs=4 * np.sqrt(variance / pixels)
        )
        assert raw.var() == pytest.approx(variance, rel=4 * np.sqrt(2 / pixels))


def test_bad_pixels_are_what_they_are_called():
    camera = detector(
        hot_pixels=20, hot_current=400 * u.electron / u.s, dead_pixels=15, stuck_pixels=4,
        flat_light=1000 * u.electron / u.s,
    )  # fmt: skip
    rng = np.random.default_rng(47)
    dark = expose(camera, NONE, 10.0, rng)
    bias = expose(camera, NONE, 0.0, rng)
    flat = expose(camera, NONE, 10.0, rng, lamp=True)
    assert (bias == 60_000).sum() == 4
    assert ((dark > 400) & (dark < 60_000)).sum() == 20
    assert (flat == 100).sum() == 15


def test_a_pixel_never_reads_more_than_the_limit():
    rng = np.random.default_rng(48)
    raw = expose(detector(), photons(np.full((2, 500), 20.0)), 1.0, rng)
    assert raw.dtype == np.uint16
    assert raw.max() == 60_000


def test_cosmic_rays_leave_the_charge_they_are_said_to():
    camera = detector(rows=400, columns=400, cosmic_rays=60 / (u.cm**2 * u.min))
    assert camera.cosmic_rays_per_s == pytest.approx(0.64)
    rng = np.random.default_rng(49)
    totals = [(expose(camera, NONE, 100.0, rng) - 100.0).sum() * 2 for _ in range(60)]
    expected = cosmic_charge_e_per_s(camera) * 100 * 400 * 400
    noise = np.std(totals) / np.sqrt(60)
    # Tracks that leave a frame this small take some of their charge with them, and
    # rounding leaves out thin parts.
    assert np.mean(totals) == pytest.approx(expected, abs=4 * noise + 0.04 * expected)


@pytest.mark.parametrize(
    ("flipped", "rotation", "pixel"),
    [
        (None, None, (32.0, 21.0)),
        (False, 0 * u.deg, (32.0, 21.0)),
        (True, 0 * u.deg, (28.0, 21.0)),
        # Turned by 90 degrees a pixel (x, y) is at (-y, x) in the mirror's axes.
        (False, 90 * u.deg, (31.0, 18.0)),
        (True, 90 * u.deg, (29.0, 18.0)),
        (True, 180 * u.deg, (32.0, 19.0)),
    ],
)
def test_axes_of_the_detector(flipped, rotation, pixel):
    declared = dataclasses.replace(CHARGE, x_flipped=flipped, rotation=rotation)
    found = detector(declared=declared).to_pixels(np.array([[0.040], [0.020]]))
    assert found[:, 0] == pytest.approx(pixel)


@pytest.mark.parametrize("flipped", [False, True])
@pytest.mark.parametrize("degrees", [0, 25, 90, 200])
def test_flip_then_rotate_leads_back_to_the_mirror(flipped, degrees):
    declared = dataclasses.replace(CHARGE, x_flipped=flipped, rotation=degrees * u.deg)
    place_mm = np.array([[0.31, -0.2], [0.07, 0.5]])
    x, y = (detector(declared=declared).to_pixels(place_mm) - [[30], [20]]) * 0.020
    x = -x if flipped else x
    angle = np.radians(degrees)
    back = [x * np.cos(angle) - y * np.sin(angle), x * np.sin(angle) + y * np.cos(angle)]
    assert np.array(back) == pytest.approx(place_mm)


def test_a_counter_counts_photons():
    declared = Detector(name="", pixel_size=20 * u.um, mode="counting")
    camera = detector(declared=declared, charge_cloud=0.0, dead_pixels=0)
    image = expose(
        camera,
        photons([[3.2, 3.4, 50.0, 80.0], [9.0, 9.3, 0.0, 2.0]]),
        1.0,
        np.random.default_rng(50),
    )
    assert image.sum() == 3
    assert image[9, 3] == 2
    assert image[0, 50] == 1
