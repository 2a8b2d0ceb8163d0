"""Bars of a campaign's quadrants: what is allowed, said in words, and rows of tables."""

import astropy.units as u
import numpy as np
import pytest

from beamreduce.mirror import MirrorDesign, nestings_from_design
from beamreduce.mirror.bar_errors import bar_sensitivities
from beamreduce.quadrants import Quarters
from beamreduce.reduction.quadrants_bars import bar_rows, bars_allowed
from beamreduce.units import arcsec_per_mm

ARCSEC = arcsec_per_mm(1.0)
DETECTOR = 5544.0
NEST = nestings_from_design(
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
BARS = bar_sensitivities(NEST, source_distance=86 * u.m, detector_distance=DETECTOR * u.mm)
SIGMA = 30.0


def quarters():
    """Light of a normal law along each azimuth, in one plane."""
    offset = np.linspace(-6, 6, 801) * SIGMA / ARCSEC * DETECTOR
    light = np.exp(-0.5 * (offset / (SIGMA / ARCSEC * DETECTOR)) ** 2)
    turn = np.arange(60)[:, None] * np.pi / 60
    here = ((np.cos(turn) * offset).ravel(), (np.sin(turn) * offset).ravel(),
            np.tile(light, 60))  # fmt: skip
    return Quarters(
        distance_mm=np.array([DETECTOR]),
        points=({"Q1": here},),
        reference_rad=6 * SIGMA / ARCSEC,
        step_rad=0.2 / ARCSEC,
        steepness=0.02,
    )


def test_the_curve_meets_the_target_at_the_allowed_error():
    found = bars_allowed(quarters(), NEST, BARS, 50.0 / ARCSEC)
    assert found.hpd_arcsec[0] == pytest.approx(1.349 * SIGMA, rel=0.01)
    reached = np.interp(found.budget.radial_um, found.error_um, found.hpd_arcsec)
    assert reached == pytest.approx(50.0, rel=1e-6)
    assert f"below {found.budget.radial_um:.3g} µm" in found.sentence


def test_a_target_that_leaves_nothing_for_bars_is_said():
    found = bars_allowed(quarters(), NEST, BARS, 39.0 / ARCSEC)
    assert found.budget is None
    assert "missed without any error" in found.sentence
    assert found.hpd_arcsec[-1] > found.hpd_arcsec[0]


def test_rows_are_moves_on_the_detector():
    row = bar_rows(BARS, DETECTOR)[0]
    # A mirror turned by e/ℓ turns light by twice that (geometrical optics), and all four
    # ends alike are a lens that is shifted.
    expected = 2 * DETECTOR / 90.0
    assert row["primary_front_radial"] == pytest.approx(expected, rel=0.02)
    assert row["all_radial"] == pytest.approx(1 + DETECTOR / 86_000.0, rel=2e-3)
    # The innermost nesting, its bar's outer end towards the detector: it goes towards the
    # source, where this part of its cone is narrower than what it replaces.
    assert row["primary_front_tilt"].value < 0
