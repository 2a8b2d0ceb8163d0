"""The trace in space: how much light reaches the detector.

Sources: exact integration in a plane through the axis (derived; tables below were
evaluated independently of this package); Spiga, Cotroneo, Basso & Conconi 2009, A&A 505,
373 (off-axis area, from memory).

Tolerances: four standard errors of the trace, from its independent parts, and the digits
or the order of the reference.
"""

import math

import numpy as np
import pytest
from scipy.optimize import brentq

from beamreduce.raytrace import (
    Light,
)
from tests.external.ray_in_plane import follow_in_plane
from tests.raytrace.made_mirrors import (
    ARCMIN,
    FOCAL,
    LENGTH,
    SOURCE,
    nest,
    run,
    tight_nest,
)

STAR = Light.star()
BEAMLINE = Light(source_distance_mm=SOURCE)


def entrance(radius, focal=FOCAL, length=LENGTH):
    """Area of the ring from r to r + ℓ tanα, the length of the primary seen end on."""
    outer = radius + length * math.tan(math.atan(radius / focal) / 4)
    return math.pi * (outer**2 - radius**2)


def error_of_ratio(one, two):
    relative = np.hypot(
        one.area_error_mm2 / one.area_mm2, two.area_error_mm2 / two.area_mm2
    )
    return float((one.area_mm2 / two.area_mm2 * relative)[0])


@pytest.mark.parametrize("radius", [70.0, 130.0, 190.0])
def test_a_nesting_takes_its_whole_entrance_from_a_star(radius):
    found = run(nest(radius), STAR, FOCAL, rays=20_000)
    # All light on the primary reaches the secondary; no ray is spread elsewhere.
    assert found.area_mm2[0] == pytest.approx(entrance(radius), rel=1e-12)
    assert found.rays_by_fate["focused"] == found.rays


@pytest.mark.parametrize(
    ("focal", "source", "radius", "length", "exact", "first_order"),
    [  # exact integration; the ratio 1 - 4f/L holds to 0.3 % at L/f 16, 1 % at 6
        (5200.0, 86000.0, 130.0, 90.0, 0.7570167, 0.003),
        (1850.0, 130000.0, 81.0, 150.0, 0.9418613, 0.003),
        (4750.0, 30000.0, 200.0, 100.0, 0.3646272, 0.01),
    ],
)
def test_area_lost_to_the_diverging_beam(focal, source, radius, length, exact, first_order):
    mirror = nest(radius, focal=focal, length=length)
    near = run(mirror, Light(source_distance_mm=source), focal, rays=2_000_000)
    star = run(mirror, STAR, focal)
    ratio = near.area_mm2[0] / star.area_mm2[0]
    noise = error_of_ratio(near, star)
    assert noise < 3e-5
    assert ratio == pytest.approx(exact, abs=4 * noise + 5e-8)
    assert ratio == pytest.approx(1 - 4 * focal / source, rel=first_order)


@pytest.mark.parametrize(
    ("focal", "source", "radius", "length", "used"),
    [  # (α - δ)/(α + δ) with α = r/4f, first order
        (5200.0, 86000.0, 70.0, 90.0, 0.610486891),
        (5200.0, 86000.0, 190.0, 90.0, 0.610486891),
        (1850.0, 130000.0, 81.0, 150.0, 0.892285298),
        (7500.0, 124000.0, 300.0, 300.0, 0.610389610),
        (4750.0, 30000.0, 200.0, 100.0, 0.224489796),
    ],
)
def test_the_part_of_a_primary_that_is_exercised(focal, source, radius, length, used):
    mirror = nest(radius, focal=focal, length=length)
    found = run(mirror, Light(source_distance_mm=source), focal, rays=1_000_000)
    met = found.opening_by_fate_mm2
    share = met["focused"] / (met["focused"] + met["primary_only"])
    # Next order: a cone grows by ℓ/4f of its radius over its length, and the ratio errs
    # as that of areas does (0.3 % at L/f 16, 1 % at 6).
    next_order = length / 4 / focal + (0.01 if source / focal < 10 else 0.003)
    assert share == pytest.approx(used, rel=next_order)
    # Exactly: the last ray that meets the secondary does so at its rear end.
    alpha = math.atan(radius / focal) / 4

    def meeting(z):  # where a ray that falls on the primary at z meets the secondary
        place = radius - z * math.tan(alpha)
        slope = math.tan(-2 * alpha - math.atan(place / (source + z)))
        return (radius - place + slope * z) / (slope + math.tan(3 * alpha))

    last = brentq(lambda z: meeting(z) - length, -length, -1e-9)

    def launched(z):  # squared radius in the reference plane
        return ((radius - z * math.tan(alpha)) * source / (source + z)) ** 2

    exact = (launched(last) - launched(0)) / (launched(-length) - launched(0))
    noise = found.area_error_mm2[0] / found.area_mm2[0]
    assert share == pytest.approx(exact, rel=4 * noise)


