"""Effective areas against published and handbook facts.

Sources: Knoll, Radiation Detection and Measurement, chapter 4 (dead time; from memory,
numbers computed apart from this package); Garwood 1936 / Gehrels 1986, ApJ 303, 336
(counting intervals); Spiga, Cotroneo, Basso & Conconi 2009, A&A 505, 373, and Van
Speybroeck & Chase 1972, Appl. Opt. 11, 440 (off-axis area; both from memory); xraydb
(Chantler tables, its own code of reflectivity and attenuation).
"""

import math

import astropy.units as u
import numpy as np
import pytest
import xraydb

from beamreduce.beamline import Layer
from beamreduce.beamline.dead_time import measured_rate, true_rate
from beamreduce.effective_area.optical_axis import first_order_asymmetry
from beamreduce.effective_area.to_infinity import first_order_ratio
from beamreduce.effective_area.traced_mirror import (
    SurfaceErrors,
    TracedMirror,
    traced_mirror,
)
from beamreduce.effective_area.transmission import absorbed, transmission
from beamreduce.effective_area.vignetting import vignetting_curve
from beamreduce.mirror import MirrorDesign, nestings_from_design
from beamreduce.raytrace import Light, MirrorState
from beamreduce.statistics import poisson_ratio_interval
from tests.external.made_areas import FOCAL, LENGTH, SOURCE, setup_of, stream
from tests.raytrace.made_mirrors import nest

RADIUS = 130.0
ALPHA = math.atan(RADIUS / FOCAL) / 4
DELTA = RADIUS / SOURCE


def single(rays=400_000):
    """One perfect nesting that reflects everything."""
    return TracedMirror(
        mirror=MirrorState(prescription=nest(RADIUS)),
        source=Light(source_distance_mm=SOURCE),
        stream=stream,
        rays=rays,
    )


@pytest.mark.parametrize(
    ("shown", "plain", "extended"),
    [(1e4, 11111.111111, 11183.255916), (1e3, 1010.101010, 1010.152720)],
)
def test_dead_time_table(shown, plain, extended):
    """τ = 10 µs; the table has six decimals."""
    tau, rate = 10 * u.us, shown / u.s
    true = [true_rate(rate, tau, m).value for m in ("non_paralysable", "paralysable")]
    assert true == pytest.approx([plain, extended], abs=5e-7)


def test_rates_that_a_counter_shows():
    tau, rate = 10 * u.us, 1e4 / u.s
    shown = [measured_rate(rate, tau, m).value for m in ("non_paralysable", "paralysable")]
    assert shown == pytest.approx([9090.909091, 9048.374180], abs=5e-7)
    most = measured_rate(1e5 / u.s, tau, "paralysable").value  # at n = 1/τ: 1/(eτ)
    assert most == pytest.approx(36787.944117, abs=5e-7)


@pytest.mark.parametrize(
    ("counts", "low", "high"),
    [  # exact conditional one-sigma limits, computed apart from this package
        ((100, 400), 0.222131547, 0.281243217),
        ((1000, 2500), 0.385039097, 0.415537501),
        ((10, 40), 0.164103308, 0.375438921),
    ],
)
def test_exact_limits_of_a_ratio(counts, low, high):
    assert poisson_ratio_interval(*counts) == pytest.approx((low, high), abs=6e-10)


@pytest.mark.parametrize(
    ("n", "low", "high"), [(0, 0.0, 1.841022), (3, 1.367295, 5.918186)]
)
def test_a_ratio_to_many_counts_has_the_limits_of_one_count(n, low, high):
    """Gehrels 1986, tables 1 and 2: with the denominator sure, Garwood's limits remain."""
    found = np.array(poisson_ratio_interval(n, 1e12)) * 1e12
    assert found == pytest.approx([low, high], abs=2e-6)


@pytest.mark.parametrize(
    ("material", "thickness", "density", "kev"),
    [("Al", 10.0, 2.70, 4.511), ("Si", 300.0, 2.33, 8.048), ("C", 20.0, 2.2, 1.487)],
)
def test_transmission_against_another_table(material, thickness, density, kev):
    """Attenuation from xraydb's Elam tables, not from any index of refraction.

    Tables of attenuation agree to some 3 % here, away from edges (spread of published
    tables); photo-electric part only, as in the index of refraction.
    """
    layer = Layer(
        name="x",
        material=material,
        thickness=thickness * u.um,
        density=density * u.g / u.cm**3,
    )
    per_cm = xraydb.mu_elam(material, 1000 * kev, kind="photo") * density
    depth = per_cm * thickness * 1e-4
    found = -math.log(transmission(layer, kev * u.keV).value)
    assert found == pytest.approx(depth, rel=0.04)
    taken = absorbed(layer, kev * u.keV).value
    assert taken == pytest.approx(1 - math.exp(-depth), rel=0.04)


