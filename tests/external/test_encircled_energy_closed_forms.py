"""Encircled energy and diameters of pixel frames against closed forms.

How the pixel enters: a pixel gathers the light over its width (1/12 pixel² along each
axis, Sheppard 1898), and exact circle sums take it as even within the pixel (as much
again), so σ² → σ² + 1/6 for a Gaussian. To first order this adds a known term to the
share inside a radius (RoundImage.pixel_term), which is taken into account here and not by
the package: the package measures the image that the detector saw.

Tolerance of a share: a circle crosses some 8r pixels; in each, light that is even instead
of sloping misplaces up to I′/20 (the first moment of half a pixel at most), of either
sign, so 4·√(8r)·|I′|/20 in all; and the spiral's points, as many as crossed pixels, of
either sign: 4·√(8r)/N. A diameter has twice that over the slope of the curve, and 1e-4 of
itself for the width of rings.
"""

import astropy.units as u
import numpy as np
import pytest
from scipy import ndimage, optimize, stats

from beamreduce.background import BackgroundRings
from beamreduce.encircled_energy import (
    crossing_diameters_mm,
    encircled_energy,
    net_rings,
    standard_radii,
)
from beamreduce.rings import count_in_image, plan_for
from tests.external import round_images as made
from tests.made_images import PIXEL_MM, focal_image, gaussian_image

SHAPE = (400, 402)
CENTER = (200.3, 199.6)
REFERENCE_PX = 195.0
POINTS = 2_000_000
SHARES = (0.5, 0.8, 0.9)


def net_of(frame, half_power_px, center=CENTER, reference_px=REFERENCE_PX):
    """Frame to net ring counts by the package's own way."""
    image = focal_image(1e6 * frame)
    reference = reference_px * PIXEL_MM * u.mm
    radii = standard_radii(
        half_power_px * PIXEL_MM * u.mm, reference_radii=reference, largest_radius=reference
    )
    rings = count_in_image(image, plan_for(image, center, radii))
    return net_rings(rings, BackgroundRings.none(radii.size), reference)


def diameters_px(net, shares=SHARES):
    return crossing_diameters_mm(net.radius_mm, net.growth, shares)[0] / PIXEL_MM


def share_tolerance(image, r):
    light_slope = image.pixel_term(r) * 6 / (np.pi * r)
    return 4 * np.sqrt(8 * r) * (np.abs(light_slope) / 20 + 1 / POINTS)


# Published or derived constants of each form, in units of its scale: the form that the
# frames are compared with is itself held to these first.
CONSTANTS = {
    "gaussian": (
        lambda: made.gaussian(1.0),
        {0.5: 2.354820045, 0.8: 3.588245156, 0.9: 4.291932053},
    ),
    "rotated gaussian": (
        lambda: made.rotated_gaussian(1.0),
        {0.5: 1.348979500, 0.8: 2.563103131, 0.9: 3.289707254},
    ),
    "cone blur": (lambda: made.cone_blur(1.0), {0.5: 1.0, 0.9: 1.8}),
    "disc": (lambda: made.annulus(0.0, 1.0), {0.5: 1.414213562, 0.9: 1.897366596}),
    "annulus": (lambda: made.annulus(0.5, 1.0), {0.5: 2 * 0.790569415}),
    "exponential": (lambda: made.exponential(1.0), {0.5: 3.356693980, 0.9: 7.779440340}),
    "airy": (
        lambda: made.airy(1.0),
        {0.5: 2 * 0.534832148, 0.8: 2 * 0.896942103, 0.9: 2 * 1.900687978},
    ),
    "moffat 1.3": (lambda: made.moffat(1.3, 1.0), {0.5: 6.026398062, 0.9: 92.810229825}),
    "moffat 1.5": (lambda: made.moffat(1.5, 1.0), {0.5: 3.464101615, 0.9: 19.899748742}),
    "moffat 2": (lambda: made.moffat(2.0, 1.0), {0.5: 2.0, 0.9: 6.0}),
    "moffat 2.5": (lambda: made.moffat(2.5, 1.0), {0.5: 1.532841873, 0.9: 3.816589490}),
    "moffat 3": (lambda: made.moffat(3.0, 1.0), {0.5: 1.287188506, 0.9: 2.940937034}),
    "two gaussians 0.8 1 3": (
        lambda: made.two_gaussians(0.8, 1.0, 3.0),
        {0.5: 2.710239844, 0.8: 4.671408197, 0.9: 7.134868331},
    ),
    "two gaussians 0.9 5 30": (
        lambda: made.two_gaussians(0.9, 5.0, 30.0),
        {0.5: 12.691843078, 0.8: 20.693426116, 0.9: 29.552525774},
    ),
}


@pytest.mark.parametrize("name", CONSTANTS)
def test_the_forms_have_their_published_constants(name):
    form, diameters = CONSTANTS[name]
    image = form()
    for share, diameter in diameters.items():
        assert 2 * image.radius(share) == pytest.approx(diameter, rel=3e-8)
        assert image.inside(diameter / 2) == pytest.approx(share, abs=1e-8)


