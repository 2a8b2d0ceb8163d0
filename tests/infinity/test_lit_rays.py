"""Ends of the lit stretch of each nesting against the trace in space and plain geometry."""

import math
from dataclasses import replace

import numpy as np
import pytest

from beamreduce.errors import GeometryError
from beamreduce.infinity.lit_rays import lit_rays
from beamreduce.mirror import Prescription
from beamreduce.raytrace import Light, MirrorState, TracePlan, trace
from tests.infinity.made_designs import designed

SOURCE = 86_000.0
LENGTH = 90.0


def lit_length(rays):
    return np.ptp(rays.primary_mm, axis=1)


def test_one_nesting_by_its_triangle():
    """Sines in the triangle of junction and both reflections, no small angles.

    The ray to the end of the secondary: angles α+δ at the primary and α−δ at the
    secondary, sides z₁/cos α and ℓ/cos 3α.
    """
    _, nest = designed()
    alpha = nest.nestings[0].primary_angle_rad
    rays = lit_rays(nest, source_distance_mm=SOURCE)
    at_primary, at_secondary = rays.grazing_rad[0, 0]
    side = LENGTH / math.cos(3 * alpha) * math.sin(at_secondary) / math.sin(at_primary)
    assert -rays.primary_mm[0, 0] == pytest.approx(side * math.cos(alpha), rel=1e-9)
    assert rays.primary_mm[0, 1] == 0
    assert rays.secondary_mm[0] == pytest.approx([LENGTH, 0.0], abs=1e-7)
    delta = math.atan((130 - rays.primary_mm[0, 0] * math.tan(alpha)) /
                      (SOURCE + rays.primary_mm[0, 0]))  # fmt: skip
    assert at_primary == pytest.approx(alpha + delta, rel=1e-12)
    assert at_secondary == pytest.approx(alpha - delta, rel=1e-12)


@pytest.mark.parametrize("source", [SOURCE, math.inf])
@pytest.mark.parametrize("blade", [0.0, 40.0])
def test_area_of_a_tight_nest_is_that_of_the_trace_in_space(source, blade):
    _, nest = designed(inner=120.0, outer=130.0)
    rays = lit_rays(nest, source_distance_mm=source, pre_collimator_mm=blade)
    mirror = MirrorState(prescription=nest, pre_collimator_mm=blade)
    plan = TracePlan(distances_mm=np.array([5540.0]))
    traced = trace(
        mirror,
        Light(source_distance_mm=source),
        plan,
        rays=200_000,
        rng=np.random.default_rng(5),
    )
    error = float(traced.area_error_mm2[0])
    assert rays.beam_mm2.sum() == pytest.approx(traced.area_mm2[0], abs=4 * error)
    # A twentieth of what any of the blockages takes away here.
    assert error < 5e-4 * rays.beam_mm2.sum()


def test_a_tight_nest_is_shaded_at_the_junction_by_its_neighbours_front():
    """Rays in must pass the next front end: (α−2δ)/(α+δ) of the length is left (derived).

    The first-order numbers of a nest that a star just fills: from δℓ/(α+δ) to
    (α−δ)ℓ/(α+δ).
    """
    _, nest = designed(inner=120.0, outer=130.0)
    rays = lit_rays(nest, source_distance_mm=SOURCE)
    alpha = np.array([n.primary_angle_rad for n in nest.nestings])
    delta = np.array([n.radius_mm for n in nest.nestings]) / SOURCE
    # The innermost has no neighbour. First order in ℓ/f and ℓ/r: one per cent.
    assert lit_length(rays)[1:] == pytest.approx(
        LENGTH * ((alpha - 2 * delta) / (alpha + delta))[1:], rel=0.01
    )
    assert rays.primary_mm[1:, 1] == pytest.approx(
        -LENGTH * (delta / (alpha + delta))[1:], rel=0.02
    )
    assert lit_length(rays)[0] > 1.4 * lit_length(rays)[1]


def test_order_of_nestings_does_not_matter():
    _, nest = designed(inner=120.0, outer=125.0)
    turned = Prescription(
        nestings=nest.nestings[::-1], focal_length_mm=nest.focal_length_mm
    )
    rays, other = (lit_rays(n, source_distance_mm=SOURCE) for n in (nest, turned))
    assert np.array_equal(rays.number, other.number)
    assert np.array_equal(rays.primary_mm, other.primary_mm)


def test_a_nesting_that_is_wholly_shaded_has_no_light():
    _, nest = designed(inner=130.0, outer=131.0)
    inner, outer = nest.nestings[0], nest.nestings[1]
    thick = replace(inner, thickness_mm=outer.radius_mm - inner.radius_mm)
    rays = lit_rays(replace(nest, nestings=(thick, outer)), source_distance_mm=40_000.0)
    assert rays.beam_mm2[0] > 0
    assert rays.beam_mm2[1] == 0
    assert rays.opening_mm[1] == 0
    assert rays.primary_mm[1].tolist() == [0.0, 0.0]
    assert np.isfinite(rays.secondary_mm).all()


def test_too_near_a_source_lights_nothing():
    _, nest = designed()
    with pytest.raises(GeometryError, match="source at 20 m gets through both"):
        lit_rays(nest, source_distance_mm=20_000.0)
