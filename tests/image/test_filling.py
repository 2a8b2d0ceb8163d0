import astropy.units as u
import numpy as np
import pytest

from beamreduce.errors import MeasurementError
from beamreduce.image import FocalImage, PixelFlag, fill_bad_pixels, filled_fraction

SHAPE = (120, 130)
CENTER = (64.3, 58.8)
Y, X = np.mgrid[: SHAPE[0], : SHAPE[1]]
RADIUS = np.hypot(X - CENTER[0], Y - CENTER[1])


def image_of(photons, bad, noise=0.01, saturated=None):
    flags = np.where(bad, np.uint8(PixelFlag.BAD), np.uint8(0))
    if saturated is not None:
        flags[saturated] = PixelFlag.SATURATED
    return FocalImage(
        photons=np.where(flags > 0, 0.0, photons),
        flags=flags,
        noise_variance=noise,
        variance_per_photon=1.0,
        pixel_size=20 * u.um,
        detector_distance=5.5 * u.m,
        live_time=10 * u.s,
    )


def scattered(share, seed=1):
    return np.random.default_rng(seed).random(SHAPE) < share


def fill(image, **options):
    return fill_bad_pixels(image, CENTER, limit=1.0, **options)


def test_a_flat_image_is_restored_exactly():
    bad = scattered(0.05)
    got = fill(image_of(np.full(SHAPE, 3.0), bad))
    np.testing.assert_allclose(got.photons, 3.0)
    assert np.array_equal(got.flags[bad] & PixelFlag.FILLED > 0, np.ones(bad.sum(), bool))
    assert np.array_equal(got.usable, np.ones(SHAPE, bool))
    assert not got.flags[~bad].any()


def test_profile_of_a_round_image_is_kept():
    photons = 1000 * np.exp(-RADIUS / 12)
    bad = scattered(0.03)
    got = fill(image_of(photons, bad))
    error = (got.photons - photons)[bad] / photons[bad]
    # Ring of ±1 pixel: the curvature of the profile adds (1/12)²·⟨Δr²⟩/2 = 0.1 %, the
    # few pixels of an arc do not lie evenly in the ring (1/12 · 0.6/√20 = 1 % each).
    assert np.abs(error.mean()) < 0.005
    assert np.abs(error).max() < 0.08


def test_a_quadrant_is_filled_from_its_own_azimuth():
    photons = np.where((CENTER[0] < X) & (CENTER[1] < Y), 100 * np.exp(-RADIUS / 15), 0.0)
    bad = np.zeros(SHAPE, dtype=bool)
    bad[80, 90] = bad[80, 30] = bad[30, 90] = True  # inside, and two mirror images
    got = fill(image_of(photons, bad))
    assert got.photons[80, 90] == pytest.approx(photons[80, 90], rel=0.03)
    assert got.photons[80, 30] == 0
    assert got.photons[30, 90] == 0


@pytest.mark.parametrize("level", [0.02, 0.1, 0.4, 2.0])
def test_sparse_photons_are_filled_without_bias(level):
    rng = np.random.default_rng(int(1000 * level))
    bad = scattered(0.02)
    sums = []
    for _ in range(200):
        photons = rng.poisson(level, SHAPE).astype(float)
        sums.append(fill(image_of(photons, bad)).photons[bad].sum())
    error = np.std(sums, ddof=1) / np.sqrt(len(sums))
    assert abs(np.mean(sums) - level * bad.sum()) < 4 * error


@pytest.mark.parametrize("share", [0.01, 0.05, 0.1])
def test_variance_of_sums_with_filled_pixels_is_exact_to_first_order(share):
    # Filling is linear: the weight of each good pixel in a sum is found by a photon in
    # it, and the variance of the sum is that of the pixels times the weights squared.
    part = np.s_[38:82, 43:87]
    bad, inside, center = scattered(share)[part], RADIUS[part] < 18, (21.3, 20.8)

    def filled_sum(photons):
        image = image_of(photons, bad, noise=1.0)
        got = fill_bad_pixels(image, center, limit=1.0)
        return got.photons[inside].sum(), got.noise_variance[inside].sum()

    nothing, stated = filled_sum(np.zeros(bad.shape))
    assert nothing == 0
    exact = 0.0
    for at in np.argwhere(~bad):
        one = np.zeros(bad.shape)
        one[tuple(at)] = 1.0
        exact += filled_sum(one)[0] ** 2
    # Left out: filled pixels that share neighbours (share²), that reach over the edge of
    # the circle (a tenth of the pixels here), and 1/m of the mean itself.
    assert stated == pytest.approx(exact, rel=0.2 * share + share**2)
    assert exact > inside.sum() * (1 + 0.5 * share)


