"""Profiles and rings of the slope ladder against closed forms.

In-plane errors alone, each azimuth spread along its own radius: HPD = 2 Φ⁻¹(3/4) σ
(derived; 1.348979500 σ). Cone blur blurred
by a round Gaussian: noncentral χ² (numbers to nine digits by quadrature over the radius).
"""

import math

import numpy as np
import pytest

from beamreduce.infinity.ladder_steps import error_edges, ladder_steps
from beamreduce.infinity.ring_shares import OpenAzimuths, ring_shares, whole_turn
from beamreduce.infinity.slope_ladder import (
    Plane,
    SlopeLadder,
    ladder_areas,
    ladder_columns,
    mixed_profile,
    seen_targets,
)
from beamreduce.infinity.star import StarCurves
from tests.external.test_meridian import ARCSEC, nest, table


@pytest.mark.parametrize("size", [20.0, 60.0])
def test_errors_of_the_secondary_alone(size):
    """One in-plane error: HPD = 1.348979500 σ with σ = 2 s lever.

    (The primary's error decides which rays hit the secondary; with both the closed form
    holds only where none is missed, which no finite secondary gives.)
    """
    s, none = size * ARCSEC, 0.01 * ARCSEC
    reach = 40 * s * 5200
    found = table(
        nest(5.2, 130, 20), math.inf, [5202.5], errors=error_edges(none, none),
        reach=reach, bins=8000,
    )  # fmt: skip
    plane, ladder = Plane(table=found), SlopeLadder(steps_rad=(none, s))
    offsets, step = found.grid.centers_mm, found.grid.step_mm
    expected = 1.348979500 * 2 * s * found.lever_mm[0]
    # Circles about the half of it in steps of 0.1 %, nearly even light between them.
    near = 0.5 * expected * np.linspace(0.98, 1.02, 41)
    radii = np.append(near, 39 * s * 5200)
    shares = ring_shares(offsets, radii, step / 2, whole_turn())
    second_only = np.array([0.0, 1.0, 0.0, 0.0])
    rings = shares @ mixed_profile(plane, ladder, second_only)
    curve = StarCurves(radii_mm=radii, growth=np.cumsum(rings))
    hpd = float(curve.diameter_mm(0.5, radii[-1]))
    # Cone blur αℓ = 0.125 mm, even about the best focus, in quadrature with σ ≥ 1.0 mm:
    # (0.125² / 12) / 2 of σ² = 6e-4 at most; bins of reach/4000 = 0.01 σ add less.
    assert hpd == pytest.approx(expected, rel=1e-3)
    columns = ladder_columns(seen_targets(plane, shares), ladder)
    # Smoothing the rings is smoothing the light: only light beyond the ends of the grid,
    # 38 σ away, may differ.
    np.testing.assert_allclose(columns[:, 1], rings, atol=1e-9 * rings.sum())
    # Which way the primary turns a ray does not change what reaches the detector here.
    areas = ladder_areas(found, ladder)[0]
    assert areas[1] == pytest.approx(areas[0])


@pytest.mark.parametrize(
    ("sigma", "hpd"), [(0.25, 1.139625553), (0.5, 1.526192748), (1.0, 2.545089464)]
)
def test_cone_blur_with_a_round_blur(sigma, hpd):
    half = 4000
    offsets = (np.arange(2 * half) + 0.5) / 500 - 8.0
    light = ((offsets > 0) & (offsets < 1.0)).astype(float)
    radii = np.array([hpd / 2, 7.9])
    rings = ring_shares(offsets, radii, sigma, whole_turn()) @ light
    # Bins of 0.002: the law is linear over them to their square.
    assert rings[0] / rings.sum() == pytest.approx(0.5, abs=2e-5)


def test_a_displaced_image_is_a_shifted_gaussian():
    """A round Gaussian displaced by d: noncentral χ² about the old center."""
    offsets = (np.arange(400) + 0.5) / 100 - 2.0
    light = np.zeros(400)
    light[199:201] = 0.5  # all light on the axis, within a bin
    shift = np.tile([0.6, -0.8], (1, 1))
    azimuths = OpenAzimuths(
        azimuth_rad=np.array([0.3]), share=np.array([1.0]), shift_mm=shift
    )
    inside = ring_shares(offsets, np.array([1.0, 3.0]), 0.5, azimuths) @ light
    # P(|N(d, σ)| < 1) with d = 1, σ = 0.5: noncentral χ², 2 degrees, parameter 4, at 4
    # (scipy.stats.ncx2, the same function; the value by Monte Carlo below).
    rng = np.random.default_rng(20261125)
    draws = rng.normal(0, 0.5, (400_000, 2)) + shift
    chance = np.mean(np.hypot(*draws.T) < 1.0)
    assert inside[0] == pytest.approx(chance, abs=4 * math.sqrt(0.25 / 400_000) + 5e-4)


def test_steps_are_fine_enough():
    middle = 10 * ARCSEC
    steps = np.array(ladder_steps(middle))
    assert steps[0] == pytest.approx(middle / 5)
    assert steps[-1] == pytest.approx(8 * middle)
    ratio = steps[1:] / steps[:-1]
    assert ratio.max() < 1.4143  # √2: four steps from 2 to 8
    near = (steps[:-1] > 0.49 * middle) & (steps[1:] < 2.01 * middle)
    assert ratio[near].max() < 1.2


def test_edges_are_symmetric_and_reach_five_times_the_largest_step():
    edges = error_edges(90 * ARCSEC, 1.5 * ARCSEC)
    np.testing.assert_allclose(edges, -edges[::-1], atol=1e-18)
    assert edges[-1] == pytest.approx(450 * ARCSEC)
    assert np.diff(edges).min() < 1.5 * ARCSEC / 2


def test_encircled_energy_of_an_even_law():
    offsets = (np.arange(200) + 0.5) / 100 - 1.0
    light = np.where(np.abs(offsets) < 0.5, 1.0, 0.0)
    radii = np.linspace(0, 1, 101)[1:]
    # Middles of bins lie ten times the blur from the ends of rings.
    rings = ring_shares(offsets, radii, 5e-4, whole_turn()) @ light
    curve = StarCurves(radii_mm=radii, growth=np.cumsum(rings))
    found = curve.fraction(np.array([0.25, 0.5, 0.9]), 1.0)
    np.testing.assert_allclose(found, [0.5, 1.0, 1.0], atol=1e-12)
    assert curve.diameter_mm(0.5, 1.0) == pytest.approx(0.5)
