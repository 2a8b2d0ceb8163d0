"""Bias and pull of the three centers, by drawing the same image many times.

Round, ring-shaped (defocused) and one-sided (one quadrant) images; few photons on a
background. The center a rule is to find is that of the same image with very many photons,
since for a one-sided image each rule has its own.
"""

import functools

import numpy as np
import pytest

from beamreduce.encircled_energy import least_hpd
from beamreduce.image import centroid, gaussian
from tests.made_images import photons_on_pixels

SHAPE = (144, 144)
XY = (71.3, 72.2)
REFERENCE_PX = 60.0
RULES = ("centroid", "gaussian", "least_hpd")
KINDS = ("round", "ring", "quadrant")


def positions(kind, number, rng):
    """Positions of photons in pixels."""
    if kind == "round":
        x, y = rng.normal(0, 6, (2, number))
    elif kind == "ring":
        radius, turn = rng.normal(20, 2.5, number), rng.uniform(0, 2 * np.pi, number)
        x, y = radius * np.cos(turn), radius * np.sin(turn)
    else:  # errors in the plane of reflection, some cone blur, a small round part
        radius, turn = rng.normal(3, 6, number), rng.uniform(0, np.pi / 2, number)
        x, y = radius * np.cos(turn), radius * np.sin(turn)
        x, y = x + rng.normal(0, 2, number), y + rng.normal(0, 2, number)
    return XY[0] + x, XY[1] + y


def center(rule, net, variance, rng):
    if rule == "least_hpd":
        return least_hpd(net, variance, rng, reference_px=REFERENCE_PX)
    find = {"centroid": centroid, "gaussian": gaussian}[rule]
    return find(net, variance, reference_px=REFERENCE_PX)


@functools.cache
def true_center(kind, rule):
    rng = np.random.default_rng(314)
    image = photons_on_pixels(SHAPE, *positions(kind, 2_000_000, rng))
    return np.array(center(rule, image, image, rng).xy)


def repeats_of(rule, whole_grid):
    whole = {"centroid": 400, "gaussian": 200, "least_hpd": 60}
    reduced = {"centroid": 100, "gaussian": 40, "least_hpd": 8}  # thirteen images each
    return (whole if whole_grid else reduced)[rule]


@pytest.mark.slow
@pytest.mark.parametrize("rule", RULES)
@pytest.mark.parametrize("kind", KINDS)
def test_bias_and_pull(kind, rule, whole_grid):
    for number, background in ((500, 0.05), (3000, 0.01)) if whole_grid else ((500, 0.05),):
        assert_bias_and_pull(kind, rule, number, background, repeats_of(rule, whole_grid))


def assert_bias_and_pull(kind, rule, number, background, repeats):
    rng = np.random.default_rng([20240616, KINDS.index(kind), RULES.index(rule), number])
    truth = true_center(kind, rule)
    offsets, errors = np.empty((repeats, 2)), np.empty((repeats, 2))
    for k in range(repeats):
        image = photons_on_pixels(SHAPE, *positions(kind, rng.poisson(number), rng))
        image += rng.poisson(background, SHAPE)
        found = center(rule, image - background, image, rng)
        offsets[k] = found.xy - truth
        errors[k] = found.x_uncertainty, found.y_uncertainty
    scatter = offsets.std(axis=0, ddof=1)
    # Mean of the offsets: 4 standard errors. The pull's root mean square is known to
    # 1/√(2·2n): 4 of these, and 1/√N for terms beyond first order, for N photons.
    assert np.all(np.abs(offsets.mean(axis=0)) < 4 * scatter / np.sqrt(repeats))
    rms = np.sqrt(np.mean((offsets / errors) ** 2))
    # A scatter of 12 replicates makes pulls follow Student's t of 11 degrees.
    expected = np.sqrt(11 / 9) if rule == "least_hpd" else 1.0
    assert rms / expected == pytest.approx(
        1.0, abs=4 / np.sqrt(4 * repeats) + 1 / np.sqrt(number)
    )
