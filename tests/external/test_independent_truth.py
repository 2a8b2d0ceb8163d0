"""Photons, truths and the catalogue of the independent trace against what must hold.

Sources: closed forms of encircled energy; counting statistics; error of a diameter from
N photons (derived): √(q(1−q)/N) over the density of the encircled energy.
"""

import math
from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
from scipy.stats import chi2

from tests.external.independent_cases import FallingReflectivity, cases
from tests.external.independent_trace import (
    Beam,
    FigureErrors,
    Mirror,
    SlopeLaw,
    trace,
)
from tests.external.independent_truth import (
    Question,
    centroid,
    diameter,
    draw_photons,
    encircled,
    heaviest,
    truth,
)
from tests.external.perfect_nesting import ARCSEC, SKY, junction_only, nest

LAW = SlopeLaw(scales=(10 * ARCSEC,))


@pytest.fixture(scope="session")
def truth_folder(pytestconfig):
    """Truths already traced by this very code are kept between sessions."""
    return pytestconfig.cache.mkdir("independent_trace")


def on_quantiles(radius_of_share, count=100_000):
    """Weighted points whose radii are exact quantiles, wound around the center."""
    radius = radius_of_share((np.arange(count) + 0.5) / count)
    turn = 2 * np.pi * (np.arange(count) * 0.6180339887498949 % 1)
    return radius * np.cos(turn), radius * np.sin(turn), np.full(count, 2.0)


@pytest.mark.parametrize(
    ("radius_of_share", "reference", "hpd", "w90"),
    [
        # 2-D Gaussian normalised at 5σ: HPD/σ 2.354813715; W90 2σ√(−2 ln(1−0.9·EE(5σ))).
        (lambda q: np.sqrt(-2 * np.log1p(-q)), 5.0, 2.354813715, 4.291868),
        (np.sqrt, 1.0, 1.414213562, 1.897366596),  # uniform disc
        (lambda q: q, 1.0, 1.0, 1.8),  # cone blur
    ],
)
def test_diameters_of_closed_forms(radius_of_share, reference, hpd, w90):
    """Steps of the shares (1e-5) and fine rings (reference/20 000) limit agreement."""
    edges, within = encircled(*on_quantiles(radius_of_share), reference)
    assert diameter(edges, within, 0.5) == pytest.approx(hpd, rel=1e-4)
    assert diameter(edges, within, 0.9) == pytest.approx(w90, rel=1e-4)


def test_the_centroid_is_the_mean_within_its_own_half_power_diameter():
    """A bright core and a faint lump aside: the rule's fixed point, from photons alone."""
    rng = np.random.default_rng(21)
    core, lump = rng.normal(0, 1, (60_000, 2)), rng.normal((6, 0), 1, (20_000, 2))
    x, y = np.concatenate([core, lump]).T + np.array([[3.0], [-2.0]])
    weight = rng.uniform(0.5, 1.5, x.size)
    center = centroid(x, y, weight, 20.0)
    radius = np.hypot(x - center[0], y - center[1])
    order = np.argsort(radius)
    within = np.cumsum(np.where(radius < 20.0, weight, 0.0)[order])
    hpd = 2 * radius[order][np.searchsorted(within, within[-1] / 2)]
    inside = radius <= hpd
    mean = np.average(np.stack([x, y])[:, inside], axis=1, weights=weight[inside])
    # Rings are reference/20 000 wide and the rule stops at 1e-5 of the HPD.
    assert center == pytest.approx(mean, abs=2e-3)
    assert not np.allclose(center, np.average([x, y], axis=1, weights=weight), atol=0.1)


def test_drawn_photons_follow_the_weights():
    """Chi-square of sector and ring counts against the weighted trace of more rays."""
    mirror = Mirror(
        prescription=nest(5200.0, [120.0, 150.0], 90.0),
        errors=FigureErrors(
            primary=LAW, secondary=LAW, quadrant_shifts=((0.5, 0.5),) + ((0.0, 0.0),) * 3
        ),
        reflectivity=FallingReflectivity(0.008),
    )
    beam = Beam(distance=60e3, diameter=0.5, off_axis=3e-4, azimuth=1.0)
    photons = draw_photons(mirror, beam, 5700.0, 40_000, np.random.default_rng(22))
    assert photons.shape == (40_000, 2)
    rays = trace(mirror, beam, 1_000_000, np.random.default_rng(23))
    edges = np.linspace(-4, 4, 17)
    drawn = np.histogram2d(*photons.T, bins=edges)[0].ravel()
    x, y = rays.at(5700.0)
    wanted = np.histogram2d(x, y, bins=edges, weights=rays.weight)[0].ravel()
    squares = np.histogram2d(x, y, bins=edges, weights=rays.weight**2)[0].ravel()
    scale = photons.shape[0] / rays.weight.sum()
    full = wanted * scale > 25
    variance = (wanted * scale + squares * scale**2)[full]
    square = ((drawn - wanted * scale)[full] ** 2 / variance).sum()
    assert full.sum() > 40
    assert 1e-3 < chi2.sf(square, full.sum() - 1) < 1 - 1e-3


def test_no_weight_exceeds_its_bound():
    mirror = Mirror(prescription=nest(3500.0, [60.0, 173.0], 100.0))
    for beam in (SKY, Beam(distance=35e3, diameter=1.0, off_axis=2e-3, azimuth=3.0)):
        heavy = trace(mirror, beam, 200_000, np.random.default_rng(24)).weight.max()
        assert 0.7 * heaviest(mirror, beam) < heavy <= heaviest(mirror, beam)


