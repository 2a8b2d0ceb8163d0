"""Nests and beamlines against published geometries and numbers computed elsewhere."""

import math

import astropy.units as u
import pytest

from beamreduce.beamline import (
    beam_divergence,
    direct_beam_dilution,
    image_distance,
    source_angle,
)
from beamreduce.mirror import MirrorDesign, nestings_from_design


def design(focal_mm, radii_mm, length_mm, thickness_mm):
    return MirrorDesign(
        focal_length=focal_mm * u.mm,
        inner_radius=radii_mm[0] * u.mm,
        outer_radius=radii_mm[1] * u.mm,
        reflector_length=length_mm * u.mm,
        reflector_thickness=thickness_mm * u.mm,
        coating="Au",
        roughness=0.5 * u.nm,
    )


def innermost(focal_mm, radius_mm, length_mm=100.0):
    radii = (radius_mm, radius_mm)
    (nesting,) = nestings_from_design(design(focal_mm, radii, length_mm, 0.2)).nestings
    return nesting


@pytest.mark.parametrize(
    ("focal_mm", "radius_mm", "degrees", "first_order"),
    [
        # Hard X-ray telescope of Brejnholt et al. 2011: "0.077 to 0.27 deg".
        (10150.0, 54.4, 0.076770, 0.077),
        (10150.0, 191.0, 0.269512, 0.27),
        # Thin-foil telescope of Awaki et al. and of Matsumoto et al. 2018.
        (12000.0, 60.0, 0.071619, None),
        (12000.0, 225.0, 0.268542, None),
    ],
)
def test_angles_of_published_mirrors(focal_mm, radius_mm, degrees, first_order):
    """¼ arctan(r/f), computed to six decimals; the paper rounds to two figures."""
    nesting = innermost(focal_mm, radius_mm)
    alpha = math.degrees(nesting.primary_angle_rad)
    assert alpha == pytest.approx(degrees, abs=5e-7)
    assert nesting.secondary_angle_rad == pytest.approx(3 * nesting.primary_angle_rad)
    if first_order is not None:
        assert alpha == pytest.approx(first_order, abs=0.0005 if alpha < 0.1 else 0.005)


# f, radii, length, foil in mm; shells of the real mirror; shells by the first-order
# integral (4f/ℓ) ln[(r2 ℓ/4f + t)/(r1 ℓ/4f + t)], computed apart from this code. The
# foils and inner radii of the last two are from memory.
PUBLISHED = [
    (12000.0, (60.0, 225.0), 200.0, 0.22, 213, 216.3),
    (12000.0, (60.0, 225.0), 200.0, 0.20, 213, 222.6),
    (8000.0, (82.0, 300.0), 200.0, 0.40, 143, 146.2),
    (4750.0, (59.0, 200.0), 100.0, 0.155, 175, 181.1),
    (3500.0, (60.0, 173.0), 100.0, 0.127, 120, 125.6),
]


@pytest.mark.parametrize(
    ("focal", "radii", "length", "foil", "real", "integral"), PUBLISHED
)
def test_shell_counts_of_published_mirrors(focal, radii, length, foil, real, integral):
    """A nest that just avoids shading is the densest; real ones leave some room.

    How much is theirs to choose: 6 % is a check of plausibility, not of precision.
    """
    count = len(nestings_from_design(design(focal, radii, length, foil)).nestings)
    # The steps are finite: their number is k/ln(1 + k) times the integral (k = ℓ/4f,
    # derived); fence posts are one more than steps, a part of a step is none. The given
    # integral is rounded to 0.05 and tan(arctan(x)/4) is below x/4 by less than 0.06 %.
    k = length / 4 / focal
    steps = integral * k / math.log1p(k)
    slack = 0.05 + 0.0006 * steps
    assert math.floor(steps - slack) + 1 <= count <= math.floor(steps + slack) + 1
    assert real <= count <= 1.06 * real


def test_least_separation_of_a_published_mirror():
    """f = 8 m, 200 mm shells from 82 mm: published least separation 0.52 mm.

    The rule leaves αℓ = 0.5125 mm (first order, high by 4e-5 of itself).
    """
    first, second = nestings_from_design(design(8000.0, (82.0, 83.0), 200.0, 0.4)).nestings[
        :2
    ]
    gap_mm = second.radius_mm - first.radius_mm - first.thickness_mm
    assert gap_mm == pytest.approx(0.5125, rel=5e-5)
    assert gap_mm == pytest.approx(0.52, abs=0.01)


# f, L in m; r in mm; δ in rad; D* in mm, as computed apart from this code.
BEAMLINES = [
    (5.2, 86.0, 70.0, 0.000813953, 5534.653465),
    (5.2, 86.0, 190.0, 0.002209302, 5534.653465),
    (1.85, 130.0, 81.0, 0.000623077, 1876.706984),
    (7.5, 124.0, 300.0, 0.002419355, 7982.832618),
    (4.75, 30.0, 200.0, 0.006666667, 5643.564356),
]


@pytest.mark.parametrize(("focal", "source", "radius", "delta", "image"), BEAMLINES)
def test_image_distance_and_divergence(focal, source, radius, delta, image):
    """D* = fL/(L - f) and δ = r/L (derived), to the last digit given."""
    distance = image_distance(source_distance=source * u.m, focal_length=focal * u.m)
    assert distance.to_value(u.mm) == pytest.approx(image, abs=5e-7)
    angle = beam_divergence(radius=radius * u.mm, source_distance=source * u.m)
    assert angle.to_value(u.rad) == pytest.approx(delta, abs=5e-10)


def test_source_disc_and_direct_beam():
    """0.5 mm at 86 m fills 1.199213990″; ((L + D*)/L)² = 1.132854622 (both computed)."""
    source = 86 * u.m
    angle = source_angle(source_diameter=0.5 * u.mm, source_distance=source)
    assert angle.to_value(u.arcsec) == pytest.approx(1.199213990, abs=5e-10)
    image = image_distance(source_distance=source, focal_length=5.2 * u.m)
    dilution = direct_beam_dilution(source_distance=source, detector_distance=image)
    assert dilution == pytest.approx(1.132854622, abs=5e-10)
