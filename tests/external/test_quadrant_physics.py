"""Diffraction, bars and displaced quadrants against what is known from outside."""

import math
from dataclasses import replace

import astropy.units as u
import numpy as np
import pytest

from beamreduce.infinity.configuration import Resolution
from beamreduce.infinity.declared import bar_free
from beamreduce.infinity.optics import Optics
from beamreduce.infinity.slope_ladder import SlopeLadder
from beamreduce.mirror import MirrorDesign, nestings_from_design
from beamreduce.quadrants import (
    QuadrantLight,
    diffraction_of,
    planes_about,
    quarters_of,
)
from beamreduce.raytrace.meridian import MeridianLight

SOURCE_MM, DETECTOR_MM, LENGTH_MM = 86_000.0, 5544.0, 90.0
ARCSEC = math.degrees(1) * 3600
NESTS = nestings_from_design(
    MirrorDesign(
        focal_length=5.2 * u.m,
        inner_radius=100 * u.mm,
        outer_radius=108 * u.mm,
        reflector_length=LENGTH_MM * u.mm,
        reflector_thickness=0.17 * u.mm,
        coating="Au",
        roughness=0 * u.nm,
    )
)


def slit_diameter(share, opening_mm, wavelength_nm):
    """Diameter in rad that holds a share of a slit's image, by adding up its wavelets.

    Fraunhofer: the amplitude at an angle is the sum over the opening of exp(2πi x θ/λ)
    (Hecht, Optics, chapter 10; from memory).
    """
    opening, wavelength = opening_mm * 1e-3, wavelength_nm * 1e-9
    x = (np.arange(400) + 0.5) / 400 * opening - opening / 2
    # Out to 400 minima: of the light beyond, 2/(π² 400) is left out.
    theta = np.linspace(0.0, 60 * wavelength / opening, 24_001)
    amplitude = np.array([np.exp(2j * np.pi * x * t / wavelength).mean() for t in theta])
    brightness = np.abs(amplitude) ** 2
    steps = (brightness[1:] + brightness[:-1]) / 2 * np.diff(theta)
    # All light of a slit: ∫ sinc² from 0 is half of λ/d.
    inside = np.concatenate([[0.0], np.cumsum(steps)]) / (wavelength / opening / 2)
    return 2 * float(np.interp(share, inside, theta))


@pytest.mark.parametrize(("share", "factor"), [(0.5, 0.541), (0.9, 1.697)])
def test_the_blur_of_a_nesting_is_that_of_a_slit(share, factor):
    """One nesting: its lit opening is the slit. Three digits of the factor are quoted."""
    alone = replace(NESTS, nestings=NESTS.nestings[:1])
    visible = diffraction_of(alone, SOURCE_MM, 0.00206)
    opening = visible.opening_mm[0]
    assert visible.opening_mm[1] == pytest.approx(opening)
    assert visible.wavelength_nm == pytest.approx(601.9, abs=0.1)  # 1239.84 / 2.06
    found = (visible.hpd_arcsec if share == 0.5 else visible.w90_arcsec) / ARCSEC
    summed = slit_diameter(share, opening, visible.wavelength_nm)
    assert found == pytest.approx(summed, rel=2e-3)
    ratio = visible.wavelength_nm * 1e-6 / opening
    assert found == pytest.approx(factor * ratio, rel=1e-3)


def test_visible_light_hides_a_mirror_and_x_rays_do_not():
    """Openings of 0.3 mm: 600 nm give minutes of arc, 4.5 keV a tenth of a second."""
    visible, hard = (diffraction_of(NESTS, SOURCE_MM, kev) for kev in (0.00206, 4.5))
    assert visible.hpd_arcsec > 120
    assert visible.hides(visible.hpd_arcsec * 1.05)
    assert "hides the HPD" in visible.sentence(visible.hpd_arcsec * 1.05)
    assert hard.hpd_arcsec < 0.2
    assert not hard.hides(40.0)
    assert hard.sentence(40.0) == ""


