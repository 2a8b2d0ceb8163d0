"""The fold against rays traced one by one in a plane, errors inside and outside it.

Both sides share the meridian's geometry, not its quadrature or its ladder. The trace in
space that shares only the prescription is in tests/external/.
"""

import astropy.units as u
import numpy as np
import pytest

from beamreduce.infinity.families import fitted_families, likelihoods
from beamreduce.infinity.fold import MeasuredRings, Tables
from beamreduce.infinity.ring_shares import whole_turn
from beamreduce.infinity.slope_ladder import SlopeLadder, error_edges, ladder_steps
from beamreduce.infinity.star_image import diameter
from beamreduce.mirror.prescription import MirrorDesign, nestings_from_design
from beamreduce.raytrace import MeridianLight, OffsetGrid, meridian_table
from tests.infinity.plain_plane import ARCSEC, trace

FOCAL, SOURCE, FOCUS, REFERENCE = 5200.0, 86000.0, 5544.0, 6.0
SERIES = (5464.0, 5504.0, FOCUS, 5584.0)
STEPS = ladder_steps(3 * ARCSEC, 70 * ARCSEC)
GRID = OffsetGrid(reach_mm=7.0, bins=1000)


@pytest.fixture(scope="module")
def mirror():
    return nestings_from_design(
        MirrorDesign(
            focal_length=5.2 * u.m,
            inner_radius=70 * u.mm,
            outer_radius=110 * u.mm,
            reflector_length=90 * u.mm,
            reflector_thickness=0.17 * u.mm,
            coating="Au",
            roughness=0 * u.nm,
        )
    )


@pytest.fixture(scope="module")
def tables(mirror):
    def at(source, distances):
        light = MeridianLight(
            source_distance_mm=source,
            reflectivity=np.ones((1, 3)),
            angle_step_rad=0.5,
        )
        return meridian_table(
            mirror,
            light,
            detector_distances_mm=np.array(distances),
            error_rad=error_edges(STEPS[-1], STEPS[0], 160),
            grid=GRID,
        )

    return Tables(measured=at(SOURCE, SERIES), star=at(np.inf, [FOCAL]))


def normal(primary, secondary, offset=0.0):
    return lambda n, rng: (
        rng.normal(offset * ARCSEC, primary * ARCSEC, n),
        rng.normal(0, secondary * ARCSEC, n),
    )


def two_scale(n, rng):
    def one():
        return rng.normal(0, np.where(rng.random(n) < 0.2, 28, 10) * ARCSEC)

    return one(), one()


def ripple(n, rng):
    return 18 * ARCSEC * np.sin(2 * np.pi * rng.random(n)), rng.normal(0, 6 * ARCSEC, n)


def measured(mirror, errors, distances, photons, rng):
    """Rings of Poisson photons at quantiles of the light, out to the reference radius."""
    rings = []
    for distance in distances:
        landed = trace(mirror, SOURCE, distance, errors, rays=400_000, rng=rng)
        radius = np.abs(landed.offset)
        inside = radius < REFERENCE
        order = np.argsort(radius[inside])
        growth = np.cumsum(landed.weight[inside][order])
        shares = np.concatenate([np.linspace(0, 0.97, 31)[1:], [0.99]])
        at = np.searchsorted(growth, shares * growth[-1])
        radii = np.append(radius[inside][order][at], REFERENCE)
        edges = np.concatenate([[0.0], radii])
        light = np.histogram(radius, edges, weights=landed.weight)[0]
        counts = rng.poisson(light / light.sum() * photons).astype(float)
        rings.append(
            MeasuredRings(
                id=f"{distance:g}",
                distance=SERIES.index(distance),
                energy=0,
                radii_mm=radii,
                photons=counts,
                covariance=np.diag(np.maximum(counts, 1.0)),
                poisson=np.maximum(counts, 1.0),
                blur_mm=0.004,
                azimuths=whole_turn(),
            )
        )
    return rings


def fold(mirror, tables, errors, distances, seed):
    rng = np.random.default_rng(seed)
    rings = measured(mirror, errors, distances, 40_000, rng)
    families = fitted_families(rings, tables, SlopeLadder(steps_rad=STEPS))
    weight = likelihoods(families)
    reference = REFERENCE * FOCAL / FOCUS
    hpd = np.array(
        [diameter(f.described.star[0, 0], GRID.step_mm, reference, 0.5) for f in families]
    )
    mean = float(weight @ hpd)
    spread = float(np.sqrt(weight @ (hpd - mean) ** 2))
    star = trace(mirror, np.inf, FOCAL, errors, rays=1_000_000, rng=rng)
    best = min(families, key=lambda f: f.chi_square)
    return best, mean, spread, star.diameter(reference, 0.5)


# Of HPD: 40 000 photons a distance give 1.2/√40000 = 0.6 % with one distance and 0.3 %
# with four; the traces behind data and truth 1.2/√(their rays that arrive) = 0.3 %.
ONE, FOUR = np.hypot(0.006, 0.003), np.hypot(0.003, 0.003)


def only_with(whole_grid, wanted):
    if not whole_grid and not wanted:
        pytest.skip("runs with --whole-grid")


@pytest.mark.slow
@pytest.mark.parametrize("errors", [two_scale, normal(12, 12), normal(25, 8)])
def test_errors_inside_the_family_come_back_with_a_focus_series(
    mirror, tables, errors, whole_grid
):
    only_with(whole_grid, errors is two_scale)
    best, mean, spread, truth = fold(mirror, tables, errors, SERIES, 20261126)
    freedom = best.described.mixture.degrees_of_freedom
    assert best.chi_square < freedom + 5 * np.sqrt(2 * freedom)
    assert abs(mean / truth - 1) < 3 * FOUR
    assert spread / truth < 0.02


@pytest.mark.slow
@pytest.mark.parametrize("offset", [10, -10])
def test_a_common_cone_angle_error_is_found_by_a_focus_series(
    mirror, tables, offset, whole_grid
):
    only_with(whole_grid, offset == 10)
    best, mean, _, truth = fold(mirror, tables, normal(12, 12, offset), SERIES, 20261127)
    assert best.mean_rad / ARCSEC == pytest.approx(offset, abs=1.0)
    assert abs(mean / truth - 1) < 3 * FOUR


def test_one_distance_cannot_tell_the_sign_and_says_so(mirror, tables):
    """10″ on one stage shifts the star's HPD by 10 to 20 %: the spread must cover it."""
    _, mean, spread, truth = fold(mirror, tables, normal(12, 12, -10), (FOCUS,), 20261128)
    assert spread / truth > 0.02
    assert abs(mean - truth) < 2 * np.hypot(spread, 3 * ONE * truth)


def test_errors_that_no_family_describes_show_in_chi_square(mirror, tables):
    best, _, _, _ = fold(mirror, tables, ripple, SERIES, 20261129)
    assert best.chi_square > 5 * best.described.mixture.degrees_of_freedom
