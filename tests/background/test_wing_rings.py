"""Rings by the middles of pixels."""

import numpy as np
import pytest

from beamreduce.background import Background, Polynomial, from_exposure
from beamreduce.background.wing_rings import wing_rings
from beamreduce.image import PixelFlag
from tests.background.images import distances, photon_image


def test_rings_hold_every_photon_once_and_leave_out_flagged_pixels():
    rng = np.random.default_rng(21)
    flags = np.zeros((61, 61), np.uint8)
    flags[10, 12] = PixelFlag.BAD
    flags[40, 50] = PixelFlag.BAD | PixelFlag.FILLED
    noise = rng.uniform(0, 1, (61, 61))
    image = photon_image(rng.poisson(2, (61, 61)), flags=flags, noise=noise)
    rings = wing_rings(image, center_xy=(30, 30), outer_px=None)
    plain = flags == 0
    assert rings.photons.sum() == image.photons[plain].sum()
    assert rings.area_px.sum() == plain.sum()
    assert rings.noise.sum() == pytest.approx(noise[plain].sum())
    assert rings.templates.shape == (0, rings.radius_px.size)


def test_a_linear_gradient_cancels_in_every_ring_corners_included():
    # Center on a pixel's middle, off the middle of the frame: every pixel counted has
    # its opposite, so an odd function sums to nothing (derived).
    rows, columns = np.indices((60, 80))
    photons = 3 + 0.02 * (columns - 30) - 0.03 * (rows - 25)
    rings = wing_rings(photon_image(photons), center_xy=(30, 25), outer_px=None)
    np.testing.assert_allclose(rings.photons, 3 * rings.area_px, rtol=1e-12)
    assert rings.area_px.sum() == 61 * 51
    assert rings.radius_px[-1] == pytest.approx(np.hypot(30, 25))


def test_a_center_between_pixels_lets_hardly_any_gradient_through():
    rows, columns = np.indices((60, 80))
    photons = 3 + 0.02 * (columns - 30.4) - 0.03 * (rows - 25.3)
    rings = wing_rings(photon_image(photons), center_xy=(30.4, 25.3), outer_px=None)
    assert rings.area_px.sum() == pytest.approx(2 * 30.9 * 2 * 25.8)
    # A border pixel's middle is up to 1/8 of a pixel (w(1−w)/2) from where its share
    # lies, in one of some fifty columns and rows (derived).
    let_through = 0.02 / 8 / 62 + 0.03 / 8 / 52
    mean = rings.photons.sum() / rings.area_px.sum()
    assert mean == pytest.approx(3.0, abs=let_through)


def test_an_outer_radius_ends_the_rings():
    rings = wing_rings(photon_image(np.ones((61, 61))), center_xy=(30, 30), outer_px=20)
    assert rings.area_px.sum() == np.count_nonzero(distances((61, 61), (30, 30)) < 20)


def test_a_known_background_is_taken_off_and_its_modes_become_templates():
    rng = np.random.default_rng(22)
    beam_off = photon_image(rng.poisson(4, (41, 41)))
    known = from_exposure(beam_off, scale=0.25, scale_uncertainty=0.01)
    image = photon_image(rng.poisson(2, (41, 41)))
    rings = wing_rings(image, center_xy=(20, 20), outer_px=None, known=known)
    np.testing.assert_allclose(rings.known.sum(), 0.25 * beam_off.photons.sum())
    np.testing.assert_allclose(
        rings.photons.sum(), image.photons.sum() - 0.25 * beam_off.photons.sum()
    )
    np.testing.assert_allclose(rings.templates[0], rings.known * 0.01 / 0.25)
    np.testing.assert_allclose(rings.noise, 0.25 * rings.known)


def test_joined_rings_are_wide_and_expect_25_photons():
    rng = np.random.default_rng(23)
    level = 0.1
    image = photon_image(rng.poisson(level, (301, 301)))
    far = wing_rings(image, center_xy=(150, 150), outer_px=None).beyond(30.0)
    starts = far.joined()
    radii = far.radius_px[starts]
    assert radii[0] == pytest.approx(30, abs=0.5)
    assert np.all(radii[1:] / radii[:-1] >= 1.06)
    areas = np.add.reduceat(far.area_px, starts)[:-1]
    # The mean that sets the widths is itself known to about a per cent.
    assert areas.min() * level > 25 * 0.95


def test_sparse_rings_are_joined_to_no_fewer_than_eight_or_so():
    photons = np.zeros((101, 101))
    photons[::20, ::20] = 1
    far = wing_rings(photon_image(photons), center_xy=(50, 50), outer_px=None).beyond(20)
    assert far.photons.sum() < 50
    assert 6 <= far.joined().size <= 9


def known_by(method):
    plane = Polynomial(np.array([[1.0, 0.2]]), (41, 41))
    return Background(method=method, level=plane, modes=(plane,), model_modes=(plane,))


@pytest.mark.parametrize(
    ("method", "free", "templates"),
    [("exposure", 0, 2), ("none", 0, 2), ("annulus", 1, 0), ("wings", 1, 0),
     ("surface", 2, 0)],
)  # fmt: skip
def test_a_level_from_the_image_itself_is_free_and_one_known_apart_is_not(
    method, free, templates
):
    image = photon_image(np.ones((41, 41)))
    rings = wing_rings(image, center_xy=(20, 20), outer_px=None, known=known_by(method))
    assert len(rings.free) == free
    assert len(rings.templates) == templates
    np.testing.assert_allclose(rings.photons + rings.known, rings.area_px)
    for shape in rings.free[:1]:
        np.testing.assert_array_equal(shape, rings.area_px)


def test_without_any_background_a_flat_level_is_free():
    image = photon_image(np.ones((41, 41)))
    rings = wing_rings(image, center_xy=(20, 20), outer_px=None)
    np.testing.assert_array_equal(rings.free, [rings.area_px])