def made_quarters(slope_arcsec, planes_mm=None, passes=1.0):
    """Four quadrants with slope errors of one size on both stages.

    ``passes`` is what alignment bars let through, as declared optics put it in.
    """
    slope = slope_arcsec / ARCSEC
    hpd = 1.349 * 2 * math.sqrt(2) * slope
    light = MeridianLight(
        source_distance_mm=SOURCE_MM,
        reflectivity=np.full((1, 1, 1, 2), math.sqrt(passes)),
        angle_step_rad=0.1,
    )
    ladder = SlopeLadder(steps_rad=(slope,))
    lights = {}
    for k in range(4):
        edges = (k * math.pi / 2, (k + 1) * math.pi / 2)
        optics = Optics(
            prescription=NESTS, light=light, source_diameter_mm=0.5, open_rad=edges
        )
        lights[f"Q{k + 1}"] = QuadrantLight(
            optics=optics, ladder=ladder, weights=np.ones(1)
        )
    resolution = Resolution(
        steps_rad=(slope,), hpd_rad=hpd, reach_rad=6 * hpd, turned=False
    )
    if planes_mm is None:
        planes_mm = planes_about(lights["Q1"].optics, hpd, 0.2 * hpd)
    return quarters_of(lights, planes_mm, resolution, (0.02, 5 * hpd))


@pytest.fixture(scope="module")
def quarters():
    """Slope errors of 10 arcsec, in planes about best focus."""
    return made_quarters(10)


def test_the_least_of_a_sharp_focus_is_that_of_many_planes():
    """Errors of 1.5 arcsec: the focus is sharp beside the first planes' distance."""
    first = made_quarters(1.5)
    near = made_quarters(1.5, first.planes_near_best([{}]))
    joined = first.joined(near).whole({})
    dense = made_quarters(1.5, np.linspace(*first.distance_mm[[2, 6]], 41)).whole({})
    assert joined.best[1] == pytest.approx(dense.hpd_rad.min(), rel=2e-3)


def test_errors_in_one_plane_have_the_size_that_is_known(quarters):
    """One normal law in the plane of reflection: HPD 1.349 σ, 3.815 times the slope error.

    Cone blur of 0.3 mm in 0.6 mm adds to it, and light is lost on the sides.
    """
    hpd = quarters.whole({}).best[1] * ARCSEC
    assert 0.95 * 38.15 < hpd < 1.2 * 38.15


@pytest.mark.parametrize("azimuth_deg", [0, 45, 90, 135, 180, 225, 270, 315])
def test_a_displaced_quadrant_makes_the_whole_larger_at_best_focus(quarters, azimuth_deg):
    at_home = quarters.whole({})
    azimuth = math.radians(azimuth_deg)
    move = 0.3 * at_home.best[1]
    displaced = {"Q1": (move * math.cos(azimuth), move * math.sin(azimuth))}
    assert at_home.found
    assert quarters.whole(displaced).best[1] > at_home.best[1]


def test_in_one_plane_alone_a_move_inwards_can_pay(quarters):
    """Why sizes are compared at best focus: before focus light is outside the axis."""
    at_home = quarters.whole({})
    move = 0.25 * at_home.best[1]
    inwards = {}
    for k in range(4):
        middle = (k + 0.5) * math.pi / 2
        inwards[f"Q{k + 1}"] = (-move * math.cos(middle), -move * math.sin(middle))
    moved = quarters.whole(inwards)
    assert moved.hpd_rad[0] < at_home.hpd_rad[0]
    assert moved.best[1] > at_home.best[1]


def test_a_move_of_all_together_changes_nothing(quarters):
    at_home = quarters.whole({})
    shift = 0.3 * at_home.best[1]
    together = quarters.whole({f"Q{k + 1}": (shift, -shift) for k in range(4)})
    assert together.best[1] == pytest.approx(at_home.best[1], rel=1e-3)


def test_bars_take_from_the_area_and_leave_the_size(quarters):
    """A radial bar shades all angles of the light alike: the rest is the same image."""
    whole, shaded = quarters.whole({}), made_quarters(10, passes=0.94).whole({})
    assert shaded.area_at_best_mm2 == pytest.approx(0.94 * whole.area_at_best_mm2, rel=1e-6)
    assert shaded.best[1] == pytest.approx(whole.best[1], rel=1e-6)


def test_declared_bars_are_in_the_light_of_every_quadrant():
    design = MirrorDesign(
        focal_length=5.2 * u.m,
        inner_radius=100 * u.mm,
        outer_radius=101 * u.mm,
        reflector_length=LENGTH_MM * u.mm,
        reflector_thickness=0.17 * u.mm,
        coating="Au",
        roughness=0 * u.nm,
        bar_count=16,
        bar_width=2 * u.mm,
    )
    nest = nestings_from_design(design)
    free = bar_free(nest, design)
    # 16 bars of 2 mm of a turn of 2π r, at the rear of the secondary: r less 3α ℓ.
    r = nest.nestings[0].radius_mm
    rear = r - LENGTH_MM * math.tan(3 * math.atan(r / 5200) / 4)
    assert free[0] == pytest.approx(1 - 16 * 2 / (2 * math.pi * rear), abs=1e-5)