@pytest.mark.parametrize(
    ("light", "shares"),
    [  # a trace of the cones without small angles, six digits, itself good to 2e-4
        (STAR, {2: 0.940724, 4: 0.881422, 8: 0.762940, 12: 0.644554}),
        (BEAMLINE, {2: 0.757078, 4: 0.757236, 8: 0.710899, 12: 0.610999}),
    ],
)
def test_off_axis_area_of_one_nesting(light, shares):
    mirror = nest(130.0)
    on_axis = run(mirror, STAR, FOCAL)
    alpha, delta = math.atan(130 / FOCAL) / 4, 130 / SOURCE
    for arcmin, share in shares.items():
        theta = arcmin * ARCMIN
        tilted = Light(
            source_distance_mm=light.source_distance_mm,
            off_axis_rad=theta,
            azimuth_rad=0.7,
        )
        found = run(mirror, tilted, FOCAL, rays=1_000_000)
        noise = error_of_ratio(found, on_axis)
        ratio = found.area_mm2[0] / on_axis.area_mm2[0]
        assert noise < 1e-4
        assert ratio == pytest.approx(share, abs=4 * math.hypot(noise, 2e-4))
        if light is STAR:  # V = 1 - 2θ/(πα): Spiga et al. 2009
            expected = 1 - 2 * theta / (math.pi * alpha)
        elif theta <= delta:  # flat until the angle exceeds r/L
            expected = 1 - delta / alpha
        else:
            x = delta / theta
            shape = math.sqrt(1 - x * x) + x * math.asin(x)
            expected = 1 - 2 * theta / (math.pi * alpha) * shape
        assert ratio == pytest.approx(expected, abs=2.5e-3)  # first order: 0.15 %


@pytest.mark.parametrize("by", ["mirror_tilt", "source_shift"])
def test_opposite_quadrants_show_the_axis_where_the_whole_hides_it(by):
    # (Q1 - Q3)/(Q1 + Q3) = 0.900 θ/(α - δ) for θ < δ: the mean of the cosine over a
    # quadrant is 2√2/π (derived). The source stands over the middle of Q1.
    alpha, delta = 130 / 4 / FOCAL, 130 / SOURCE
    theta = 2 * ARCMIN
    light = Light(
        source_distance_mm=SOURCE,
        off_axis_rad=theta,
        azimuth_rad=math.pi / 4,
        off_axis_by=by,
    )
    found = run(nest(130.0), light, FOCAL, rays=400_000).quadrant_area_mm2[:, 0]
    contrast = (found[0] - found[2]) / (found[0] + found[2])
    expected = 2 * math.sqrt(2) / math.pi * theta / (alpha - delta)
    # From over Q1 rays meet Q1's primary less steeply, and its secondary keeps more.
    # First order: about 0.3 %; counts of rays on an edge 0.1 %.
    assert contrast == pytest.approx(expected, rel=0.01)
    assert found[1] == pytest.approx(found[3], rel=1e-3)


@pytest.mark.parametrize("source", [math.inf, SOURCE, 40_000.0])
def test_blockage_in_a_tight_nest_is_that_of_rays_in_one_plane(source):
    prescription = tight_nest(130.0, 133.5)
    launch = np.linspace(129.0, 135.5, 16_001)
    through = [follow_in_plane(prescription, x, source) for x in launch]
    expected = (2 * math.pi * launch * through).sum() * (launch[1] - launch[0])
    found = run(prescription, Light(source_distance_mm=source), FOCAL, rays=400_000)
    # Some ten edges, each good to 0.3 of the step of 0.0004 mm at random, in over 1 mm.
    assert found.area_mm2[0] == pytest.approx(expected, rel=1e-3)
    alone = sum(entrance(n.radius_mm) for n in prescription.nestings)
    if math.isfinite(source):  # a tight nest loses more than each nesting by itself
        assert found.area_mm2[0] < 0.9 * alone * (1 - 4 * FOCAL / source)
