"""Errors of bars by two ways, and the budget that they leave."""

import math

import astropy.units as u
import numpy as np
import pytest

from beamreduce.mirror import MirrorDesign, nestings_from_design
from beamreduce.quadrants import BARS, BarBudget, bar_effects
from beamreduce.raytrace import Light
from beamreduce.reflectors.bar_tolerances import ENDS, bar_sensitivities

ARCSEC = math.degrees(1) * 3600


def test_rays_in_space_and_in_one_plane_agree():
    """Two programs of this package: one traces rays in space, the other follows them in
    the plane of reflection. They differ in which part of a primary counts as lit: 2 %."""
    nest = nestings_from_design(
        MirrorDesign(
            focal_length=5.2 * u.m,
            inner_radius=70 * u.mm,
            outer_radius=74 * u.mm,
            reflector_length=90 * u.mm,
            reflector_thickness=0.17 * u.mm,
            coating="Au",
            roughness=0 * u.nm,
            gap=4 * u.mm,
        )
    )
    assert BARS == ENDS
    distances = {"source_distance": 86 * u.m, "detector_distance": 5544 * u.mm}
    plane = bar_sensitivities(nest, **distances)
    space = bar_effects(nest, Light.near(86 * u.m), 5544.0)
    for one, other in zip(space, plane, strict=True):
        assert one.nesting == other.nesting
        found = one.radial / 1000 / 5544 * ARCSEC
        expected = [other.shift_arcsec_per_um[end] for end in ENDS]
        assert found == pytest.approx(expected, rel=0.02)
        leaned = np.abs(one.tilt_mm) / 5544 * ARCSEC * math.radians(1 / 60)
        expected = np.abs([other.shift_arcsec_per_arcmin[end] for end in ENDS])
        assert leaned == pytest.approx(expected, rel=0.02, abs=1e-6)


def budget(target_arcsec):
    """HPD that grows as the square of the error: 40 arcsec and 10 more at 2 um."""
    error = np.array([0.0, 1e-3, 2e-3, 3e-3, 4e-3])
    hpd = (40 + 2.5 * (error * 1e3) ** 2) / ARCSEC
    target = None if target_arcsec is None else target_arcsec / ARCSEC
    return BarBudget(error_mm=error, hpd_rad=hpd, target_rad=target)


def test_the_budget_is_where_the_curve_meets_the_target():
    assert budget(50.0).allowed_mm == pytest.approx(2e-3, rel=0.01)
    assert "below 2 µm" in budget(50.0).sentence


@pytest.mark.parametrize(
    ("target", "words"),
    [(None, ""), (39.0, "missed without any error"), (100.0, "kept by all errors")],
)
def test_a_target_that_says_nothing_of_bars_is_said(target, words):
    assert budget(target).allowed_mm is None
    assert words in budget(target).sentence
