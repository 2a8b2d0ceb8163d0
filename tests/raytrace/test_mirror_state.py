"""Mirrors that cannot be are refused; parts and apertures by name."""

import math
from dataclasses import replace

import astropy.units as u
import numpy as np
import pytest

from beamreduce.errors import GeometryError, SettingsError
from beamreduce.mirror import (
    Coating,
    MirrorDesign,
    Prescription,
    nestings_from_design,
    reflectivity_table,
)
from beamreduce.raytrace import (
    AlignmentBars,
    ErrorLaw,
    FigureErrors,
    MirrorState,
    Placement,
    Quadrant,
    four_quadrants,
    mirror_as_designed,
    quadrants_between,
)
from tests.raytrace.made_mirrors import nest

GOLD = reflectivity_table(Coating(formula="Au"), 1.5 * u.keV)
ROUGH = reflectivity_table(Coating(formula="Au", roughness=1 * u.nm), 1.5 * u.keV)
TURN = 2 * math.pi


def with_first(prescription, **change):
    first, *others = prescription.nestings
    return Prescription(
        nestings=(replace(first, **change), *others),
        focal_length_mm=prescription.focal_length_mm,
    )


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"radius_mm": 140.0}, "140 mm and 135 mm, out of order"),
        ({"thickness_mm": 9.0}, "room for a foil of 9 mm"),
        ({"secondary_angle_rad": 0.001}, "nesting 1: found primary_angle"),
        ({"secondary_length_mm": 9000.0}, "a surface that does not cross the axis"),
        ({"primary_length_mm": -1.0}, "nesting 1: radius and lengths must be above zero"),
        ({"gap_mm": math.nan}, "nesting 1: radius and lengths must be above zero"),
    ],
)
def test_a_prescription_that_cannot_be_is_refused(change, message):
    prescription = with_first(nest(130.0, 135.0), **change)
    with pytest.raises(GeometryError, match=message):
        MirrorState(prescription=prescription)


def test_a_focal_length_that_the_angles_contradict_is_refused():
    prescription = replace(nest(130.0), focal_length_mm=5000.0)
    with pytest.raises(GeometryError, match=r"angles that focus at 5200\.0 mm"):
        MirrorState(prescription=prescription)


def state(**settings):
    return MirrorState(prescription=nest(130.0, 135.0), **settings)


def quadrant(name, first, last):
    return Quadrant(name=name, azimuth_rad=(math.radians(first), math.radians(last)))


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: state(quadrants=()), "at least one quadrant; got none"),
        (
            lambda: state(quadrants=(quadrant("Q1", 0, 90), quadrant("Q2", 80, 170))),
            r"must not share azimuths; Q1 \[ *0. *90.\] deg and Q2",
        ),
        (
            lambda: state(quadrants=(quadrant("Q1", 300, 60), quadrant("Q2", 10, 20))),
            "must not share azimuths",
        ),
        (
            lambda: state(quadrants=(quadrant("Q1", 0, 90), quadrant("Q1", 90, 180))),
            "quadrants must have different names",
        ),
        (lambda: state(open_rad=((1.0, 1.0),)), "must have two different ends in rad"),
        (lambda: state(pre_collimator_mm=-1.0), "pre_collimator_mm must not be below zero"),
        (lambda: state(coatings=(GOLD, GOLD)), "must say which coating each nesting has"),
        (
            lambda: state(coatings=(GOLD,), coating_of_nesting=np.array([0])),
            r"a whole number for each nesting \(2\)",
        ),
        (
            lambda: state(coatings=(GOLD,), coating_of_nesting=np.array([0, 1])),
            "must be below 1, the number of coatings; got 0 to 1",
        ),
        (
            lambda: state(
                coatings=(GOLD, reflectivity_table(Coating(formula="Au"), 2 * u.keV)),
                coating_of_nesting=np.array([0, 1]),
            ),
            "coatings must share energies and angles",
        ),
        (lambda: state(coatings=(ROUGH,)), "a rough coating scatters light.*set scatter"),
        (lambda: AlignmentBars(count=0, width_mm=1.0), "bars must be at least one"),
        (lambda: AlignmentBars(count=4, width_mm=0.0), "of a width above zero"),
        (lambda: Placement(lean_rad=(1.0, 0.0)), "lean_rad must be within ±0.01 rad"),
        (lambda: Placement(shift_mm=(math.nan, 0, 0)), "a placement must be finite"),
        (
            lambda: FigureErrors(primary_mean_rad=np.zeros(3)).means_rad(2, 4),
            "primary_mean_rad must be one number, or one a nesting",
        ),
        (
            lambda: FigureErrors(secondary_mean_rad=1.0).means_rad(2, 4),
            "secondary_mean_rad must be finite and within",
        ),
        (lambda: state().behind_aperture("Q9"), r"aperture must be 'full' or.*got 'Q9'"),
    ],
)
def test_parts_that_cannot_be_are_refused(call, message):
    with pytest.raises(SettingsError, match=message):
        call()


