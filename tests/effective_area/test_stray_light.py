import numpy as np
import pytest

from beamreduce.effective_area.stray_light import Frame, circle, stray_light
from beamreduce.effective_area.traced_mirror import TracedMirror
from beamreduce.raytrace import Light, MirrorState
from tests.external.made_areas import SOURCE, stream
from tests.raytrace.made_mirrors import image_plane, tight_nest

WIDE = Frame(distance_mm=image_plane(), holds=circle(2000.0))


@pytest.fixture(scope="module")
def mirror():
    return TracedMirror(
        mirror=MirrorState(prescription=tight_nest(70.0, 76.0)),
        source=Light(source_distance_mm=SOURCE),
        stream=stream,
        rays=60_000,
    )


def test_a_detector_that_holds_everything_sees_the_whole_focused_area(mirror):
    whole = mirror.areas((0.0, 0.0), star=False)
    seen = stray_light(mirror, 0.0, WIDE, whole.cm2)
    # Two traces of other points: five of their errors.
    assert seen.focused == pytest.approx(1.0, abs=10 * whole.error_cm2 / whole.cm2)


def test_blades_take_single_reflections_away(mirror):
    whole = mirror.areas((0.0, 0.0), star=False).cm2
    bare = stray_light(mirror, 25.0, WIDE, whole)
    blades = stray_light(mirror.with_pre_collimator(60.0), 25.0, WIDE, whole)
    assert bare.single > 10 * bare.single_error
    assert blades.single < 0.7 * bare.single
    assert mirror.with_pre_collimator(60.0).without_pre_collimator() == mirror


def test_straight_light_goes_on_in_a_straight_line(mirror):
    """Off the axis by 30 arcmin it lands where the openings are seen from the source."""
    whole = mirror.areas((0.0, 0.0), star=False).cm2
    seen = stray_light(mirror, 30.0, WIDE, whole)
    assert seen.straight > 0
    # The shadow of the nest is 70 mm from its own middle at least, 74 at the detector.
    inside = Frame(distance_mm=image_plane(), holds=circle(20.0))
    small = stray_light(mirror, 2.0, inside, whole)
    assert small.straight == 0.0


def test_a_frame_elsewhere_sees_nothing(mirror):
    nowhere = Frame(
        distance_mm=image_plane(), holds=lambda place: np.zeros(place.shape[1], bool)
    )
    seen = stray_light(mirror, 10.0, nowhere, 1.0)
    assert (seen.focused, seen.single, seen.straight) == (0.0, 0.0, 0.0)
