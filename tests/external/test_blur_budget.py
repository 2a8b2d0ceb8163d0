"""Blur of perfect cones, source, pixel and diffraction against numbers from outside.

Closed forms derived from the geometry and from Fraunhofer's slit; "exact" numbers are a
separate meridional integration without small angles, printed to seven digits.
"""

import math

import astropy.units as u
import numpy as np
import pytest
from scipy.integrate import quad

from beamreduce.infinity.blur_budget import BlurInputs, blur_budget
from beamreduce.infinity.exercised import exercised
from beamreduce.infinity.perfect_nest import perfect_nest
from tests.external.independent_trace import Beam, Mirror, follow
from tests.external.perfect_nesting import SKY, diameter_of, even
from tests.infinity.made_designs import designed

KEV = 0.5 * u.keV
ARCSEC = math.radians(1 / 3600)
CASES = [
    # f, L, r, ℓ (mm), HPD of a star at f and at L in the junction's focus (mm)
    (5200, 86_000, 130, 90, 0.5631702, 0.4538769),
    (5200, 86_000, 190, 90, 0.8232042, 0.6635047),
    (4750, 30_000, 200, 100, 1.0543570, 0.4571090),
    (3500, 30_000, 173, 100, 1.2384715, 0.7444993),
]


def nests(focal, source, radius, length):
    made, prescription = designed(focal, radius, length=length)
    star = perfect_nest(prescription, made, KEV)
    near = perfect_nest(prescription, made, KEV, source_distance=source * u.mm)
    return prescription.nestings[0].primary_angle_rad, star, near


@pytest.mark.parametrize(("focal", "source", "radius", "length", "sky", "lab"), CASES)
def test_cone_blur_of_one_nesting(focal, source, radius, length, sky, lab):
    alpha, star, near = nests(focal, source, radius, length)
    plane = radius / math.tan(4 * alpha - math.atan(radius / source))
    # Even light between the end rays leaves out that a ring grows along the primary, by
    # ℓ tan α/r = ℓ/4f: half of that bounds the shift of the median.
    close = length / (4 * focal) / 2
    assert star.diameter_mm(focal) == pytest.approx(sky, rel=close)
    assert near.diameter_mm(plane) == pytest.approx(lab, rel=close)
    angular = near.diameter_mm(plane) / plane / (star.diameter_mm(focal) / focal)
    # 1 − 4f/L, which holds to 0.3 % at L/f of 16 and 1 % at 6.
    assert angular == pytest.approx(
        1 - 4 * focal / source, rel=0.003 if source > 15 * focal else 0.01
    )


@pytest.mark.parametrize(("focal", "source", "radius", "length"), [c[:4] for c in CASES])
def test_best_focus_is_behind(focal, source, radius, length):
    """ℓ/8 behind f, halving the HPD; ℓ/8·(1−4f/L)/(1−f/L)² at the beamline (derived)."""
    alpha, star, near = nests(focal, source, radius, length)
    assert star.best_focus_mm() - focal == pytest.approx(length / 8, rel=0.002)
    half = star.diameter_mm(star.best_focus_mm())
    assert half == pytest.approx(star.diameter_mm(focal) / 2, rel=0.002)
    plane = radius / math.tan(4 * alpha - math.atan(radius / source))
    behind = length / 8 * (1 - 4 * focal / source) / (1 - focal / source) ** 2
    assert near.best_focus_mm() - plane == pytest.approx(behind, rel=0.005)


@pytest.mark.parametrize("source", [math.inf, 86_000.0])
@pytest.mark.parametrize("plane", [0.0, 4.0, 20.0])
def test_one_nesting_against_the_independent_trace(source, plane):
    made, prescription = designed(5200, 130.0, length=90.0)
    distance = None if math.isinf(source) else source * u.mm
    nest = perfect_nest(prescription, made, KEV, source_distance=distance)
    mirror = Mirror(prescription=prescription)
    beam = SKY if math.isinf(source) else Beam(distance=source)
    rays = follow(mirror, beam, even(mirror, 40_001))
    at = nest.best_focus_mm() + plane
    for share in (0.5, 0.9):
        expected = diameter_of(rays, at, share)
        # As above, and at best focus the same part of the whole width, twice the radius.
        width = np.ptp(nest.rays.offsets_mm(at))
        assert nest.diameter_mm(at, share) == pytest.approx(
            expected, abs=90 / (4 * 5200) / 2 * width
        )


def test_w90_of_light_that_is_even_from_the_axis():
    _, star, _ = nests(5200, 86_000, 130, 90)
    # 1.0128342 mm by the separate integration; HPD and W90 of an even law are a and 1.8 a.
    assert star.diameter_mm(5200, 0.9) == pytest.approx(1.0128342, rel=0.002)


def test_source_and_pixel():
    made, prescription = designed(5200, 130.0)
    rows = {
        row["term"]: row["hpd_measured_arcsec"]
        for row in blur_budget(
            BlurInputs(
                design=made,
                prescription=prescription,
                source_distance=86 * u.m,
                source_diameter=0.5 * u.mm,
                pixel_size=20 * u.um,
                detector_distance=5534.653465 * u.mm,
                energy=KEV,
                star_distance=5.2 * u.m,
            )
        )
    }
    # HPD of an even disc is √½ of its diameter: 0.847972344″ for 0.5 mm at 86 m.
    assert rows["source size"] == pytest.approx(0.847972344, rel=1e-8)
    # Of an even square of side p: 0.797884561 p.
    pixel = 0.797884561 * 0.02 / 5534.653465 / ARCSEC
    assert rows["pixel"] == pytest.approx(pixel, rel=1e-8)


def test_diffraction_of_one_slit():
    _, star, _ = nests(5200, 86_000, 130, 90)
    opening = float(star.rays.opening_mm[0])
    wavelength = 1.2398419843320026e-6 / 0.5  # mm
    unit = wavelength / opening / ARCSEC
    # sinc² of the slit, integrated here; printed as 0.541 and 1.697.
    for share, printed in ((0.5, 0.541), (0.9, 1.697)):
        found = star.diffraction_arcsec(share, energy_kev=0.5) / unit
        inside, _ = quad(lambda x: np.sinc(x) ** 2, 0, found / 2, epsabs=1e-12)
        assert 2 * inside == pytest.approx(share, abs=1e-9)
        assert found == pytest.approx(printed, abs=5e-4)
    # The opening of a star is as wide as the primary is deep: αℓ, to ℓ/f.
    assert opening == pytest.approx(90 * math.atan(130 / 5200) / 4, rel=0.02)


@pytest.mark.parametrize(
    ("focal", "source", "radius", "length", "used"),
    [
        (5200, 86, 70, 90, 0.610486891),
        (5200, 86, 190, 90, 0.610486891),
        (1850, 130, 81, 150, 0.892285298),
        (7500, 124, 300, 300, 0.610389610),
        (4750, 30, 200, 100, 0.224489796),
    ],
)
def test_used_part_of_the_primary(focal, source, radius, length, used):
    """(α−δ)/(α+δ), first order; drawn in Brejnholt et al. 2011, fig. 8."""
    _, prescription = designed(focal, radius, length=length)
    found = exercised(prescription, source_distance=source * u.m)
    # tan 4α = r/f takes (r/f)²/3 off α, and δ grows by ℓ/4f along the primary; the part
    # lost, 2δ/(α+δ), changes by as much.
    close = (1 - used) * ((radius / focal) ** 2 / 3 + length / (4 * focal))
    assert found.primary_exercised_fraction == pytest.approx(used, abs=close)
