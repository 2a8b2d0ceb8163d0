"""What figure errors, displacements and an extended source do in the independent trace.

Sources: rotated Gaussian, arcsine law, first-order optics (derived); uniform disc.
"""

import math

import numpy as np
import pytest

from tests.external.independent_trace import (
    Beam,
    FigureErrors,
    Mirror,
    SlopeLaw,
    follow,
    trace,
)
from tests.external.perfect_nesting import (
    ARCSEC,
    SKY,
    area,
    diameter_of,
    even,
    junction_only,
    nest,
)


@pytest.mark.parametrize("beam", [SKY, Beam(distance=86e3)])
@pytest.mark.parametrize("stage", ["primary", "secondary"])
def test_a_positive_error_lands_further_outward(stage, beam):
    """2 e times the distance from the point turned about, for normals and for cones.

    A normal turns at the hit, a whole cone about its middle; between straight lines a
    reflection keeps lengths, so the lever is f − z. Held to twice (r/f)² = 6e-4.
    """
    e, distance = 5 * ARCSEC, 5200.0
    # Long enough that the turned secondary's end does not stand in the way.
    mirror, changed = (
        Mirror(prescription=nest(5200.0, [130.0], 5.0, secondary_length=90.0), errors=of)
        for of in (FigureErrors(), FigureErrors(**{f"{stage}_offset": e}))
    )
    middle = -2.5 if stage == "primary" else 45.0
    plain = even(mirror, 10)
    turned = even(mirror, 10, slopes=(e, 0.0) if stage == "primary" else (0.0, e))
    straight, bent, other = (
        follow(mirror, beam, plain),
        follow(mirror, beam, turned),
        follow(changed, beam, plain),
    )
    outward = np.array([[math.cos(0.3)], [math.sin(0.3)]])
    at = plain.z if stage == "primary" else -plain.z
    for rays, lever in ((bent, distance - at), (other, distance - middle)):
        step = np.array(rays.at(distance)) - np.array(straight.at(distance))
        assert (step * outward).sum(axis=0) == pytest.approx(2 * e * lever, rel=1.2e-3)


def test_sideways_errors_hardly_move_a_ray():
    """By 2 sin(grazing) times the error at each reflection, across the meridian."""
    mirror, turn = junction_only(), 1e-3
    aims = even(mirror, 4, sideways=(np.full(4, turn), np.full(4, turn)))
    moved = np.array(follow(mirror, SKY, aims).at(5200.0)).T @ [
        -math.sin(0.3),
        math.cos(0.3),
    ]
    grazing = math.atan(130 / 5200) / 4
    # Small angles: the meridian of the second point is that of the first to 1e-4.
    assert moved == pytest.approx(4 * math.sin(grazing) * turn * 5200, rel=2e-3)


@pytest.mark.parametrize(
    ("law", "hpd", "w90"),
    [
        # Rotated Gaussian of width 2√2 s f: 1.348979500 and 3.289707254 widths.
        (SlopeLaw(scales=(10 * ARCSEC,)), 3.815490210, 9.304697),
        # Two ripples of one amplitude A: the sum of two sines, drawn apart below.
        (SlopeLaw(ripple=10 * ARCSEC), None, None),
        # A mixture: half and half of s and 3s on each stage, drawn apart below.
        (SlopeLaw(scales=(10 * ARCSEC, 30 * ARCSEC), shares=(0.5, 0.5)), None, None),
    ],
)
def test_in_plane_errors_alone(law, hpd, w90):
    """Nothing blocked: radius is 2 f |e₁ + e₂|; 4 standard errors of 400 000 rays."""
    mirror = junction_only(primary=law, secondary=law)
    rays = trace(mirror, SKY, 400_000, np.random.default_rng(11))
    assert area(rays) == pytest.approx(
        area(trace(junction_only(), SKY, 9, np.random.default_rng(17)))
    )
    if hpd is None:
        apart = np.random.default_rng(12)
        sums = np.zeros(400_000)
        for _ in range(2):
            width = np.where(apart.random(sums.size) < 0.5, 1.0, 3.0)
            normal = apart.normal(0, width) if law.scales[0] else 0.0
            sums += normal if law.scales[0] else np.sin(2 * np.pi * apart.random(sums.size))
        hpd, w90 = 4 * np.quantile(np.abs(sums), [0.5, 0.9])
    scale = 5200.0 * 10 * ARCSEC
    # Relative error of a diameter is at most 1.33/√N for these shapes, twice drawn.
    rel = 4 * 1.34 * math.sqrt(2) / math.sqrt(400_000)
    assert diameter_of(rays, 5200.0, 0.5) / scale == pytest.approx(hpd, rel=rel)
    assert diameter_of(rays, 5200.0, 0.9) / scale == pytest.approx(w90, rel=rel)


