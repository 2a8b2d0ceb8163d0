"""Openings: azimuths within quadrant and aperture, and rings that leave nothing out."""

import math
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from beamreduce.errors import GeometryError
from beamreduce.raytrace import Light, MirrorState, Placement, Quadrant
from beamreduce.raytrace.strata import cut_into_strata, sectors
from tests.raytrace.made_mirrors import ARCMIN, FOCAL, SOURCE, nest, run, tight_nest

TURN = 2 * math.pi
azimuths = st.floats(-7, 7)


def opened(mirror):
    return [piece for quadrant in mirror.quadrants for piece in sectors(mirror, quadrant)]


def covered(azimuth, ranges):
    return any((azimuth - first) % TURN < width for first, width in ranges)


@given(
    first=azimuths,
    width=st.floats(0.1, 6),
    opening=azimuths,
    span=st.floats(0.1, 6),
)
def test_sectors_are_where_quadrant_and_aperture_are_both(first, width, opening, span):
    part = Quadrant(name="part", azimuth_rad=(first, first + width))
    mirror = MirrorState(
        prescription=nest(130.0), quadrants=(part,), open_rad=((opening, opening + span),)
    )
    pieces = opened(mirror)
    assert all(w <= math.pi / 2 + 1e-9 for _, w in pieces)
    for azimuth in np.linspace(0, TURN, 97)[:-1] + 0.001:
        both = covered(azimuth, [(first, width)]) and covered(azimuth, [(opening, span)])
        borders = [first, first + width, opening, opening + span]
        near = min(abs((azimuth - b + math.pi) % TURN - math.pi) for b in borders)
        if near > 1e-9:
            assert covered(azimuth, pieces) == both
    # None is counted twice.
    total = sum(w for _, w in pieces)
    grid = (np.arange(20_000) + 0.5) / 20_000 * TURN
    inside = ((grid - first) % TURN < width) & ((grid - opening) % TURN < span)
    assert total == pytest.approx(inside.mean() * TURN, abs=4 * TURN / 20_000)


def test_four_quadrants_are_the_whole_mirror():
    strata = cut_into_strata(MirrorState(prescription=nest(130.0)), Light(), whole=False)
    assert strata.openings["width"] == pytest.approx([math.pi / 2] * 4)
    assert strata.openings["quadrant"].tolist() == [0, 1, 2, 3]
    assert not strata.moved.any()


def test_only_what_moved_is_moved():
    lean = Placement(lean_rad=(1e-4, 0.0))
    quadrants = (
        Quadrant(name="A", azimuth_rad=(0.0, 1.0)),
        Quadrant(name="B", azimuth_rad=(1.0, 2.0), primary=lean, secondary=lean),
        Quadrant(name="C", azimuth_rad=(2.0, 3.0), secondary=lean),
    )
    mirror = MirrorState(prescription=nest(130.0), quadrants=quadrants)
    strata = cut_into_strata(mirror, Light(), whole=False)
    assert strata.moved.tolist() == [[False, False], [False, True], [True, True]]
    tilted = Light(off_axis_rad=1e-3)
    assert cut_into_strata(mirror, tilted, whole=False).moved[:, 1].all()


@pytest.mark.parametrize(
    "light",
    [
        Light(),
        Light(source_distance_mm=SOURCE),
        Light(source_distance_mm=40_000.0, source_diameter_mm=20.0),
        Light(source_distance_mm=SOURCE, off_axis_rad=8 * ARCMIN, azimuth_rad=1.0),
        Light(off_axis_rad=8 * ARCMIN, off_axis_by="source_shift"),
    ],
)
def test_what_is_left_out_of_an_opening_never_reaches_the_primary(light):
    # The same area, whether rays are spread over whole openings or only where some can
    # meet the primary; two foils with a wide space between them.
    mirror = nest(130.0, 134.0, thickness=0.2)
    some = run(mirror, light, FOCAL, rays=400_000)
    every = run(mirror, light, FOCAL, rays=1_600_000, fates=("focused", "straight"))
    assert every.rays_by_fate["straight"] > 10 * some.rays_by_fate["straight"]
    assert some.opening_by_fate_mm2["focused"] == pytest.approx(
        every.opening_by_fate_mm2["focused"], rel=2e-3
    )
    noise = math.hypot(some.area_error_mm2[0], 2e-4 * some.area_mm2[0])
    assert some.area_mm2[0] == pytest.approx(
        every.opening_by_fate_mm2["focused"], abs=5 * noise
    )


def test_nothing_open_is_said():
    part = Quadrant(name="Q1", azimuth_rad=(0.0, 1.0))
    mirror = MirrorState(
        prescription=nest(130.0), quadrants=(part,), open_rad=((2.0, 3.0),)
    )
    with pytest.raises(GeometryError, match="nothing is open: no quadrant lies within"):
        cut_into_strata(mirror, Light(), whole=False)


def test_a_source_inside_the_mirror_is_refused():
    mirror = MirrorState(prescription=nest(130.0), pre_collimator_mm=50.0)
    with pytest.raises(GeometryError, match="stand in front of the mirror; at 130 mm"):
        cut_into_strata(mirror, Light(source_distance_mm=130.0), whole=False)


def test_openings_of_a_tight_nest_hold_the_beam_between_its_foils():
    prescription = tight_nest(120.0, 126.0)
    mirror = MirrorState(prescription=prescription)
    strata = cut_into_strata(mirror, Light(), whole=True)
    front = [
        n.radius_mm + n.primary_length_mm * math.tan(n.primary_angle_rad)
        for n in prescription.nestings
    ]
    rings = [front[0] ** 2 - prescription.nestings[0].radius_mm ** 2]
    rings += [b**2 - (a + 0.17) ** 2 for a, b in pairwise(front)]
    assert strata.openings["area_mm2"].sum() == pytest.approx(math.pi * sum(rings))
