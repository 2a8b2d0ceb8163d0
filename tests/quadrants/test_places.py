"""Place and shape of an image: the mirror's frame, and errors against repeats."""

from types import SimpleNamespace

import astropy.units as u
import numpy as np
import pytest

from beamreduce.image import centroid
from beamreduce.quadrants import quadrant_image, shape_of
from tests.made_images import DISTANCE_MM, PIXEL_MM, focal_image, photons_on_pixels

SHAPE, XY = (121, 121), np.array([60.3, 58.8])
LONG_PX, SHORT_PX, AZIMUTH_DEG = 9.0, 4.0, 30.0
PHOTONS, REPEATS = 3000, 200


def inputs_of(*, x_flipped=None, rotation=None):
    """What of a measurement is read here."""
    detector = SimpleNamespace(
        x_flipped=x_flipped, rotation=rotation, pixel_size=PIXEL_MM * u.mm
    )
    row = SimpleNamespace(exposure=SimpleNamespace(detector_x=None, detector_y=None))
    return SimpleNamespace(
        detector=detector,
        aperture="Q1",
        id="one",
        detector_distance=DISTANCE_MM * u.mm,
        energy=4.5 * u.keV,
        beam=(row,),
    )


def drawn(rng, photons=PHOTONS):
    """An ellipse of photons whose longest axis points to 30°."""
    along, aside = rng.normal(0, LONG_PX, photons), rng.normal(0, SHORT_PX, photons)
    azimuth = np.deg2rad(AZIMUTH_DEG)
    x = XY[0] + along * np.cos(azimuth) - aside * np.sin(azimuth)
    y = XY[1] + along * np.sin(azimuth) + aside * np.cos(azimuth)
    counts = photons_on_pixels(SHAPE, x, y)
    net = SimpleNamespace(
        photons=counts,
        variance=counts,
        usable=np.ones(SHAPE, dtype=bool),
        image=focal_image(counts),
    )
    return net, centroid(counts, counts, reference_px=50.0)


@pytest.fixture(scope="module")
def repeats():
    rng = np.random.default_rng(20260421)
    images = [drawn(rng) for _ in range(REPEATS)]
    places = [quadrant_image(inputs_of(), center, None, None) for _, center in images]
    shapes = [shape_of(inputs_of(), net, center) for net, center in images]
    return places, shapes


def test_the_covariance_of_the_center_is_the_scatter_of_repeats(repeats):
    """Two hundred repeats tell a variance to 10 %; four of these. The light is longer
    towards 30°, so x and y are correlated."""
    places, _ = repeats
    centers = np.array([one.center_px for one in places])
    scatter = np.cov(centers.T)
    mean = np.mean([one.covariance_px2 for one in places], axis=0)
    assert np.diag(mean) == pytest.approx(np.diag(scatter), rel=0.4)
    expected = scatter[0, 1] / np.sqrt(scatter[0, 0] * scatter[1, 1])
    assert expected > 0.4
    found = mean[0, 1] / np.sqrt(mean[0, 0] * mean[1, 1])
    # A correlation r is known to (1 - r²)/√n: 0.05; four of these.
    assert found == pytest.approx(expected, abs=0.2)


def test_errors_of_the_shape_are_the_scatter_of_repeats(repeats):
    _, shapes = repeats
    for name in ("longest_mm", "shortest_mm"):
        values = np.array([getattr(one, name).value for one in shapes])
        error = np.mean([getattr(one, name).statistical for one in shapes])
        # Two hundred repeats tell a standard deviation to 5 %; four of these.
        assert error == pytest.approx(values.std(), rel=0.2), name


def test_the_shape_is_that_of_the_light():
    """Within a circle of the HPD about two thirds of an ellipse of 9 by 4 is left."""
    net, center = drawn(np.random.default_rng(5), 400_000)
    shape = shape_of(inputs_of(), net, center)
    assert shape.azimuth_deg == pytest.approx(AZIMUTH_DEG, abs=0.5)
    assert shape.radius_mm == pytest.approx(2 * center.half_power_radius * PIXEL_MM)
    assert 0.6 * LONG_PX < shape.longest_mm.value / PIXEL_MM < LONG_PX
    assert 0.85 * SHORT_PX < shape.shortest_mm.value / PIXEL_MM < 1.05 * SHORT_PX


def test_a_detector_that_is_flipped_and_turned_is_turned_back():
    """x flipped, then turned by 90° from +x towards +y: (x, y) becomes (-y, -x)."""
    net, center = drawn(np.random.default_rng(6))
    inputs = inputs_of(x_flipped=True, rotation=90 * u.deg)
    image = quadrant_image(inputs, center, None, shape_of(inputs, net, center))
    assert image.place_mm == pytest.approx([-center.y * PIXEL_MM, -center.x * PIXEL_MM])
    variance = np.diag(image.covariance_mm2) / PIXEL_MM**2
    expected = [center.y_uncertainty**2, center.x_uncertainty**2]
    assert variance == pytest.approx(expected)
    # An axis at 30° becomes one at 240°, which is one at 60°.
    assert image.shape.azimuth_deg == pytest.approx(60.0, abs=4)