DARK_RINGS = {1.219669891: 0.837784869, 2.233130594: 0.909930535, 3.238315484: 0.937647474}
OBSCURED = {
    0.2: (1.166506783, 0.763762674, 0.558613983, 1.552253821),
    0.3: (1.114517763, 0.682367548, 0.595220419, 1.710844202),
    0.5: (1.000906051, 0.478622324, 1.253227420, 1.938289666),
    0.8: (0.848774306, 0.171582976, 2.606362876, 5.517649697),
}


def test_the_airy_form_in_its_dark_rings():
    for radius, share in DARK_RINGS.items():
        assert made.airy(1.0).inside(radius) == pytest.approx(share, abs=1e-9)


@pytest.mark.parametrize("obscured", OBSCURED)
def test_the_obscured_airy_form_in_its_dark_ring(obscured):
    dark, share, r50, r80 = OBSCURED[obscured]
    image = made.obscured_airy(1.0, obscured)
    assert image.inside(dark) == pytest.approx(share, abs=1e-7)
    assert (image.radius(0.5), image.radius(0.8)) == pytest.approx((r50, r80), rel=1e-6)


# The same forms on pixels, wide enough that the first-order pixel term is all.
FRAMES = {
    "gaussian": lambda: made.gaussian(15.0),
    "rotated gaussian": lambda: made.rotated_gaussian(25.0),
    "cone blur": lambda: made.cone_blur(60.0),
    "disc": lambda: made.annulus(0.0, 80.0),
    "annulus": lambda: made.annulus(50.0, 100.0),
    "exponential": lambda: made.exponential(14.0),
    "airy": lambda: made.airy(14.0),
    "obscured airy 0.3": lambda: made.obscured_airy(14.0, 0.3),
    "obscured airy 0.5": lambda: made.obscured_airy(14.0, 0.5),
    "moffat 1.3": lambda: made.moffat(1.3, 12.0),
    "moffat 1.5": lambda: made.moffat(1.5, 12.0),
    "moffat 2": lambda: made.moffat(2.0, 14.0),
    "moffat 2.5": lambda: made.moffat(2.5, 18.0),
    "moffat 3": lambda: made.moffat(3.0, 22.0),
    "two gaussians 0.8 1 3": lambda: made.two_gaussians(0.8, 12.0, 36.0),
    "two gaussians 0.9 5 30": lambda: made.two_gaussians(0.9, 8.0, 48.0),
}


@pytest.mark.parametrize("name", FRAMES)
def test_frames_of_closed_forms(name):
    image = FRAMES[name]()
    total = float(image.inside(REFERENCE_PX))
    half_power = float(image.radius(0.5 * total))
    net = net_of(made.pixel_frame(image, SHAPE, CENTER, POINTS), half_power)
    curve = encircled_energy(net)
    # Shares at radii (those of two rings with r near them, to be on a ring exactly).
    for near in (0.6 * half_power, half_power, 1.7 * half_power):
        at = int(np.searchsorted(net.radius_mm, near * PIXEL_MM))
        r = net.radius_mm[at] / PIXEL_MM
        expected = (image.inside(r) + image.pixel_term(r)) / total
        tolerance = share_tolerance(image, r) / total
        assert curve.fraction[at] == pytest.approx(expected, abs=tolerance), near
    for share, found in zip(SHARES, diameters_px(net), strict=True):
        r = float(image.radius(share * total))
        slope = image.slope(r)
        expected = 2 * (r - image.pixel_term(r) / slope)
        tolerance = 2 * share_tolerance(image, r) / slope + 1e-4 * expected
        assert found == pytest.approx(expected, abs=tolerance), share


def test_moffat_normalised_at_the_reference_radius():
    # King 1.5 normalised at R = 10 rc: HPD 3.038927475, W90 10.359832084 rc (infinity:
    # 3.4641 and 19.8997). rc = 19.5 pixels: the pixel term is 2e-4 of it.
    image = made.moffat(1.5, 19.5)
    net = net_of(made.pixel_frame(image, SHAPE, CENTER, POINTS), 30.0)
    found = diameters_px(net, (0.5, 0.9)) / 19.5
    assert found == pytest.approx([3.038927475, 10.359832084], rel=5e-4)


@pytest.mark.parametrize(
    ("k", "hpd"), [(2, 2.128321723), (3, 2.335978486), (4, 2.354250240), (5, 2.354813715)]
)
def test_gaussian_normalised_inside_k_sigma(k, hpd):
    # Integrated over every pixel exactly, so only σ² → σ² + 1/6 and ring width remain.
    sigma = 20.0
    wide = np.sqrt(sigma**2 + 1 / 6)
    net = net_of(gaussian_image(SHAPE, CENTER, sigma), 23.5, reference_px=k * wide)
    # Circles cross 8r = 190 pixels, each off by I′/20: 1e-6 of the light.
    assert diameters_px(net, (0.5,))[0] / wide == pytest.approx(hpd, rel=1.1e-4)