def test_one_rippled_stage_follows_the_arcsine_law():
    """|2 f A sin| has its median at sin 45°; the density there is 2/(π √½)."""
    amplitude = 20 * ARCSEC
    mirror = junction_only(secondary=SlopeLaw(ripple=amplitude))
    rays = trace(mirror, SKY, 400_000, np.random.default_rng(13))
    sigma = 0.5 / math.sqrt(400_000) * math.pi / 2 * math.sqrt(0.5)
    half = diameter_of(rays, 5200.0, 0.5) / (4 * 5200.0 * amplitude)
    assert half == pytest.approx(math.sqrt(0.5), abs=4 * sigma + 1e-4)


def test_offsets_of_reflectors_belong_to_quarters():
    """Every quarter of a thin nesting becomes one point of its own, 2 f (o₁ + o₂) away."""
    mirror = junction_only(reflector_offset=10 * ARCSEC, reflector_seed=5)
    rays = trace(mirror, SKY, 4000, np.random.default_rng(14))
    azimuth = np.arctan2(-rays.v, -rays.u)
    outward = (np.array(rays.at(5200.0)) * [np.cos(azimuth), np.sin(azimuth)]).sum(axis=0)
    for quadrant in range(4):
        expected = 2 * 5200.0 * mirror.offsets[:, quadrant, 0].sum()
        here = outward[rays.quadrant == quadrant]
        assert here == pytest.approx(expected, abs=2e-3 * 5200 * 40 * ARCSEC)


@pytest.mark.parametrize(("beam", "factor"), [(SKY, 1.0), (Beam(distance=86e3), 1.06436)])
def test_a_displaced_quadrant_moves_its_image(beam, factor):
    """By t(1 + D/L): 1 + 5534.65/86000 = 1.06436 (a rigid shift, derived)."""
    shifts = ((0.0, 0.0), (0.3, -0.2), (0.0, 0.0), (0.0, 0.0))
    moved = junction_only(quadrant_shifts=shifts)
    aims = even(moved, 40_000, azimuth=None)
    before, after = follow(junction_only(), beam, aims), follow(moved, beam, aims)
    for quadrant in range(4):
        mine = before.quadrant == quadrant
        step = np.array(after.at(5534.65)) - np.array(before.at(5534.65))
        expected = factor * np.array(shifts[quadrant])
        assert step[:, mine].mean(axis=1) == pytest.approx(expected, rel=1e-3, abs=1e-9)


def test_an_extended_source_is_imaged():
    """A disc of 0.5 mm at 86 m has HPD 0.847972344″; ± 4·0.5/√N of a uniform disc."""
    mirror = junction_only()
    beam = Beam(distance=86e3, diameter=0.5)
    rays = trace(mirror, beam, 400_000, np.random.default_rng(15))
    focus = 130 / math.tan(math.atan(130 / 5200) - math.atan(130 / 86e3))
    hpd = diameter_of(rays, focus, 0.5) / focus / ARCSEC
    assert hpd == pytest.approx(0.847972344, rel=4 * 0.5 / math.sqrt(400_000) + 5e-4)