def test_variance_of_sums_with_filled_pixels_is_that_of_repeats():
    rng = np.random.default_rng(5)
    part = np.s_[28:90, 33:95]
    bad, inside = scattered(0.1)[part], RADIUS[part] < 27
    sums, stated = [], []
    for _ in range(600):
        photons = rng.poisson(1.0, bad.shape) + rng.normal(0, 0.3, bad.shape)
        image = image_of(photons, bad, noise=0.09)
        got = fill_bad_pixels(image, (31.3, 30.8), limit=1.0)
        sums.append(got.photons[inside].sum())
        stated.append(np.sum(got.photons[inside] + got.noise_variance[inside]))
    # 600 repeats know the variance to 5.8 %, taken three times.
    assert np.mean(stated) == pytest.approx(np.var(sums, ddof=1), rel=3 * 0.058)


def test_saturated_pixels_are_never_filled_nor_used():
    photons = np.full(SHAPE, 3.0)
    saturated = RADIUS < 5
    bad = np.zeros(SHAPE, dtype=bool)
    bad[59, 70] = bad[59, 64] = True
    got = fill(image_of(photons, bad & ~saturated, saturated=saturated))
    assert (got.flags[saturated] == PixelFlag.SATURATED).all()
    assert not got.photons[saturated].any()
    assert got.photons[59, 70] == pytest.approx(3.0)


def test_pixels_without_good_neighbours_stay_bad():
    bad = (X > 80) & (Y > 70)
    got = fill(image_of(np.full(SHAPE, 3.0), bad))
    assert got.flags[100, 110] == PixelFlag.BAD
    assert got.photons[100, 110] == 0
    assert not got.usable[100, 110]
    assert got.flags[71, 81] & PixelFlag.FILLED


def test_a_better_center_fills_anew():
    photons = 1000 * np.exp(-RADIUS / 12)
    bad = scattered(0.03)
    first = fill_bad_pixels(image_of(photons, bad), (60.0, 60.0), limit=1.0)
    again = fill(first)
    np.testing.assert_array_equal(again.photons, fill(image_of(photons, bad)).photons)
    once = fill(image_of(photons, bad)).noise_variance
    np.testing.assert_allclose(again.noise_variance, once, rtol=1e-12)


def test_an_image_without_bad_pixels_is_returned_as_it_is():
    image = image_of(np.ones(SHAPE), np.zeros(SHAPE, dtype=bool))
    assert fill_bad_pixels(image, CENTER, limit=0.0) is image


def test_the_input_is_not_touched():
    image = image_of(np.ones(SHAPE), scattered(0.05))
    image.photons.flags.writeable = False
    image.flags.flags.writeable = False
    fill(image)


def test_the_filled_fraction_is_that_of_the_photons_in_the_circle():
    photons = np.where(RADIUS < 20, 10.0, 0.0)
    bad = np.zeros(SHAPE, dtype=bool)
    bad[58, 64] = bad[55, 60] = bad[100, 20] = True
    got = fill(image_of(photons, bad))
    total = photons.sum()
    assert filled_fraction(got, CENTER) == pytest.approx(20 / total)
    assert filled_fraction(got, CENTER, radius=0.2 * u.mm) == pytest.approx(
        2 / (RADIUS <= 10).sum()
    )
    assert filled_fraction(image_of(photons, bad), CENTER) == 0


def test_without_photons_it_is_that_of_the_pixels():
    got = fill(image_of(np.zeros(SHAPE), scattered(0.05)))
    assert filled_fraction(got, CENTER) == pytest.approx(scattered(0.05).mean())


def test_too_much_filled_is_refused():
    bad = (np.abs(X - 64) < 2) & (np.abs(Y - 59) < 3)
    photons = 100 * np.exp(-RADIUS / 5)
    image = image_of(photons, bad)
    message = (
        r"at most 0\.05 of the photons; found 0\.\d+ within 0\.1 mm .* filled_fraction"
    )
    with pytest.raises(MeasurementError, match=message):
        fill_bad_pixels(image, CENTER, limit=0.05, radius=0.1 * u.mm)
    with pytest.raises(MeasurementError, match=r"found 0\.\d+ in the image"):
        fill_bad_pixels(image, CENTER, limit=0.01)
