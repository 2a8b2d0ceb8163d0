import dataclasses
import itertools
import math

import astropy.units as u
import pytest
from hypothesis import given
from hypothesis import strategies as st

from beamreduce.errors import GeometryError
from beamreduce.mirror import MirrorDesign, Prescription, check_nest, nestings_from_design

DESIGN = MirrorDesign(
    focal_length=5.2 * u.m,
    inner_radius=70 * u.mm,
    outer_radius=190 * u.mm,
    reflector_length=90 * u.mm,
    reflector_thickness=0.17 * u.mm,
    coating="Au",
    roughness=0.5 * u.nm,
)

designs = st.builds(
    MirrorDesign,
    focal_length=st.floats(2, 20).map(lambda x: x * u.m),
    inner_radius=st.floats(50, 120).map(lambda x: x * u.mm),
    outer_radius=st.floats(121, 250).map(lambda x: x * u.mm),
    reflector_length=st.floats(50, 300).map(lambda x: x * u.mm),
    reflector_thickness=st.floats(0.1, 1).map(lambda x: x * u.mm),
    coating=st.just("Au"),
    roughness=st.just(0.5 * u.nm),
)


@given(design=designs)
def test_a_nest_of_any_design_holds_together(design):
    prescription = nestings_from_design(design)
    assert check_nest(prescription, file="x") == []
    radii = [nesting.radius_mm for nesting in prescription.nestings]
    assert radii[0] == design.inner_radius.to_value(u.mm)
    assert radii[-1] <= design.outer_radius.to_value(u.mm) * (1 + 1e-12)


@given(design=designs)
def test_no_nesting_shades_the_next_from_a_star(design):
    """The rear of one primary's foil just touches the ray to the junction of the next."""
    nestings = nestings_from_design(design).nestings
    for inner, outer in itertools.pairwise(nestings):
        front = inner.radius_mm + inner.primary_length_mm * math.tan(
            inner.primary_angle_rad
        )
        assert outer.radius_mm == pytest.approx(front + inner.thickness_mm, rel=1e-14)


def test_lengths_scale_together():
    """A mirror of twice the size has the same angles and as many nestings."""
    scaled = dataclasses.replace(
        DESIGN,
        **{
            field.name: 2 * getattr(DESIGN, field.name)
            for field in dataclasses.fields(DESIGN)
            if field.name.endswith(("length", "radius", "thickness"))
            and getattr(DESIGN, field.name) is not None
        },
    )
    one, two = nestings_from_design(DESIGN), nestings_from_design(scaled)
    assert len(one.nestings) == len(two.nestings)
    for small, large in zip(one.nestings, two.nestings, strict=True):
        assert large.primary_angle_rad == pytest.approx(small.primary_angle_rad, rel=1e-12)


def test_a_nest_needs_a_nesting():
    with pytest.raises(GeometryError, match="at least one nesting"):
        Prescription(nestings=(), focal_length_mm=5200)


def test_swapped_radii_are_refused():
    swapped = dataclasses.replace(
        DESIGN, inner_radius=DESIGN.outer_radius, outer_radius=DESIGN.inner_radius
    )
    with pytest.raises(GeometryError, match="are the two swapped"):
        nestings_from_design(swapped)


def test_a_nest_of_endless_foils_is_refused():
    thin = dataclasses.replace(
        DESIGN, reflector_length=1e-9 * u.mm, reflector_thickness=1e-9 * u.mm
    )
    with pytest.raises(GeometryError, match="for at most 10000 nestings; got 1e-09 mm"):
        nestings_from_design(thin)
