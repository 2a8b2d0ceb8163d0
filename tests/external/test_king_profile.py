"""Radial profile and curve of growth of a pixel image against the King form.

``I = (b-1)/(π rc²)·(1 + (r/rc)²)^-b`` and ``EE = 1 - (1 + (r/rc)²)^(1-b)``
(King 1962, AJ 67, 471; Moffat 1969, A&A 3, 455; from memory, and derived: the second is
the integral of the first).
"""

import astropy.units as u
import numpy as np
import pytest

from beamreduce.background import Background, Polynomial, background_in_rings
from beamreduce.encircled_energy import growth_curve, radial_profile
from beamreduce.image import FocalImage
from beamreduce.rings import count_in_image, plan_for

PIXEL_MM = 0.02
CORE_MM = 0.24  # twelve pixels
CENTER = (200.3, 198.6)
SHAPE = (400, 400)
PHOTONS = 1e6
LEVEL, LEVEL_ERROR = 0.4, 0.01


def inside(radius_mm, b):
    return PHOTONS * (1 - (1 + (radius_mm / CORE_MM) ** 2) ** (1 - b))


def king_image(b):
    y, x = np.indices(SHAPE)
    square = ((x - CENTER[0]) ** 2 + (y - CENTER[1]) ** 2) * PIXEL_MM**2
    peak = PHOTONS * (b - 1) / (np.pi * CORE_MM**2) * PIXEL_MM**2
    return FocalImage(
        photons=peak * (1 + square / CORE_MM**2) ** -b + LEVEL,
        flags=np.zeros(SHAPE, dtype=np.uint8),
        noise_variance=0.0,
        variance_per_photon=1.0,
        pixel_size=PIXEL_MM * u.mm,
        detector_distance=5500 * u.mm,
        live_time=1 * u.s,
    )


def counted(b):
    image = king_image(b)
    plan = plan_for(image, CENTER, np.linspace(0.02, 3.9, 195) * u.mm)
    flat = Background(
        method="annulus",
        level=Polynomial.flat(LEVEL, SHAPE),
        modes=(Polynomial.flat(LEVEL_ERROR, SHAPE),),
    )
    rings = count_in_image(image, plan)
    return rings, background_in_rings(flat, plan, image.usable)


def smearing(b):
    """Largest relative change of a King profile by pixels whose light is taken as even.

    A square pixel of side h turns I into I + h²/24·∇²I; the ratio is largest at the
    center, where ∇²I/I = -4 b/rc² (derived). Sampling itself adds nothing: the form has no
    power at the sampling frequency (its transform falls as exp(-2π rc/h)).
    """
    return 4 * b / 24 * (PIXEL_MM / CORE_MM) ** 2


@pytest.mark.parametrize("b", [1.5, 2.0, 3.0])
def test_radial_profile_follows_the_king_form(b):
    rings, background = counted(b)
    profile = radial_profile(rings, background)
    inner, outer = profile.inner.to_value(u.mm), profile.outer.to_value(u.mm)
    expected = (inside(outer, b) - inside(inner, b)) / (np.pi * (outer**2 - inner**2))
    brightness = profile.brightness.to_value(u.ph / u.mm**2)
    assert profile.detected.sum() > 10
    np.testing.assert_allclose(brightness, expected, rtol=1.05 * smearing(b))


@pytest.mark.parametrize("b", [1.5, 2.0, 3.0])
def test_wing_falls_with_the_exponent_of_the_king_form(b):
    rings, background = counted(b)
    profile = radial_profile(rings, background)
    far = profile.inner > 5 * CORE_MM * u.mm
    radius = profile.radius[far].value / CORE_MM
    slope = np.gradient(np.log(profile.brightness[far].value), np.log(radius))
    # d ln I/d ln r = -2 b/(1 + (rc/r)²); rings a tenth of a decade wide bend it by less
    # than the square of their half width in ln r, times b (derived), and ends of
    # a finite difference see the change of slope over one ring.
    expected = -2 * b / (1 + radius**-2)
    loose = b * (np.log(10) / 20) ** 2 + 4 * b * radius**-2 * np.log(10) / 10
    assert np.all(np.abs(slope - expected) < loose)


@pytest.mark.parametrize("b", [1.5, 2.0, 3.0])
def test_curve_of_growth_is_the_integral_of_the_king_form(b):
    growth = growth_curve(*counted(b))
    radius = growth.radius.to_value(u.mm)
    error = LEVEL_ERROR * np.pi * (radius / PIXEL_MM) ** 2
    # What a disc holds is off by h²/24 times the flow of the gradient through its rim,
    # of which the center has the largest share.
    loose = 1.05 * smearing(b)
    np.testing.assert_allclose(growth.photons, inside(radius, b), rtol=loose)
    np.testing.assert_allclose(growth.lowered - growth.photons, error, rtol=1e-9)
    np.testing.assert_allclose(growth.photons - growth.raised, error, rtol=1e-9)
