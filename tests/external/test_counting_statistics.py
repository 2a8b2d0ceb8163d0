"""Counting intervals, ratios and errors of diameters against published numbers."""

import astropy.units as u
import numpy as np
import pytest
from astropy.stats import poisson_conf_interval
from scipy import special

from beamreduce.background import BackgroundRings
from beamreduce.encircled_energy import (
    analytic_uncertainty_mm,
    crossing_diameters_mm,
    measure_diameters,
    net_rings,
    standard_radii,
)
from beamreduce.rings import count_photons
from beamreduce.statistics import poisson_interval, ratio_with_uncertainty

# Gehrels 1986, ApJ 303, 336, tables 1 and 2 (S = 1): limits for n counts, as exact
# chi-square quantiles to six digits.
GEHRELS = [
    (0, 0.0, 1.841022),
    (1, 0.172754, 3.299527),
    (2, 0.708185, 4.637860),
    (3, 1.367295, 5.918186),
    (5, 2.840309, 8.382473),
    (10, 6.891306, 14.266950),
    (20, 15.565552, 25.546519),
    (100, 90.016745, 111.033361),
]


@pytest.mark.parametrize(("counts", "lower", "upper"), GEHRELS)
def test_poisson_limits_of_the_published_table(counts, lower, upper):
    found = poisson_interval(counts)
    assert (float(found[0]), float(found[1])) == pytest.approx((lower, upper), abs=6e-7)


@pytest.mark.parametrize("sigma", [1.0, 2.0, 3.0])
def test_poisson_limits_of_another_library(sigma):
    counts = np.array([0, 1, 2, 3, 5, 10, 20, 100, 1000, 100_000])
    expected = poisson_conf_interval(counts, "frequentist-confidence", sigma=sigma)
    np.testing.assert_allclose(poisson_interval(counts, sigma=sigma), expected, rtol=1e-9)


def test_the_approximation_of_the_same_paper():
    # Eq. 9, S = 1: within 1 % of the upper limit for every n (table 3 of the paper).
    n = np.arange(200.0)
    upper = (n + 1) * (1 - 1 / (9 * (n + 1)) + 1 / (3 * np.sqrt(n + 1))) ** 3
    np.testing.assert_allclose(poisson_interval(n)[1], upper, rtol=0.01)


@pytest.mark.parametrize(
    ("a", "b", "error"),
    [(100, 400, 0.027950850), (1000, 2500, 0.014966630), (10, 40, 0.088388348)],
)
def test_ratios_of_counts(a, b, error):
    # (a/b) √(1/a + 1/b), worked out apart (derived).
    found = ratio_with_uncertainty((a, np.sqrt(a)), (b, np.sqrt(b)))
    assert found == (a / b, pytest.approx(error, abs=5e-10))


# Error of a diameter from N photons (derived from the order statistic, whose law is a
# beta law): σ(d)/d √N = √(q(1-q))/(r EE′(r)), for HPD. Beside it the radius in mm that
# holds a share of the photons, and the reference radius: far enough out for all of them
# (the King profile loses a share of 1e-3).
SHAPES = {
    "gaussian": (0.721347520, lambda q: np.sqrt(-2 * np.log1p(-q)), 7.0),
    "rotated gaussian": (1.166387287, lambda q: special.ndtri((1 + q) / 2), 7.0),
    "cone blur": (1.0, lambda q: q, 1.0),
    "uniform disc": (0.5, np.sqrt, 1.0),
    "king 1.5": (1.333333333, lambda q: np.sqrt((1 - q) ** -2 - 1), 1000.0),
}
GAUSSIAN_W90_ERROR = 0.651441723


def net_photons(shape, number, rng):
    _, radius_of_share, reference_mm = SHAPES[shape]
    offsets = radius_of_share(rng.random(number))
    radii = standard_radii(
        radius_of_share(0.5) * u.mm,
        reference_radii=reference_mm * u.mm,
        largest_radius=reference_mm * u.mm,
    )
    rings = count_photons(offsets * u.mm, radii, detector_distance=5 * u.m)
    return net_rings(rings, BackgroundRings.none(radii.size), reference_mm * u.mm)


def stream(shape, seed):
    return np.random.default_rng([seed, sorted(SHAPES).index(shape)])


@pytest.mark.parametrize("shape", SHAPES)
def test_bootstrap_of_n_photons(shape):
    number, replicates, rng = 100_000, 4000, stream(shape, 20240622)
    error, radius_of_share, _ = SHAPES[shape]
    measured = measure_diameters(
        net_photons(shape, number, rng), rng, replicates=replicates
    )
    hpd, expected = 2 * radius_of_share(0.5), error / np.sqrt(number)
    assert measured.of(0.5).value == pytest.approx(hpd, rel=4 * expected + 1e-3)
    # The scatter of n replicates is known to 1/√(2n) = 1.1 %. They follow the slope of the
    # curve of *these* photons over ± σ(q), some √N = 316 of them: 1/√316 = 5.6 %.
    noise = np.hypot(1 / np.sqrt(2 * replicates), number**-0.25)
    assert measured.of(0.5).statistical / hpd == pytest.approx(expected, rel=3 * noise)
    if shape == "gaussian":
        relative = measured.of(0.9).statistical / 4.291932053 * np.sqrt(number)
        assert relative == pytest.approx(GAUSSIAN_W90_ERROR, rel=3 * noise)


@pytest.mark.parametrize("shape", SHAPES)
def test_formula_for_n_photons(shape):
    number = 100_000
    error, radius_of_share, _ = SHAPES[shape]
    net = net_photons(shape, number, stream(shape, 20240624))
    relative = analytic_uncertainty_mm(net) / (2 * radius_of_share(0.5)) * np.sqrt(number)
    # The slope is a secant over a fifth of the photons: longer than the tangent by a known
    # factor (3.7 % for King, below 1 % for the others), and noisy by 1/√20 000 = 0.7 %.
    step = 1e-6
    secant = (radius_of_share(0.6) - radius_of_share(0.4)) / 0.2
    tangent = (radius_of_share(0.5 + step) - radius_of_share(0.5 - step)) / (2 * step)
    assert relative == pytest.approx(
        error * secant / tangent, rel=3 / np.sqrt(0.2 * number)
    )
    assert relative == pytest.approx(error, rel=0.06)


@pytest.mark.parametrize("shape", SHAPES)
def test_hpd_scatters_as_the_order_statistic_says(shape):
    # No bootstrap: repeats of the measurement itself.
    number, repeats, rng = 3000, 400, stream(shape, 20240623)
    error, radius_of_share, _ = SHAPES[shape]
    found = np.empty(repeats)
    for k in range(repeats):
        net = net_photons(shape, number, rng)
        found[k] = crossing_diameters_mm(net.radius_mm, net.growth, (0.5,))[0, 0]
    relative = found.std(ddof=1) / (2 * radius_of_share(0.5)) * np.sqrt(number)
    # 1/√(2·400) = 3.5 %: three of these. The next order in 1/N is below 0.1 %.
    assert relative == pytest.approx(error, rel=0.106)
    # Its mean: no bias beyond 4 standard errors (order 1/N: 0.2 % of an error bar).
    bias = found.mean() / (2 * radius_of_share(0.5)) - 1
    allowed = 1.4e-3 if shape == "king 1.5" else 1e-4  # light beyond 1000 rc; ring width
    assert abs(bias) < 4 * error / np.sqrt(number * repeats) + allowed
