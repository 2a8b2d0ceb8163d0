"""What moving quadrants does to their images, against first-order optics.

A mirror is a lens: moved sideways by t, it moves the image of a source at a distance L,
seen D behind it, by t (1 + D/L) (thin lens, any textbook of geometrical optics, such as
Hecht, Optics, chapter 5; from memory). Turned about its own middle it moves it by nothing
to first order. A mirror that is turned by an angle turns a ray by twice that: a stage that
is turned against the other moves the image by 2 D times the tilt in the plane of
reflection, so for a sector the mean of that over its azimuths: 2 D <cos² φ> along the tilt
(derived).
"""

import math

import astropy.units as u
import numpy as np
import pytest

from beamreduce.campaign import Adjuster
from beamreduce.mirror import MirrorDesign, nestings_from_design
from beamreduce.quadrants import effects_of
from beamreduce.raytrace import ErrorLaw, FigureErrors, Light, MirrorState

SOURCE_MM, DETECTOR_MM = 86_000.0, 5544.0


@pytest.fixture(scope="module")
def mirror():
    design = MirrorDesign(
        focal_length=5.2 * u.m,
        inner_radius=100 * u.mm,
        outer_radius=130 * u.mm,
        reflector_length=90 * u.mm,
        reflector_thickness=0.17 * u.mm,
        coating="Au",
        roughness=0 * u.nm,
    )
    law = ErrorLaw.gaussian(2e-5)
    return MirrorState(
        prescription=nestings_from_design(design),
        figure=FigureErrors(primary=law, secondary=law),
    )


def effect(mirror, motion, azimuth_deg, *, stage="both", pivot=0.0):
    adjuster = Adjuster(
        quadrant="Q1",
        name="one",
        motion=motion,
        direction_rad=math.radians(azimuth_deg),
        stage=stage,
        pivot_mm=pivot,
        step=0.01 if motion == "shift" else 5e-6,
        travel_min=-0.1 if motion == "shift" else -5e-5,
        travel_max=0.1 if motion == "shift" else 5e-5,
    )
    return effects_of([adjuster], mirror, Light.near(SOURCE_MM * u.mm), DETECTOR_MM)[0]


@pytest.mark.parametrize("azimuth_deg", [0.0, 45.0, 200.0])
def test_a_shift_moves_the_image_like_a_lens(mirror, azimuth_deg):
    """Within a per cent: rays that a shift lets in or out come on top of first order."""
    along = np.array(
        [math.cos(math.radians(azimuth_deg)), math.sin(math.radians(azimuth_deg))]
    )
    found = effect(mirror, "shift", azimuth_deg).per_unit_mm
    assert found == pytest.approx(along * (1 + DETECTOR_MM / SOURCE_MM), abs=0.01)


def test_a_tilt_about_the_reference_plane_moves_it_by_almost_nothing(mirror):
    """Below half a per cent of what turning a plane mirror would do, 2 D."""
    found = effect(mirror, "tilt", 45.0).per_unit_mm
    assert np.hypot(*found) < 0.005 * 2 * DETECTOR_MM


def test_a_tilt_about_a_pivot_is_a_shift_of_the_reference_plane(mirror):
    """A point at z moves by tilt (z - pivot): the reference plane by -pivot."""
    about = effect(mirror, "tilt", 0.0).per_unit_mm
    away = effect(mirror, "tilt", 0.0, pivot=400.0).per_unit_mm
    expected = -400.0 * (1 + DETECTOR_MM / SOURCE_MM)
    assert away - about == pytest.approx([expected, 0.0], rel=0.01, abs=4)


@pytest.mark.parametrize(("stage", "sign"), [("primary", -1), ("secondary", 1)])
def test_a_stage_tilted_against_the_other_turns_rays_by_twice_the_tilt(mirror, stage, sign):
    """<cos²> over 90° about 45° is (1 + 2/π)/2; the rays' own 1 % of lever is left out."""
    found = effect(mirror, "tilt", 45.0, stage=stage).per_unit_mm
    along = found @ np.array([1.0, 1.0]) / math.sqrt(2)
    expected = sign * 2 * DETECTOR_MM * (1 + 2 / math.pi) / 2
    assert along == pytest.approx(expected, rel=0.02)
