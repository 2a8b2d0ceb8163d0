"""Bar errors against first-order optics, the trace in space, and errors drawn at random.

A mirror turned by an angle turns light by twice that; a thin lens that is shifted by t
moves the image by t(1 + D/L) (any book on geometrical optics).
"""

import math
from dataclasses import replace

import astropy.units as u
import numpy as np
import pytest
from scipy.special import erf

from beamreduce.errors import GeometryError, SettingsError
from beamreduce.mirror.bar_budget import (
    InPlaneLight,
    bar_budget,
    hpd_with_bar_errors,
    point_hpd_arcsec,
)
from beamreduce.mirror.bar_errors import BAR_ENDS, bar_sensitivities
from beamreduce.raytrace import Light, MirrorState, TracePlan, trace
from beamreduce.raytrace.mirror_parts import Placement, four_quadrants
from tests.raytrace.made_mirrors import FOCAL, LENGTH, SOURCE, image_plane, nest

RADIAN = math.degrees(1) * 3600


@pytest.mark.parametrize("source", [None, SOURCE])
def test_all_ends_alike_are_a_shifted_lens(source):
    away = None if source is None else source * u.mm
    plane = FOCAL if source is None else image_plane()
    magnified = 1 if source is None else 1 + plane / source
    for one in bar_sensitivities(nest(70.0, 120.0, 190.0), source_distance=away):
        moved = sum(one.shift_arcsec_per_um.values())
        # Cones focus at D to first order; the rest is as small as the length over L.
        assert moved == pytest.approx(magnified * 1e-3 / plane * RADIAN, rel=2e-3)


def test_a_turned_end_turns_light_by_twice_the_angle():
    (one,) = bar_sensitivities(nest(120.0))
    turned = 2 * 1e-3 / LENGTH * RADIAN
    for end, sign in zip(BAR_ENDS, (1, -1, -1, 1), strict=True):
        # To first order in the length over the focal length, 1.7 %.
        assert one.shift_arcsec_per_um[end] == pytest.approx(sign * turned, rel=0.02)
    both = (
        one.shift_arcsec_per_um["primary_front"] + one.shift_arcsec_per_um["primary_rear"]
    )
    assert abs(both) < 0.02 * turned


@pytest.mark.parametrize("number", range(4))
@pytest.mark.parametrize(
    ("source", "secondary"), [(None, 150.0), (SOURCE, 150.0), (SOURCE, LENGTH)]
)
def test_against_the_trace_in_space(number, source, secondary):
    """A stage moved and leaned so that one end is out at the azimuth that is open.

    In the last case a near source's light from the front of the primary is lost.
    """
    prescription = nest(120.0, secondary=secondary)
    plane = FOCAL if source is None else image_plane()
    away = None if source is None else source * u.mm
    (one,) = bar_sensitivities(prescription, source_distance=away)
    nesting = prescription.nestings[0]
    # In the trace z grows with the light.
    primary = -nesting.primary_length_mm, 0.0
    secondary = 0.0, nesting.secondary_length_mm
    front, rear = primary if number < 2 else secondary
    end, other = (front, rear) if number % 2 == 0 else (rear, front)
    size, azimuth = 2e-3, math.pi / 4
    lean = size / (end - other)
    outwards = np.array([math.cos(azimuth), math.sin(azimuth)])

    def center(sign):
        placement = Placement(
            shift_mm=(*(-sign * lean * other * outwards), 0.0),
            lean_rad=tuple(sign * lean * outwards),
        )
        stage = "primary" if number < 2 else "secondary"
        quadrants = tuple(
            replace(quadrant, **{stage: placement}) for quadrant in four_quadrants()
        )
        mirror = MirrorState(
            prescription=prescription,
            quadrants=quadrants,
            open_rad=((azimuth - 0.01, azimuth + 0.01),),
        )
        light = Light(source_distance_mm=math.inf if source is None else source)
        plan = TracePlan(distances_mm=np.array([plane]), list_rays=True)
        parts = trace(
            mirror, light, plan, rays=100_000, rng=np.random.default_rng(81)
        ).ray_parts
        points = np.concatenate([part.at(plane) for part in parts], axis=1)
        area = np.concatenate([part.area_mm2[0] for part in parts])
        return outwards @ (points @ area) / area.sum()

    moved = (center(1) - center(-1)) / (2 * size) / 1000 / plane * RADIAN
    # Same rays with either sign; azimuths to ±0.01 rad lose 2e-5, the spread of the
    # levers over the rays that both see is 0.2 %. Where light is lost at an edge, the
    # trace also moves that edge: a lit part that is shorter by 1e-3 for the step of 2 µm
    # has its mean off by half of that of the cone blur (0.1 mm): 1 % of a move of 0.25 mm
    # at either sign.
    accuracy = 0.02 if nesting.secondary_length_mm == LENGTH and source else 4e-3
    expected = one.shift_arcsec_per_um[BAR_ENDS[number]]
    assert moved == pytest.approx(expected, rel=accuracy)


