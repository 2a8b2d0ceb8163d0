"""Developed cones against exact geometry and against a surface of triangles."""

import math

import astropy.units as u
import numpy as np
import pytest

from beamreduce.errors import GeometryError
from beamreduce.mirror import (
    MirrorDesign,
    blanks_of_nesting,
    flat_blank,
    layout_on_sheet,
    nestings_from_design,
)

DESIGN = MirrorDesign(
    focal_length=5.2 * u.m,
    inner_radius=70 * u.mm,
    outer_radius=190 * u.mm,
    reflector_length=90 * u.mm,
    reflector_thickness=0.17 * u.mm,
    coating="Au",
    roughness=0.5 * u.nm,
    gap=4 * u.mm,
)


def blank(small=70.0, large=73.0, length=90.0, azimuth=90.0):
    return flat_blank(
        small_radius=small * u.mm,
        large_radius=large * u.mm,
        length=length * u.mm,
        azimuth=azimuth * u.deg,
    )


@pytest.mark.parametrize("azimuth", [30.0, 90.0, 360.0])
@pytest.mark.parametrize("large", [70.001, 73.0, 200.0])
def test_arcs_are_circumferences_and_sides_are_slant_lengths(large, azimuth):
    found = blank(large=large, azimuth=azimuth)
    around = math.radians(azimuth)
    # Radii of a nearly flat cone are large: 1e-9 leaves room for their rounding.
    assert found.inner_arc_mm == pytest.approx(70 * around, rel=1e-9)
    assert found.outer_arc_mm == pytest.approx(large * around, rel=1e-9)
    slant = math.hypot(90, large - 70)
    assert found.outer_radius_mm - found.inner_radius_mm == pytest.approx(slant, rel=1e-7)


def test_area_of_a_surface_of_triangles():
    n = 4000
    azimuth = np.linspace(0, np.pi / 2, n + 1)
    rings = [
        np.array([r * np.cos(azimuth), r * np.sin(azimuth), np.full(n + 1, z)]).T
        for r, z in ((70.0, 0.0), (73.0, 90.0))
    ]
    low, high = rings
    triangles = [(low[:-1], low[1:], high[:-1]), (high[:-1], high[1:], low[1:])]
    area = sum(
        0.5 * np.linalg.norm(np.cross(b - a, c - a), axis=1).sum() for a, b, c in triangles
    )
    # Chords are shorter than arcs by (Δφ)²/24 = 6e-9 of themselves.
    assert blank().area_mm2 == pytest.approx(area, rel=2e-8)


def test_distances_in_the_sheet_are_those_on_the_cone():
    """A geodesic of the cone, cut into short chords, is as long as the straight line."""
    found = blank(azimuth=120.0)
    sine = found.angle_rad / math.radians(120.0)
    ends = np.array(
        [
            [found.inner_radius_mm, 0.0],
            [
                found.outer_radius_mm * math.cos(0.5 * sine),
                found.outer_radius_mm * math.sin(0.5 * sine),
            ],
        ]
    )
    steps = ends[0] + np.linspace(0, 1, 20_001)[:, np.newaxis] * (ends[1] - ends[0])
    rho, angle = np.hypot(*steps.T), np.arctan2(steps[:, 1], steps[:, 0]) / sine
    cosine = math.sqrt(1 - sine**2)
    on_cone = np.array(
        [rho * sine * np.cos(angle), rho * sine * np.sin(angle), rho * cosine]
    ).T
    length = np.linalg.norm(np.diff(on_cone, axis=0), axis=1).sum()
    assert length == pytest.approx(float(np.linalg.norm(ends[1] - ends[0])), rel=1e-8)


@pytest.mark.parametrize(
    ("large", "azimuth"), [(73.0, 90.0), (73.0, 360.0), (150.0, 300.0), (150.0, 360.0)]
)
def test_bounding_rectangle_holds_every_point_and_touches(large, azimuth):
    found = blank(large=large, azimuth=azimuth)
    angle = np.linspace(-found.angle_rad / 2, found.angle_rad / 2, 20_001)
    radii = np.array([[found.inner_radius_mm], [found.outer_radius_mm]])
    x, y = radii * np.sin(angle), radii * np.cos(angle)
    assert found.width_mm == pytest.approx(np.ptp(x), rel=1e-7)
    assert found.height_mm == pytest.approx(np.ptp(y), rel=1e-7)


def test_stacked_blanks_touch_and_do_not_overlap():
    found = blank(large=110.0)
    layout = layout_on_sheet(found, sheet_width=2 * found.width_mm * u.mm)
    assert layout.lengthwise
    assert layout.rows == 2
    # Corners of the inner arc of the next blank against the outer arc of this one.
    half = found.angle_rad / 2
    corner_x = found.inner_radius_mm * math.sin(half)
    corner_y = found.inner_radius_mm * math.cos(half) + layout.pitch_mm
    assert math.hypot(corner_x, corner_y) == pytest.approx(math.hypot(corner_x, math.sqrt(
        found.outer_radius_mm**2 - corner_x**2)), rel=1e-12)  # fmt: skip
    x = np.linspace(0, found.outer_radius_mm * math.sin(half), 5001)
    top = np.sqrt(found.outer_radius_mm**2 - x**2)
    low = np.where(
        x <= corner_x,
        np.sqrt(np.maximum(found.inner_radius_mm**2 - x**2, 0)),
        x / math.tan(half),
    )
    assert np.min(low + layout.pitch_mm - top) > -1e-9
    assert layout.length_mm(2) == pytest.approx(found.height_mm)
    assert layout.length_mm(3) == pytest.approx(found.height_mm + layout.pitch_mm)
    assert layout.used_fraction < 1


def test_every_blank_of_a_nest_is_its_cone():
    prescription = nestings_from_design(DESIGN)
    for nesting in prescription.nestings[::40]:
        primary, secondary = blanks_of_nesting(nesting, azimuth=90 * u.deg)
        tan = math.tan(nesting.primary_angle_rad)
        front = nesting.radius_mm + 92 * tan
        assert primary.outer_arc_mm == pytest.approx(front * math.pi / 2)
        assert primary.angle_rad == pytest.approx(
            math.pi / 2 * math.sin(nesting.primary_angle_rad), rel=1e-9
        )
        rear = nesting.radius_mm - 92 * math.tan(nesting.secondary_angle_rad)
        assert secondary.inner_arc_mm == pytest.approx(rear * math.pi / 2)


def test_what_is_no_cone_is_refused():
    with pytest.raises(GeometryError, match="large_radius must exceed"):
        blank(large=70.0)
    with pytest.raises(GeometryError, match="360 deg"):
        blank(azimuth=361.0)
    with pytest.raises(GeometryError, match=r"sheet_width must be at least"):
        layout_on_sheet(blank(), sheet_width=10 * u.mm)
