"""The mean of an annulus: which pixels, which error, what is refused."""

import math

import astropy.units as u
import numpy as np
import pytest

from beamreduce.background import from_annulus
from beamreduce.errors import MeasurementError, SettingsError
from beamreduce.image import PixelFlag
from tests.background.images import PIXEL, distances, flat_value, photon_image

CENTER = (15.0, 15.0)


def annulus(image, inner, outer=None, center=CENTER):
    return from_annulus(
        image,
        center_xy=center,
        inner=inner * PIXEL,
        outer=None if outer is None else outer * PIXEL,
    )


def test_level_is_the_plain_mean_and_its_error_the_counting_formula():
    rng = np.random.default_rng(20250101)
    photons = rng.poisson(0.3, (31, 31))
    background = annulus(photon_image(photons, noise=0.04, per_photon=1.2), 6, 12)
    r = distances((31, 31), CENTER)
    inside = (r >= 6) & (r < 12)
    total, area = photons[inside].sum(), inside.sum()
    assert flat_value(background.level) == pytest.approx(total / area, rel=1e-14)
    # √(v N + noise)/area, derived.
    wanted = math.sqrt(1.2 * total + 0.04 * area) / area
    assert flat_value(background.modes[0]) == pytest.approx(wanted, rel=1e-12)
    assert background.photon_variance == 0.0
    assert background.method == "annulus"


@pytest.mark.parametrize(
    "flag", [PixelFlag.BAD, PixelFlag.SATURATED, PixelFlag.BAD | PixelFlag.FILLED]
)
def test_flagged_pixels_do_not_count(flag):
    photons = np.ones((31, 31))
    flags = np.zeros((31, 31), np.uint8)
    photons[15, 25] = 1000.0
    flags[15, 25] = flag
    assert flat_value(annulus(photon_image(photons, flags=flags), 6, 12).level) == 1.0


def test_without_outer_radius_the_largest_circle_is_used_and_a_gradient_cancels():
    # 1 + a x + b y about the center: odd in the offset, so its mean over whole circles
    # about a pixel's middle is 1 exactly.
    rows, columns = np.indices((31, 41))
    photons = 1 + 0.01 * (columns - 12) - 0.02 * (rows - 15)
    background = annulus(photon_image(photons), 5, center=(12.0, 15.0))
    assert flat_value(background.level) == pytest.approx(1.0, abs=1e-12)
    r = distances((31, 41), (12.0, 15.0))
    assert f"{np.count_nonzero((r >= 5) & (r < 12.5))} pixels" in str(background.notes)


def test_turning_the_frame_changes_nothing():
    photons = np.random.default_rng(4).poisson(0.2, (31, 31))
    first = annulus(photon_image(photons), 5, 13, center=(14.0, 17.0))
    # A quarter turn takes (x, y) to (y, 30 − x).
    turned = annulus(photon_image(np.rot90(photons)), 5, 13, center=(17.0, 16.0))
    assert flat_value(first.level) == flat_value(turned.level)


def test_an_empty_annulus_has_the_error_of_one_photon():
    background = annulus(photon_image(np.zeros((31, 31))), 6, 12)
    area = np.count_nonzero((distances((31, 31), CENTER) // 6) == 1)
    assert flat_value(background.level) == 0.0
    assert flat_value(background.modes[0]) == pytest.approx(1 / area)


def test_an_annulus_that_is_not_flat_gets_a_larger_error_and_a_note():
    rng = np.random.default_rng(20250102)
    expected = np.full((200, 200), 0.5)
    expected[:, 100:] = 1.5
    image = photon_image(rng.poisson(expected))
    uneven = annulus(image, 40, center=(99.5, 99.5))
    assert "not flat" in uneven.notes["background_fit"]
    assert flat_value(uneven.model_modes[0]) > flat_value(uneven.modes[0])
    even = annulus(photon_image(rng.poisson(1.0, (200, 200))), 40, center=(99.5, 99.5))
    assert even.model_modes == ()
    assert "chi-square" in even.notes["background_fit"]


def test_an_annulus_without_width_is_refused():
    image = photon_image(np.ones((31, 31)))
    with pytest.raises(SettingsError, match=r"outer above inner.*0\.24 mm and 0\.2 mm"):
        annulus(image, 12, 10)
    with pytest.raises(SettingsError, match=r"largest circle .*set annulus_inner lower"):
        annulus(image, 16)


def test_an_annulus_of_bad_pixels_is_refused():
    flags = np.full((31, 31), PixelFlag.BAD, np.uint8)
    image = photon_image(np.zeros((31, 31)), flags=flags)
    with pytest.raises(MeasurementError, match="no usable pixel"):
        annulus(image, 6, 12)


def test_radii_need_a_length_and_the_center_must_lie_in_the_frame():
    image = photon_image(np.ones((31, 31)))
    with pytest.raises(SettingsError, match=r"inner radius .* must have a unit"):
        from_annulus(image, center_xy=CENTER, inner=6)
    with pytest.raises(SettingsError, match=r"inner radius .* converts to mm"):
        from_annulus(image, center_xy=CENTER, inner=6 * u.s)
    with pytest.raises(SettingsError, match=r"center_xy must lie in the frame.*\(40, 15\)"):
        from_annulus(image, center_xy=(40, 15), inner=2 * PIXEL, outer=8 * PIXEL)
    with pytest.raises(SettingsError, match="center_xy must lie in the frame"):
        from_annulus(image, center_xy=(np.nan, 15), inner=2 * PIXEL, outer=8 * PIXEL)
