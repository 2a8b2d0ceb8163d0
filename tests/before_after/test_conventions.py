"""Runs whose numbers are of other definitions, or were had in other ways."""

import math

import pytest

from beamreduce.before_after import compare_results
from tests.before_after.made_results import (
    DISTANCE_MM,
    curve_of,
    measurement,
    settings_with,
    write_results,
)

RULES = {"background": "exposure", "center": "centroid"}
STAR = {"infinity_detector_distance_mm": 5200.0}


def compared(folder, *, changes=None, mirror=None, curves=None):
    sides = []
    for name, other in (("before", {}), ("after", changes or {})):
        own = {"conventions": RULES, "inputs": {"frame": name}}
        one = measurement(**(own | STAR | other))
        settings = settings_with(mirror=(mirror or {}) if name == "after" else {})
        curve = (curves or {}).get(name, curve_of())
        both = {one.id: (curve, curve)}
        sides.append(write_results(folder / name, [one], settings=settings, curves=both))
    return compare_results(*sides)


def reasons(comparison):
    return {one.key: one.reason for one in comparison.left_out}


def keys(comparison):
    return {one.finding.key for one in comparison.judged}


def test_runs_alike_have_no_word_said_of_their_ways(tmp_path):
    found = compared(tmp_path)
    assert not found.notes
    assert {"hpd_measured_arcsec", "hpd_infinity_arcsec", "eef_measured"} <= keys(found)


def test_another_center_is_another_diameter(tmp_path):
    changes = {"conventions": RULES | {"center": "least_hpd"}}
    found = compared(tmp_path, changes=changes)
    for key in ("hpd_measured_arcsec", "hpd_infinity_arcsec", "eef_measured"):
        assert "centroid before and least_hpd after" in reasons(found)[key]
        assert key not in keys(found)


def test_another_background_is_compared_and_said(tmp_path):
    found = compared(tmp_path, changes={"conventions": RULES | {"background": "wings"}})
    assert "hpd_measured_arcsec" in keys(found)
    assert any("exposure before and wings after (focus)" in note for note in found.notes)


def test_a_star_in_another_plane_is_not_compared(tmp_path):
    found = compared(tmp_path, changes={"infinity_detector_distance_mm": 5210.0})
    for key in ("hpd_infinity_arcsec", "eef_infinity"):
        assert "5200 mm before and at 5210 mm after" in reasons(found)[key]
    assert "hpd_measured_arcsec" in keys(found)


def test_other_optical_constants_are_said(tmp_path):
    found = compared(tmp_path, mirror={"optical_constants": "xraydb"})
    (note,) = found.notes
    assert "not recorded before, xraydb after" in note
    assert "hpd_infinity_arcsec" in keys(found)


def test_curves_are_brought_to_the_smaller_reference_radius(tmp_path):
    smaller = {
        "reference_radius_mm": 5.0,
        "reference_radius_arcsec": 5.0 / DISTANCE_MM * 206264.806,
    }
    found = compared(
        tmp_path, changes=smaller, curves={"after": curve_of(reference_mm=5.0)}
    )
    assert "eef_measured" in keys(found)
    assert "6 mm before and at 5 mm after" in reasons(found)["hpd_measured_arcsec"]
    assert any("set to 1 at the smaller radius" in note for note in found.notes)
    (curve,) = (one for one in found.curves if one.key == "eef_measured")
    assert curve.reference_arcsec == pytest.approx(smaller["reference_radius_arcsec"])
    # One Gaussian within either radius: the same curve once both are 1 at the same radius,
    # but for straight lines between radii h apart, of a curvature up to 1/σ².
    step, sigma = 6.0 / 150 / DISTANCE_MM * 206264.806, 25 / (2 * math.log(2)) ** 0.5
    assert abs(curve.difference).max() < step**2 / 8 / sigma**2