def test_a_lean_moves_grooves_along_the_axis_and_a_cone_out_of_them():
    inner, middle, outer = bar_sensitivities(
        nest(80.0, 120.0, 160.0), pivot_radius=120 * u.mm
    )
    for end in BAR_ENDS:
        assert middle.shift_arcsec_per_arcmin[end] == 0
        assert np.sign(inner.shift_arcsec_per_arcmin[end]) == -np.sign(
            outer.shift_arcsec_per_arcmin[end]
        )
    alpha = math.atan(160 / FOCAL) / 4
    expected = -math.tan(alpha) * 40 * math.radians(1 / 60) * 1000
    assert outer.shift_arcsec_per_arcmin["primary_front"] == pytest.approx(
        expected * outer.shift_arcsec_per_um["primary_front"]
    )


def test_half_power_diameter_against_errors_drawn_at_random():
    """Grooves off by chance, straight between bars, normal slopes: rays counted."""
    rng = np.random.default_rng(82)
    prescription = nest(80.0, 150.0)
    sensitivities = bar_sensitivities(prescription)
    core, error = 50.0, 6.0
    found = hpd_with_bar_errors(
        prescription,
        sensitivities,
        core=InPlaneLight.normal(core * u.arcsec),
        radial_error=error * u.um,
    ).to_value(u.arcsec)
    rays = 400_000
    area = np.array([80.0**2, 150.0**2])  # r tan α, and α is r/4f
    which = rng.choice(2, rays, p=area / area.sum())
    place = rng.random(rays)
    moved = np.zeros(rays)
    for end in BAR_ENDS:
        shift = np.array([s.shift_arcsec_per_um[end] for s in sensitivities])[which]
        bars = rng.normal(0, error, (2, rays))
        moved += shift * ((1 - place) * bars[0] + place * bars[1])
    moved += rng.normal(0, core / 1.3489795, rays)
    # The median of so many is known to 0.2 %.
    assert found == pytest.approx(2 * np.median(np.abs(moved)), rel=0.007)
    assert 1.0 < point_hpd_arcsec(-1.0) < 1.349  # between bars errors partly cancel


def test_a_curve_of_encircled_energy_tells_what_bars_add():
    """A core and a tail, against half the power of rays drawn at random."""
    rng = np.random.default_rng(83)
    prescription = nest(120.0)
    (one,) = sensitivities = bar_sensitivities(prescription)
    shares, sigmas = np.array([0.8, 0.2]), np.array([20.0, 70.0])
    radius = np.linspace(0.0, 500.0, 400)
    fraction = erf(radius[:, None] / sigmas / math.sqrt(2)) @ shares
    core = InPlaneLight.from_curve(radius * u.arcsec, fraction)
    found = hpd_with_bar_errors(
        prescription, sensitivities, core=core, radial_error=2 * u.um
    ).to_value(u.arcsec)
    rays = 400_000
    place = rng.random(rays)
    moved = rng.normal(0, 1, rays) * rng.choice(sigmas, rays, p=shares)
    moved += rng.normal(0, 2 * one.radial_arcsec_per_um, rays) * np.hypot(place, 1 - place)
    # The median of so many is known to 0.3 %.
    assert found == pytest.approx(2 * np.median(np.abs(moved)), rel=0.01)
    none = 2 * float(np.interp(0.5, fraction, radius))
    assert core.hpd_arcsec == pytest.approx(none, rel=2e-3)
    # As if the core were one normal law: another answer.
    normal = InPlaneLight.normal(none * u.arcsec)
    other = hpd_with_bar_errors(
        prescription, sensitivities, core=normal, radial_error=2 * u.um
    ).to_value(u.arcsec)
    assert abs(other / found - 1) > 0.02


def test_the_budget_reaches_its_target():
    prescription = nest(80.0, 120.0, 160.0)
    sensitivities = bar_sensitivities(prescription)
    budget = bar_budget(
        prescription,
        sensitivities,
        core=InPlaneLight.normal(60 * u.arcsec),
        target_hpd=75 * u.arcsec,
    )
    reached = hpd_with_bar_errors(
        prescription,
        sensitivities,
        core=InPlaneLight.normal(60 * u.arcsec),
        radial_error=budget.radial_um * u.um,
    )
    assert reached.to_value(u.arcsec) == pytest.approx(75, rel=1e-6)
    # Four ends add in quadrature: alone, each may be off twice as much.
    for alone in budget.radial_alone_um.values():
        assert alone == pytest.approx(2 * budget.radial_um, rel=0.03)
    none = hpd_with_bar_errors(
        prescription,
        sensitivities,
        core=InPlaneLight.normal(60 * u.arcsec),
        radial_error=0 * u.um,
    )
    assert none.to_value(u.arcsec) == pytest.approx(60, rel=1e-7)


def test_what_has_no_budget():
    prescription = nest(80.0)
    sensitivities = bar_sensitivities(prescription)
    with pytest.raises(SettingsError, match="target_hpd must exceed"):
        bar_budget(
            prescription,
            sensitivities,
            core=InPlaneLight.normal(60 * u.arcsec),
            target_hpd=60 * u.arcsec,
        )
    with pytest.raises(SettingsError, match="same nestings"):
        bar_budget(
            nest(80.0, 90.0),
            sensitivities,
            core=InPlaneLight.normal(6 * u.arcsec),
            target_hpd=60 * u.arcsec,
        )
    with pytest.raises(GeometryError, match="source_distance must exceed"):
        bar_sensitivities(prescription, source_distance=1 * u.m)
