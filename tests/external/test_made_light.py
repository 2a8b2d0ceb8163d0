"""Photons of made campaigns against closed forms: what frames and truth are made from.

Sources: first-order optics of two cones, uniform disc, rotated Gaussian (all derived).
The trace itself is held to more in test_ray_trace*.py.
"""

import dataclasses
import math

import astropy.units as u
import numpy as np
import pytest

from beamreduce.campaign import read_setup
from beamreduce.raytrace import Light, MirrorState
from beamreduce.simulate import read_scenario
from beamreduce.simulate.as_made import build
from beamreduce.simulate.exposures_plan import plan_exposures
from beamreduce.simulate.focal_light import focal_light, settings_of, trace_rays
from beamreduce.simulate.made_mirror import make_mirror
from beamreduce.simulate.write_campaign import _write_settings
from tests.raytrace.made_mirrors import ARCSEC, SOURCE, image_plane, nest

BEAMLINE = Light(source_distance_mm=SOURCE)
RAYS = 40_000


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    scenario = read_scenario("small")
    folder = tmp_path_factory.mktemp("settings")
    _write_settings(scenario, folder)
    return build(scenario, read_setup(folder))


def no_stray(rays):
    return np.zeros(rays.focused.size, dtype=bool)


def places(mirror, light, plane, seed=1):
    rng = np.random.default_rng(20270200 + seed)
    parts = trace_rays((mirror, light), (RAYS, 8), no_stray, rng)
    return np.concatenate([part.at(plane) for part in parts], axis=1)


def mirror_with(made, prescription, **errors):
    """A mirror of any nest with only those errors that are named."""
    none = {
        "core_slope": 0 * u.arcsec, "tail_slope": 0 * u.arcsec, "tail_share": 0.0,
        "reflector_offset": 0 * u.arcsec, "scatter_width": 0 * u.arcsec,
        **{f"shift_Q{k}": (0 * u.mm, 0 * u.mm) for k in range(1, 5)},
    }  # fmt: skip
    figure = dataclasses.replace(made.scenario.figure, **(none | errors))
    rng = np.random.default_rng(1)
    whole = make_mirror(made.setup, figure, [4.511] * u.keV, rng)
    return MirrorState(
        prescription=prescription, quadrants=whole.quadrants,
        figure=dataclasses.replace(
            whole.figure,
            primary_mean_rad=whole.figure.primary_mean_rad[0, 0],
            secondary_mean_rad=whole.figure.secondary_mean_rad[0, 0],
        ),
    )  # fmt: skip


def test_in_plane_slopes_of_a_scenario_make_a_rotated_gaussian(made):
    # |N(0, σ)|, σ = 2√2 s f: HPD 1.348979500 σ, W90 3.289707254 σ. Cones so short that
    # their own blur adds 0.05 %, a secondary so long that hardly a ray misses it. Error of
    # a quantile as for chance rays, 1.166 HPD/√N.
    slope = 20 * u.arcsec
    mirror = mirror_with(made, nest(130.0, length=10.0, secondary=60.0), core_slope=slope)
    r = np.hypot(*places(mirror, Light.star(), 5200.0))
    sigma = 2 * math.sqrt(2) * 20 * ARCSEC * 5200
    tolerance = 4 * 1.166 / math.sqrt(r.size) + 1e-3
    assert 2 * np.median(r) == pytest.approx(1.348979500 * sigma, rel=tolerance)
    assert 2 * np.quantile(r, 0.9) == pytest.approx(3.289707254 * sigma, rel=tolerance)


@pytest.mark.parametrize(("stage", "sign"), [("primary", 1), ("secondary", 1)])
def test_a_common_cone_angle_error_opens_a_ring_outward(made, stage, sign):
    # Light lands 2 m f further out on its own side; cones of 1 mm blur by 0.006 mm.
    errors = {f"{stage}_mean_slope": 8 * u.arcsec}
    mirror = mirror_with(made, nest(130.0, length=1.0, secondary=12.0), **errors)
    place = places(mirror, Light.star(), 5200.0)
    radius = 2 * 8 * ARCSEC * 5200
    assert np.median(np.hypot(*place)) == pytest.approx(radius, abs=0.006)
    # A ring on its own side closes behind f: outward light has not crossed the axis yet.
    behind = places(mirror, Light.star(), 5200.0 + radius * 5200 / 130)
    assert np.median(np.hypot(*behind)) < 0.006