def test_means_are_one_for_all_or_one_a_nesting_or_one_each():
    one = FigureErrors(primary_mean_rad=1e-5).means_rad(2, 4)
    assert np.all(one[0] == 1e-5)
    assert not one[1].any()
    by_nesting = FigureErrors(secondary_mean_rad=np.array([1e-5, 2e-5])).means_rad(2, 4)
    assert by_nesting[1].tolist() == [[1e-5] * 4, [2e-5] * 4]
    each = np.arange(8).reshape(2, 4) * 1e-6
    assert np.array_equal(FigureErrors(primary_mean_rad=each).means_rad(2, 4)[0], each)


@pytest.mark.parametrize(
    ("first", "last", "width"),
    [(0, 90, 90), (270, 360, 90), (300, 60, 120), (0, 360, 360), (-45, 45, 90)],
)
def test_width_of_a_quadrant(first, last, width):
    found = quadrant("Q", first, last).width_rad
    assert found == pytest.approx(math.radians(width), abs=1e-9)


def test_quadrants_and_apertures_by_name():
    four = four_quadrants()
    assert [q.name for q in four] == ["Q1", "Q2", "Q3", "Q4"]
    assert sum(q.width_rad for q in four) == pytest.approx(TURN, abs=1e-12)
    named = quadrants_between({"A": (10 * u.deg, 80 * u.deg), "B": (90 * u.deg, 3 * u.rad)})
    assert named[0].width_rad == pytest.approx(math.radians(70), abs=1e-12)
    assert state().behind_aperture("Q2").open_rad == (four[1].azimuth_rad,)
    assert state().behind_aperture("Q2").behind_aperture("full").open_rad is None


def test_the_design_brings_bars_blades_and_coatings():
    design = MirrorDesign(
        focal_length=5.2 * u.m,
        inner_radius=130 * u.mm,
        outer_radius=134 * u.mm,
        reflector_length=90 * u.mm,
        reflector_thickness=0.17 * u.mm,
        coating="Au",
        roughness=0 * u.nm,
        bar_count=13,
        bar_width=0.8 * u.mm,
        pre_collimator_length=3 * u.cm,
    )
    prescription = nestings_from_design(design)
    mirror = mirror_as_designed(design, prescription, [1.5, 4.5] * u.keV)
    assert mirror.bars == AlignmentBars(count=13, width_mm=0.8)
    assert mirror.pre_collimator_mm == 30.0
    assert mirror.energy_kev.tolist() == [1.5, 4.5]
    assert not mirror.scatters
    plain = replace(design, bar_count=0, pre_collimator_length=None)
    assert mirror_as_designed(plain, prescription, 1.5 * u.keV).bars is None
    rough = replace(design, roughness=0.5 * u.nm)
    prescription = nestings_from_design(rough)
    with pytest.raises(SettingsError, match="set scatter"):
        mirror_as_designed(rough, prescription, 1.5 * u.keV)
    scatter = ErrorLaw.none()
    assert mirror_as_designed(rough, prescription, 1.5 * u.keV, scatter=scatter).scatters


def test_bars_stand_between_the_borders_of_quadrants():
    bars = AlignmentBars(count=12, width_mm=1.0).azimuths_rad
    assert np.degrees(bars)[:3] == pytest.approx([15, 45, 75])
    assert AlignmentBars(count=4, width_mm=1.0, first_rad=0.1).azimuths_rad[0] == 0.1