@pytest.mark.parametrize("center", [(100.3, 99.6), (100.5, 99.5), (100.0, 100.0)])
def test_gaussian_of_six_pixels(center):
    # Exact circle-pixel overlap of a pixel-integrated Gaussian (photutils gave these for
    # the first center; closed form with σ² + 1/6 for all).
    frame = gaussian_image((201, 201), center, 6.0)
    net = net_of(frame, 7.0, center=center, reference_px=95.0)
    curve = encircled_energy(net)
    radii = np.array([6.0, 7.0644601, 12.0])
    expected = -np.expm1(-(radii**2) / (2 * (36 + 1 / 6)))
    found = curve.at(radii * PIXEL_MM * u.mm)
    tolerance = share_tolerance(made.gaussian(6.0), radii) + 5e-5  # and ring width
    assert np.all(np.abs(found - expected) < tolerance)
    if center == (100.3, 99.6):
        published = [0.392144477, 0.498501358, 0.863454467]
        assert found == pytest.approx(published, abs=5e-5)


def test_airy_energy_in_the_dark_rings():
    # Energy *at* the dark ring: the curve is flat there, so a diameter at 83.8 % is not.
    scale = 14.0
    image = made.airy(scale)
    net = net_of(made.pixel_frame(image, SHAPE, CENTER, POINTS), 7.5)
    total = float(image.inside(REFERENCE_PX))
    for radius, share in DARK_RINGS.items():
        found = encircled_energy(net).at(radius * scale * PIXEL_MM * u.mm) * total
        # I and I′ vanish in a dark ring: no pixel term to first order; the next is
        # (1/12)²/2 of the fourth derivative, 1e-4, and the ring's width as much again.
        assert found == pytest.approx(share, abs=2e-4)


def test_one_lit_pixel():
    # A square of side p: HPD = √(2/π) p.
    frame = np.zeros((21, 21))
    frame[10, 11] = 1.0
    net = net_of(frame, 0.4, center=(11.0, 10.0), reference_px=9.0)
    assert diameters_px(net, (0.5,))[0] == pytest.approx(0.797884561, rel=1e-4)


@pytest.mark.parametrize(
    ("sigmas", "factor"),
    [(0.1, 1.002500952), (0.25, 1.015660820), (0.5, 1.062994337), (1.0, 1.253156559)],
)
def test_miscentring_widens(sigmas, factor):
    sigma = 20.0
    wide = np.sqrt(sigma**2 + 1 / 6)
    frame = gaussian_image(SHAPE, CENTER, sigma)
    off = (CENTER[0] + sigmas * wide * np.cos(1.1), CENTER[1] + sigmas * wide * np.sin(1.1))
    net = net_of(frame, 23.5, center=off, reference_px=170.0)
    # All light lies inside 170 pixels = 8.5 σ; rings and lattice as above.
    found = diameters_px(net, (0.5,))[0] / (2.354820045 * wide)
    assert found == pytest.approx(factor, rel=1.1e-4)


@pytest.mark.parametrize(
    ("q", "hpd"), [(0.001, 2.392538351), (0.005, 2.543015654), (0.01, 2.731005073)]
)
def test_residual_background_widens(q, hpd):
    # EE ∝ 1 - exp(-r²/2σ²) + q r²/σ², normalised at 5 σ.
    sigma = 20.0
    wide = np.sqrt(sigma**2 + 1 / 6)
    frame = gaussian_image(SHAPE, CENTER, sigma) + q / (np.pi * wide**2)
    net = net_of(frame, 24.0, reference_px=5 * wide)
    assert diameters_px(net, (0.5,))[0] / wide == pytest.approx(hpd, rel=1.1e-4)


@pytest.mark.parametrize(
    ("sigma", "hpd", "w90"),
    [
        (0.25, 1.139625553, 2.069516424),
        (0.5, 1.526192748, 2.771615131),
        (1.0, 2.545089464, 4.635328172),
    ],
)
def test_cone_blur_seen_through_a_round_gaussian(sigma, hpd, w90):
    # Not the sum in quadrature. Closed form: mean over ρ of the noncentral χ² law
    # (2 degrees of freedom, ρ²/σ²) at r²/σ², checked here before the frame is.
    rho = (np.arange(2000) + 0.5) / 2000

    def inside(r):
        return stats.ncx2.cdf(r**2 / sigma**2, 2, rho**2 / sigma**2).mean()

    closed = [
        2 * optimize.brentq(lambda r, q=q: inside(r) - q, 0.01, 9) for q in (0.5, 0.9)
    ]
    assert closed == pytest.approx([hpd, w90], rel=1e-6)
    width = 38.0  # reference radius 5.1 σ for the widest
    frame = made.pixel_frame(made.cone_blur(width), SHAPE, CENTER, POINTS)
    frame = ndimage.gaussian_filter(frame, sigma * width, truncate=7, mode="constant")
    net = net_of(frame, 0.5 * hpd * width)
    # Pixel: (1/6)/(σ·38)² = 1.8e-3 of σ² for the narrowest, which makes a tenth of the
    # square of its HPD.
    assert diameters_px(net, (0.5, 0.9)) / width == pytest.approx([hpd, w90], rel=7e-4)