def test_a_source_of_some_size_adds_its_image(made):
    # Uniform disc of diameter d: each axis varies by (d/4)², times (D/L)².
    plane = image_plane()
    mirror = mirror_with(made, nest(130.0, length=10.0, secondary=40.0))
    wide = Light(source_distance_mm=SOURCE, source_diameter_mm=5.0)
    blur, spread = (places(mirror, light, plane).var(axis=1) for light in (BEAMLINE, wide))
    expected = (5 / 4 * plane / SOURCE) ** 2
    # A variance of a flat law is good to about 0.9/√N by chance; four of these.
    assert spread - blur == pytest.approx([expected] * 2, rel=4 * 0.9 / math.sqrt(RAYS))


def test_a_shift_moves_the_image_as_a_lens_and_a_tilt_does_not(made):
    # Rigid shift t: t(1 + D/L); tilt about the reference plane: nothing to first order.
    plane, short = image_plane(), nest(130.0, length=2.0, secondary=12.0)
    every = range(1, 5)
    shift = {f"shift_Q{k}": (0.30 * u.mm, -0.20 * u.mm) for k in every}
    tilt = {f"tilt_Q{k}": (30 * u.arcsec, 20 * u.arcsec) for k in every}
    moved = places(mirror_with(made, short, **shift), BEAMLINE, plane).mean(axis=1)
    expected = np.array([0.30, -0.20]) * (1 + plane / SOURCE)
    assert moved == pytest.approx(expected, abs=2e-3)
    leaning = places(mirror_with(made, short, **tilt), BEAMLINE, plane).mean(axis=1)
    assert leaning == pytest.approx([0, 0], abs=2e-3)


@pytest.mark.parametrize(("by", "moves"), [("mirror_tilt", False), ("source_shift", True)])
def test_only_a_shifted_source_moves_its_image(made, by, moves):
    # By D tanθ, to the side away from the source; half the blur of the cones, 0.01 mm.
    plane = image_plane()
    mirror = mirror_with(made, nest(130.0, length=2.0, secondary=12.0))
    light = BEAMLINE.off_axis(3 * u.arcmin, 90 * u.deg, by)
    expected = [0.0, -plane * math.tan(3 * 60 * ARCSEC) * moves]
    assert places(mirror, light, plane).mean(axis=1) == pytest.approx(expected, abs=0.01)


def test_single_reflections_reach_a_detector_from_far_off_the_axis(made):
    # What only the primary at the radius r reflects leaves it at 2α + δ towards the axis
    # and is r (1 - D/2f - D/L) from it at D: 0.402 r at 5544 mm behind from 86 m. A tilt θ
    # of the mirror turns one reflection by 2θ (two by nothing): 32.3 mm for 10', from the
    # foils at 70 to 90 mm into a frame of 12.8 mm. At 3' it stays far outside.
    plan = [e for e in plan_exposures(made.scenario) if e.source.name == "focus_Ti"]
    seen = {}
    for arcmin in (3, 10):
        items = [
            dataclasses.replace(
                e, source=dataclasses.replace(e.source, off_axis=arcmin * u.arcmin)
            )
            for e in plan
        ]
        seen[arcmin] = focal_light(made, settings_of(items)[0]).rays
    stray = {arcmin: rays.only(~rays.focused) for arcmin, rays in seen.items()}
    # What is left at 3' was scattered by the primary far from where it should go.
    areas = {arcmin: rays.area_mm2.sum() for arcmin, rays in stray.items()}
    assert areas[3] < 0.01 * areas[10]
    start, moved = np.hypot(*stray[10].start_mm), 2 * 5544 * 10 * 60 * ARCSEC
    share = 1 - 5544 / (2 * 5200) - 5544 / SOURCE
    # The corner of the frame is 9.7 mm from the beam; cones are 90 mm long, so that light
    # leaves up to 90 mm early at 2α + δ, 0.7 mm off; scattered light is anywhere.
    near = np.abs(start * share - moved) < 9.7 + 1.5
    assert near.mean() > 0.95
    assert np.median(start[near]) < 90.0
