"""The expected image is one that the steps of a measurement take."""

import astropy.units as u
import numpy as np
import pytest

from beamreduce.errors import SettingsError
from beamreduce.image import FocalImage
from beamreduce.mirror import Coating, reflectivity_table
from beamreduce.raytrace import ImageGrid, Light, MirrorState, to_image
from beamreduce.rings import count_in_image, plan_for
from tests.raytrace.made_mirrors import SOURCE, image_plane, nest, run

GRID = ImageGrid(pixel_mm=0.02, shape=(101, 121), center_xy=(60.0, 50.0))


@pytest.fixture(scope="module")
def traced():
    gold = reflectivity_table(Coating(formula="Au"), [1.5, 4.5] * u.keV)
    mirror = MirrorState(prescription=nest(130.0), coatings=(gold,))
    radii = np.linspace(0, 0.9, 10)[1:]
    planes = [image_plane(), image_plane() + 10]
    light = Light(source_distance_mm=SOURCE)
    return run(mirror, light, planes, image=GRID, ring_radii_mm=radii, rays=400_000)


def test_photons_are_area_times_fluence(traced):
    image = to_image(traced, fluence=3 / u.mm**2, live_time=2 * u.min, distance=1, energy=1)
    assert isinstance(image, FocalImage)
    assert image.photons == pytest.approx(3 * traced.image_mm2[1, 1])
    assert image.live_time == 120 * u.s
    assert image.energy == 4.5 * u.keV
    assert image.detector_distance.to_value(u.mm) == traced.plan.distances_mm[1]
    assert image.shape == (101, 121)
    assert image.usable.all()


def test_rings_of_the_image_are_the_rings_of_the_trace(traced):
    image = to_image(traced, fluence=1 / u.mm**2, live_time=1 * u.s)
    radii = traced.plan.ring_edges()[0] * u.mm
    counted = count_in_image(image, plan_for(image, GRID.center_xy, radii))
    # Light that is even in radius is smeared by pixels of 0.02 mm in rings of 0.1 mm.
    inside = np.cumsum(counted.photons)
    assert inside == pytest.approx(traced.enclosed_mm2[0, 0], rel=0.02)
    assert inside[-1] == pytest.approx(traced.area_mm2[0], rel=1e-6)


def test_a_mirror_that_reflects_everything_has_no_energy():
    grid = ImageGrid(pixel_mm=0.1, shape=(5, 5), center_xy=(2, 2))
    found = run(nest(130.0), Light(), 5200.0, image=grid)
    assert to_image(found, fluence=1 / u.mm**2, live_time=1 * u.s).energy is None


@pytest.mark.parametrize(
    ("settings", "message"),
    [
        ({"distance": 2}, "distance and energy must be below 2 and 2; got 2 and 0"),
        ({"energy": -1}, "distance and energy must be below 2 and 2; got 0 and -1"),
        ({"fluence": -1 / u.mm**2}, "fluence must be above zero"),
        ({"fluence": 1 * u.mm}, "fluence must have a unit that converts to 1 / mm2"),
        ({"live_time": 0 * u.s}, "live_time must be above zero"),
    ],
)
def test_requests_that_cannot_be_met_are_refused(traced, settings, message):
    with pytest.raises(SettingsError, match=message):
        to_image(traced, **({"fluence": 1 / u.mm**2, "live_time": 1 * u.s} | settings))


def test_a_trace_without_an_image_is_refused():
    found = run(nest(130.0), Light(), 5200.0)
    with pytest.raises(SettingsError, match="the trace has no image"):
        to_image(found, fluence=1 / u.mm**2, live_time=1 * u.s)