@pytest.mark.parametrize("kev", [1.487, 4.511, 8.048])
def test_area_of_one_nesting_is_that_of_its_ring_times_two_reflections(kev):
    """``2πrℓα R²(α)`` with the reflectivity of xraydb's own code.

    The ring seen end on is exact; its short form is high by half the primary's depth over
    the radius, 0.22 % low here. Reflectivity of the same table agrees to 1e-3 between the
    two codes (interpolation of the table), so R² to 2e-3; four errors of the trace.
    """
    design = MirrorDesign(
        focal_length=FOCAL * u.mm,
        inner_radius=RADIUS * u.mm,
        outer_radius=(RADIUS + 0.1) * u.mm,
        reflector_length=LENGTH * u.mm,
        reflector_thickness=0.17 * u.mm,
        coating="Au",
        coating_density=19.3 * u.g / u.cm**3,
        optical_constants="chantler",
        roughness=0 * u.nm,
    )
    setup = setup_of(design)
    mirror = traced_mirror(
        (setup, nestings_from_design(design)), kev * u.keV, SurfaceErrors(), stream
    )
    assert len(mirror.mirror.prescription.nestings) == 1
    found = mirror.areas((0.0, 0.0), star=True)
    once = float(xraydb.mirror_reflectivity("Au", ALPHA, 1000 * kev, density=19.3))
    depth = LENGTH * math.tan(ALPHA)
    ring_cm2 = math.pi * ((RADIUS + depth) ** 2 - RADIUS**2) / 100
    noise = 4 * found.error_cm2 / found.cm2
    assert found.cm2 == pytest.approx(ring_cm2 * once**2, rel=2e-3 + noise)
    short = 2 * math.pi * RADIUS * LENGTH * ALPHA / 100
    assert found.cm2 == pytest.approx(short * once**2, rel=2e-3 + noise + depth / RADIUS)


def test_vignetting_of_one_nesting_for_a_star_and_at_the_beamline():
    """Star: ``1 − 2θ/(πα)``. Beamline: flat to δ, then a slower fall (derived).

    Both are of first order in the angles: high by up to 0.15 % near the axis, where an
    independent trace of the cones gave 0.757078 for 0.758144.
    """
    curve = vignetting_curve(single(), 12 / 1.25 * u.arcmin, count=7)  # 0, 2, … 12
    theta = np.radians(curve.angle_arcmin / 60)
    star = curve.star_cm2 / curve.star_cm2[0]
    assert star == pytest.approx(1 - 2 * theta / (math.pi * ALPHA), abs=2e-3)
    near = curve.beam_cm2 / curve.star_cm2[0]
    assert near == pytest.approx(finite_distance(theta), abs=2e-3)
    # Flat until the angle exceeds r/L, 5.2 arcmin.
    assert near[:3] == pytest.approx(near[0], rel=1e-3)
    # The rule for paraboloid and hyperboloid, 1 − 2θ/(3α), is cruder for cones: steeper by
    # (2/3)/(2/π) = π/3, 4.7 %, which is 1.7 % of the area at 12 arcmin.
    cruder = 1 - 2 * theta / (3 * ALPHA)
    gap = star - cruder
    assert gap[-1] == pytest.approx((2 / 3 - 2 / math.pi) * theta[-1] / ALPHA, abs=2e-3)
    assert gap[-1] == pytest.approx(0.0168, abs=2e-3)


def finite_distance(theta):
    """Area at a distance over that for a star on the axis, first order (derived)."""
    with np.errstate(divide="ignore", invalid="ignore"):
        x = np.clip(np.where(theta > 0, DELTA / theta, 1.0), 0.0, 1.0)
    shape = np.sqrt(1 - x**2) + x * np.arcsin(x)
    fall = 1 - 2 * theta / (math.pi * ALPHA) * shape
    return np.where(theta <= DELTA, 1 - DELTA / ALPHA, fall)


def test_opposite_quadrants_tell_a_tilt_at_the_beamline_only():
    """``(Q1 − Q3)/(Q1 + Q3) = 0.900 θ/(α − δ)`` for θ < δ and one nesting, unblocked.

    First order: 0.5 % for angles as here; four errors of the trace.
    """
    mirror = single(rays=1_000_000)
    tilt = 2.0  # arcmin towards the middle of Q1
    towards = (tilt * math.cos(math.pi / 4), tilt * math.sin(math.pi / 4))
    near = mirror.areas(towards, star=False)
    star = mirror.areas(towards, star=True)
    found, sky = (
        (a.quadrants_cm2[0] - a.quadrants_cm2[2])
        / (a.quadrants_cm2[0] + a.quadrants_cm2[2])
        for a in (near, star)
    )
    theta = math.radians(tilt / 60)
    expected = 2 * math.sqrt(2) / math.pi * theta / (ALPHA - DELTA)
    noise = 4 * near.error_cm2 / near.cm2
    assert found == pytest.approx(expected, rel=0.005, abs=noise)
    assert theta * first_order_asymmetry(nest(RADIUS), SOURCE) == pytest.approx(
        expected, rel=1e-3
    )
    assert sky == pytest.approx(0.0, abs=4 * star.error_cm2 / star.cm2 + 1e-3)


def test_hand_check_of_the_ratio():
    """``1 − 4f/L`` for 5.2 m and 86 m: 0.758139535."""
    found = first_order_ratio(focal_length=5.2 * u.m, source_distance=86 * u.m)
    assert found == pytest.approx(0.758139535, abs=5e-10)
    mirror = single()
    ratio = mirror.areas((0, 0), star=False).cm2 / mirror.areas((0, 0), star=True).cm2
    # Exact integration of this nesting: 0.7570167, −0.15 % (no small angles).
    assert ratio == pytest.approx(found, rel=0.003)
    assert ratio == pytest.approx(0.7570167, rel=5e-4)