def test_draws_scatter_as_the_number_of_photons_says():
    """HPD of a rotated Gaussian scatters by 1.166387287/√N; 200 draws know it to 5 %."""
    mirror = junction_only(primary=LAW, secondary=LAW)
    found = []
    for seed in range(200):
        photons = draw_photons(mirror, SKY, 5200.0, 2000, np.random.default_rng(seed))
        found.append(2 * np.median(np.hypot(*photons.T)))
    expected = 3.815490210 * 5200.0 * 10 * ARCSEC
    sigma = 1.166387287 / math.sqrt(2000) * expected
    assert np.mean(found) == pytest.approx(expected, abs=4 * sigma / math.sqrt(200))
    assert np.std(found, ddof=1) == pytest.approx(sigma, rel=4 / math.sqrt(2 * 199))


def test_standard_errors_of_a_truth_are_those_of_repeats():
    """40 small truths of a closed form: HPD and error, area ratio and error.

    Standard deviations of 40 repeats are known to 11 %.
    """
    mirror = junction_only(primary=LAW, secondary=LAW)
    lone = Mirror(prescription=nest(5200.0, [130.0], 90.0))
    angle = 200 * ARCSEC
    question = Question(
        source=Beam(distance=86e3),
        source_plane=5534.65,
        distance=5200.0,
        reference_angle=angle,
        center=(0.0, 0.0),
        rays=20_000,
    )
    found = [truth(mirror, replace(question, seed=s)) for s in range(40)]
    ratios = [truth(lone, replace(question, seed=s)) for s in range(40)]
    for name, expected, of in (
        ("hpd", 3.815490210 * 10, found),
        ("area_ratio", 1 / 0.7570188, ratios),  # meridian algebra
    ):
        values = [getattr(t, "hpd_arcsec" if name == "hpd" else name) for t in of]
        quoted = np.mean([getattr(t, f"{name}_error") for t in of])
        scatter = np.std(values, ddof=1)
        assert np.mean(values) == pytest.approx(expected, abs=4 * scatter / math.sqrt(40))
        assert quoted == pytest.approx(scatter, rel=4 * 0.11)


def test_a_truth_is_traced_once_and_depends_on_what_is_asked(tmp_path):
    case = next(c for c in cases() if c.name == "f10/20")
    question = case.question(rays=20_000)
    first = case.truth(tmp_path, question)
    (kept,) = tmp_path.iterdir()
    stamp = kept.stat().st_mtime_ns
    assert case.truth(tmp_path, question) == first
    assert kept.stat().st_mtime_ns == stamp
    other = replace(case, errors=FigureErrors(primary=LAW, secondary=LAW))
    assert other.truth(tmp_path, question).hpd_arcsec > 1.3 * first.hpd_arcsec
    assert len(list(tmp_path.iterdir())) == 2


def test_draws_repeat_by_seed_and_differ_between_exposures():
    case = replace(cases("inside")[0], photons=3000)
    planes = case.distances[:2]
    first, again, other = (case.draw(seed, planes) for seed in (1, 1, 2))
    for plane in planes:
        assert np.array_equal(first[plane], again[plane])
        assert not np.array_equal(first[plane][:50], other[plane][:50])
    assert not np.array_equal(first[planes[0]][:50], first[planes[1]][:50])
    numbers = [len(case.draw(seed)[planes[0]]) for seed in range(60)]
    assert np.mean(numbers) == pytest.approx(3000, abs=4 * math.sqrt(3000 / 60))
    assert np.var(numbers, ddof=1) == pytest.approx(3000, rel=4 * math.sqrt(2 / 59))


def test_one_quadrant_lands_where_it_was_displaced_to():
    """Q4 of the displaced mirror lies 10″ below where Q4 of the straight one lies.

    Standard error of a mean of 20 000 photons with a width of 30″ each.
    """
    case = replace(next(c for c in cases() if c.name == "f5.2/quadrants"), photons=20_000)
    straight = replace(case, errors=replace(case.errors, quadrant_shifts=((0.0, 0.0),) * 4))
    plane = case.distances[0]
    means = [c.draw(3, quadrant=3)[plane].mean(axis=0) for c in (case, straight)]
    moved = (means[0] - means[1]) / plane / ARCSEC
    sigma = 30 * math.sqrt(2 / 20_000)
    assert moved == pytest.approx([0.0, -10.0], abs=4 * sigma)


def test_the_catalogue_covers_the_grid(truth_folder):
    """HPD 15–120″ and L/f 10–100 inside the family, each kind of misfit present.

    Small truths: 100 000 rays know an HPD to 1 %.
    """
    grid = cases("inside")
    assert len({case.name for case in cases()}) == len(cases())
    kinds = {"ripple", "cone angle", "quadrants", "tails", "reflectors", "sideways"}
    assert {case.kind for case in cases()} == kinds | {"inside"}
    ratios = [c.source_distance / c.prescription.focal_length_mm for c in grid]
    assert (min(ratios), max(ratios)) == pytest.approx((10, 100))
    counts = [len(c.prescription.nestings) for c in grid]
    assert min(counts) >= 20
    assert max(counts) <= 175
    small = [c.truth(truth_folder, c.question(rays=100_000)) for c in grid]
    hpds = sorted(t.hpd_arcsec for t in small)
    assert hpds[0] == pytest.approx(15, rel=0.04)
    assert hpds[-1] == pytest.approx(120, rel=0.04)
    assert max(b / a for a, b in pairwise(hpds)) < 2.1
    assert all(t.beyond_reference < 0.01 for t in small)
