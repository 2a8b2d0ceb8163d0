"""The fold against rays traced one by one in a plane, errors inside and outside it.

Both sides share the meridian's geometry, not its quadrature or its ladder. The trace in
space that shares only the prescription is in tests/external/.
"""

import astropy.units as u
import numpy as np
import pytest

from beamreduce.infinity.answer import StarPlane, seen_from_infinity
from beamreduce.infinity.folded import fold
from beamreduce.mirror.prescription import MirrorDesign, nestings_from_design
from tests.infinity.made_rings import fine_radii, measured_of, perfect_reflection
from tests.infinity.plain_plane import ARCSEC, trace

FOCAL, SOURCE, FOCUS, REFERENCE = 5200.0, 86000.0, 5544.0, 6.0
SERIES = (5464.0, 5504.0, FOCUS, 5584.0)
AT_FOCAL = REFERENCE * FOCAL / FOCUS


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
    """Rings of Poisson photons out to the same angle at every distance."""
    made = []
    for distance in distances:
        landed = trace(mirror, SOURCE, distance, errors, rays=400_000, rng=rng)
        radius = np.abs(landed.offset)
        radii = fine_radii(radius, REFERENCE)
        edges = np.concatenate([[0.0], radii])
        light = np.histogram(radius, edges, weights=landed.weight)[0]
        counts = rng.poisson(light / light.sum() * photons)
        made.append(measured_of(radii, counts, distance))
    return made


def answer(mirror, errors, distances, seed):
    """Fold, HPD of a star as it says, and as rays say."""
    rng = np.random.default_rng(seed)
    made = measured(mirror, errors, distances, 40_000, rng)
    folded, hpd = _seen(mirror, made, rng)
    star = trace(mirror, np.inf, FOCAL, errors, rays=1_000_000, rng=rng)
    return folded, hpd, star.diameter(AT_FOCAL, 0.5)


def _seen(mirror, made, rng):
    folded = fold(perfect_reflection(mirror, SOURCE), made)
    plane = StarPlane(distance_mm=FOCAL, reference_rad=REFERENCE / FOCUS)
    seen = seen_from_infinity(folded, plane, 200, rng)[0]
    return folded, seen.quantity(lambda numbers: numbers.diameters_mm(0.5, AT_FOCAL))


# Of HPD: 40 000 photons a distance give 1.2/√40000 = 0.6 % with one distance and 0.3 %
# with four; the traces behind data and truth 1.2/√(their rays that arrive) = 0.3 %.
ONE, FOUR = np.hypot(0.006, 0.003), np.hypot(0.003, 0.003)


def only_with(whole_grid, wanted):
    if not whole_grid and not wanted:
        pytest.skip("runs with --whole-grid")


@pytest.mark.slow
@pytest.mark.parametrize("errors", [two_scale, normal(12, 12), normal(25, 8)])
def test_errors_inside_the_family_come_back_with_a_focus_series(mirror, errors, whole_grid):
    only_with(whole_grid, errors is two_scale)
    folded, hpd, truth = answer(mirror, errors, SERIES, 20261126)
    freedom = folded.best.described.mixture.degrees_of_freedom
    assert folded.best.chi_square < freedom + 5 * np.sqrt(2 * freedom)
    assert abs(hpd.value / truth - 1) < 3 * FOUR
    assert hpd.model / truth < 0.02


@pytest.mark.slow
def test_repeats_of_a_focus_series_lie_about_the_truth(mirror, whole_grid):
    """Twelve draws of photons from light so fine that only they are noise.

    Neither the steps of the ladder, nor what primary and secondary share, nor shares that
    cannot be negative may draw them to one side.
    """
    only_with(whole_grid, wanted=False)
    errors, seeds, parts = normal(12, 12), range(20261210, 20261222), 20
    rng = np.random.default_rng(20261209)
    lights = []
    for distance in SERIES:
        landed = [
            trace(mirror, SOURCE, distance, errors, rays=400_000, rng=rng)
            for _ in range(parts)
        ]
        radii = fine_radii(np.abs(landed[0].offset), REFERENCE)
        edges = np.concatenate([[0.0], radii])
        light = sum(
            np.histogram(np.abs(one.offset), edges, weights=one.weight)[0] for one in landed
        )
        lights.append((radii, light / light.sum(), distance))
    stars = [
        trace(mirror, np.inf, FOCAL, errors, rays=1_000_000, rng=rng).diameter(
            AT_FOCAL, 0.5
        )
        for _ in range(10)
    ]
    found = []
    for seed in seeds:
        rng = np.random.default_rng(seed)
        made = [measured_of(r, rng.poisson(light * 40_000), d) for r, light, d in lights]
        found.append(_seen(mirror, made, rng)[1])
    away = np.array([one.value for one in found]) / np.mean(stars) - 1
    sigma = np.mean([one.statistical for one in found]) / np.mean(stars)
    # Of the mean: photons; light from 20 × 160 000 rays of a distance that arrive, which
    # all draws share, 0.3 % / √20; the star's own rays.
    rays = 0.003 / np.sqrt(parts)
    star = np.std(stars, ddof=1) / np.mean(stars) / np.sqrt(len(stars))
    assert abs(away.mean()) < 3 * np.sqrt(sigma**2 / len(found) + rays**2 + star**2)
    # And of each, whatever draws it: statistical uncertainty is the scatter of repeats.
    assert 0.5 < away.std(ddof=1) / sigma < 1.6  # 12 draws: 3 standard errors of 21 %


@pytest.mark.slow
@pytest.mark.parametrize("offset", [10, -10])
def test_a_common_cone_angle_error_is_found_by_a_focus_series(mirror, offset, whole_grid):
    only_with(whole_grid, offset == 10)
    folded, hpd, truth = answer(mirror, normal(12, 12, offset), SERIES, 20261127)
    assert folded.best.mean_rad / ARCSEC == pytest.approx(offset, abs=1.0)
    assert abs(hpd.value / truth - 1) < 3 * FOUR


def test_one_distance_cannot_tell_the_sign_and_says_so(mirror):
    """10″ on one stage shifts the star's HPD by 10 to 20 %: the spread must cover it."""
    _, hpd, truth = answer(mirror, normal(12, 12, -10), (FOCUS,), 20261128)
    assert hpd.model / truth > 0.02
    assert abs(hpd.value - truth) < 2 * np.hypot(hpd.model, 3 * ONE * truth)


def test_errors_that_no_family_describes_show_in_chi_square(mirror):
    folded, _, _ = answer(mirror, ripple, SERIES, 20261129)
    freedom = folded.best.described.mixture.degrees_of_freedom
    assert folded.best.chi_square > 5 * freedom
    assert not folded.accepted
