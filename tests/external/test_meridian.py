"""Quadrature in one plane against closed forms of two cones.

First-order formulas: grazing angles α+δ and α−δ with δ = r/L, area ratio 1 − 4f/L, used
part (α−δ)/(α+δ) (derived from the geometry; the loss is drawn in Brejnholt et al. 2011,
fig. 3 and 8). "Exact" numbers are a separate meridional integration without small angles,
printed to seven digits.
"""

import math

import astropy.units as u
import numpy as np
import pytest

from beamreduce.errors import GeometryError
from beamreduce.mirror.prescription import MirrorDesign, nestings_from_design
from beamreduce.raytrace import ErrorGrid, MeridianLight, OffsetGrid, meridian_table

ARCSEC = math.radians(1 / 3600)


def nest(focal_m, radius_mm, length_mm, outer_mm=None):
    return nestings_from_design(
        MirrorDesign(
            focal_length=focal_m * u.m,
            inner_radius=radius_mm * u.mm,
            outer_radius=(outer_mm or radius_mm) * u.mm,
            reflector_length=length_mm * u.mm,
            reflector_thickness=0.17 * u.mm,
            coating="Au",
            roughness=0 * u.nm,
        )
    )


def table(prescription, source_mm, distances_mm, *, errors=None, reach=2.0, bins=4000):
    light = MeridianLight(
        source_distance_mm=source_mm,
        reflectivity=np.ones((1, 1, 1, 3)),
        angle_step_rad=0.5,
    )
    return meridian_table(
        prescription,
        light,
        detector_distances_mm=np.array(distances_mm, dtype=float),
        errors=ErrorGrid(primary_rad=np.array([-1e-9, 1e-9]) if errors is None else errors),
        grid=OffsetGrid(reach_mm=reach, bins=bins),
    )


@pytest.mark.parametrize(
    ("focal_m", "source_m", "radius", "length", "exact"),
    [
        (5.2, 86, 130, 90, 0.7570167),
        (4.75, 30, 200, 100, 0.3646272),
        (1.85, 130, 81, 150, 0.9418613),
    ],
)
def test_area_ratio_of_one_nesting(focal_m, source_m, radius, length, exact):
    one = nest(focal_m, radius, length)
    near = table(one, source_m * 1e3, [focal_m * 1e3]).area_mm2[0, 0, 0]
    star = table(one, math.inf, [focal_m * 1e3]).area_mm2[0, 0, 0]
    # Printed to seven digits; a slope error of 1e-9 rad changes the end of the used part
    # by 1e-9/α of itself. The bisection ends at 90 mm/16/2^24.
    assert near / star == pytest.approx(exact, abs=2e-5)
    # First order holds to 0.15 % at L/f = 16, and 0.6 % at 6, by the same reference.
    first_order = 1 - 4 * focal_m / source_m
    assert near / star == pytest.approx(first_order, rel=0.003 if source_m > 80 else 0.01)


@pytest.mark.parametrize("radius", [70.0, 190.0])
def test_used_part_of_the_primary(radius):
    f, source = 5200.0, 86000.0
    found = table(nest(5.2, radius, 90), source, [5535.0]).lit_fraction[0]
    alpha, delta = math.atan(radius / f) / 4, radius / source
    # First order in ℓ/r and ℓ/f: one per cent of the part lost.
    assert found == pytest.approx((alpha - delta) / (alpha + delta), abs=0.004)


def test_geometric_area_of_one_nesting_for_a_star():
    one = nest(5.2, 130, 90)
    alpha = one.nestings[0].primary_angle_rad
    # Ring between the radii at both ends of the primary, nothing lost.
    outer = 130 + 90 * math.tan(alpha)
    expected = math.pi * (outer**2 - 130**2)
    assert table(one, math.inf, [5200]).area_mm2[0, 0, 0] == pytest.approx(
        expected, rel=1e-6
    )


def test_cone_blur_of_a_star_is_even_out_to_the_cone_angle_times_length():
    one = nest(5.2, 130, 90)
    alpha = one.nestings[0].primary_angle_rad
    found = table(one, math.inf, [5200.0, 5211.25])
    centers = found.grid.centers_mm
    for plane, low, high in ((0, 0.0, alpha * 90), (1, -alpha * 45, alpha * 45)):
        light = found.landing_mm2[plane, 0, 0, 0]
        light = light / light.sum()
        mean = light @ centers
        spread = math.sqrt(light @ (centers - mean) ** 2)
        # Mean and standard deviation of an even law; exact 0.5631702 against 0.5623829
        # to first order: 0.14 %. A bin of 1 µm adds nothing.
        assert mean == pytest.approx((low + high) / 2, abs=0.003 * alpha * 90)
        assert spread == pytest.approx((high - low) / math.sqrt(12), rel=0.003)


def test_image_distance_is_where_the_junction_rays_cross_the_axis():
    """r/tan(4α − δ) = 5534.862624 mm for r = 130 mm (derived, nine digits)."""
    found = table(nest(5.2, 130, 90), 86000.0, [5534.862624])
    centers = found.grid.centers_mm
    lit = centers[found.landing_mm2[0, 0, 0, 0] > 0]
    # The lowest node of the quadrature lies 1 % of the used length from the junction.
    blur = 0.4538769
    assert lit.min() == pytest.approx(0.0, abs=0.012 * blur + 0.001)
    assert lit.max() == pytest.approx(blur, abs=0.012 * blur + 0.001)


def test_in_plane_errors_move_a_ray_by_twice_their_size_outward():
    one, error = nest(5.2, 130, 90), 5 * ARCSEC
    edges = np.array([-error, error])
    found = table(one, math.inf, [5211.25], errors=edges)
    light = found.landing_mm2[0, 0, 0, 0]
    spread = math.sqrt(light @ found.grid.centers_mm**2 / light.sum())
    alpha = one.nestings[0].primary_angle_rad
    # Errors even in ±e give even shifts of ±2 e lever; the cone blur adds in quadrature.
    shift = 2 * error * found.lever_mm[0] / math.sqrt(3)
    assert spread == pytest.approx(math.hypot(shift, alpha * 90 / math.sqrt(12)), rel=0.005)
    outward = table(one, math.inf, [5211.25], errors=np.array([error, error * 1.001]))
    center = outward.landing_mm2[0, 0, 0, 0] @ outward.grid.centers_mm
    assert center > 0


def test_a_neighbour_takes_light_away_but_never_adds_any():
    pair = nest(5.2, 188.2, 90, 189.5)
    assert len(pair.nestings) == 2
    outer = nest(5.2, pair.nestings[1].radius_mm, 90)
    alone = table(outer, 86000.0, [5535]).area_mm2[0, 0, 0]
    both = table(pair, 86000.0, [5535])
    single = table(nest(5.2, 188.2, 90), 86000.0, [5535]).area_mm2[0, 0, 0]
    assert single < both.area_mm2[0, 0, 0] < 0.99 * (single + alone)
    assert both.lit_fraction[1] < both.lit_fraction[0]


def test_a_source_too_near_for_any_ray_is_refused():
    with pytest.raises(GeometryError, match="too near for this mirror"):
        table(nest(5.2, 130, 90), 20000.0, [7000])
