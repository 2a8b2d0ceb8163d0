"""The lit part of a mirror: first order, weights, and the pieces of a map."""

import math

import astropy.units as u
import numpy as np
import pytest

from beamreduce.infinity.exercised import PIECES, exercised
from tests.infinity.made_designs import designed

SOURCE = 86 * u.m


@pytest.mark.parametrize("radius", [70.0, 190.0])
def test_one_nesting_is_lit_by_the_closed_form(radius):
    _, nest = designed(inner=radius)
    lit = exercised(nest, source_distance=SOURCE)
    alpha = nest.nestings[0].primary_angle_rad
    delta = radius / 86_000
    # First order; δ grows along the primary by ℓ tan α/r: half a per cent of 0.6.
    expected = (alpha - delta) / (alpha + delta)
    assert lit.primary_exercised_fraction == pytest.approx(expected, abs=0.003)
    assert lit.secondary_exercised_fraction == pytest.approx(1.0, abs=1e-9)
    assert lit.primary.star_fraction[0] == pytest.approx(1.0, abs=1e-9)
    # A ray parallel to the axis meets the secondary as far behind as it met the primary
    # in front, less one part in f/ℓ·(r/f)².
    assert lit.secondary.star_fraction[0] == pytest.approx(1.0, abs=1e-3)


def test_mean_is_by_frontal_area():
    _, nest = designed(inner=120.0, outer=126.0)
    lit = exercised(nest, source_distance=SOURCE)
    angles = np.array([n.primary_angle_rad for n in nest.nestings])
    front = lit.radius_mm + 90 * np.tan(angles)
    areas = math.pi * (front**2 - lit.radius_mm**2)
    assert lit.frontal_mm2 == pytest.approx(areas)
    mean = np.sum(areas * lit.primary.beam_fraction) / np.sum(areas)
    assert lit.primary_exercised_fraction == pytest.approx(mean)
    assert lit.primary.beam_fraction[0] > lit.primary.beam_fraction[-1]


def test_a_pre_collimator_shades_more():
    _, nest = designed(inner=120.0, outer=126.0)
    bare = exercised(nest, source_distance=SOURCE)
    with_blades = exercised(nest, source_distance=SOURCE, pre_collimator_length=40 * u.mm)
    assert with_blades.primary_exercised_fraction < bare.primary_exercised_fraction - 0.05


def test_pieces_cover_every_reflector_once():
    _, nest = designed(inner=120.0, outer=126.0)
    lit = exercised(nest, source_distance=SOURCE)
    pieces = lit.pieces()
    length = pieces.end_mm - pieces.start_mm
    total = np.bincount(pieces.nesting, weights=length)
    assert total == pytest.approx(np.full(len(nest.nestings), 180.0))
    by_kind = np.bincount(pieces.kind, weights=length, minlength=len(PIECES))
    both = np.minimum(lit.primary.beam_mm[:, 1], lit.primary.star_mm[:, 1]) - np.maximum(
        lit.primary.beam_mm[:, 0], lit.primary.star_mm[:, 0]
    )
    on_primaries = pieces.end_mm <= 1e-9
    found = length[on_primaries & (pieces.kind == 0)]
    assert found.sum() == pytest.approx(both.sum())
    assert by_kind[1] > by_kind[2]  # a star lights more than the beam does


def test_pieces_of_one_nesting_say_where_only_a_star_shines():
    _, nest = designed()
    pieces = exercised(nest, source_distance=SOURCE).pieces()
    first = pieces.kind[0], pieces.start_mm[0], pieces.end_mm[0]
    assert PIECES[first[0]] == "lit only by a star"
    assert first[1:] == (pytest.approx(-90.0), pytest.approx(-54.9, abs=0.3))


def test_a_gap_is_no_reflector():
    _, nest = designed(gap=10 * u.mm)
    lit = exercised(nest, source_distance=SOURCE)
    assert lit.primary.ends_mm[0].tolist() == [-95.0, -5.0]
    assert lit.secondary.ends_mm[0].tolist() == [5.0, 95.0]
    pieces = lit.pieces()
    assert not np.any((pieces.start_mm < 5) & (pieces.end_mm > -5))


def test_area_ratio_of_one_nesting_is_the_hand_check():
    _, nest = designed()
    ratio = exercised(nest, source_distance=SOURCE).area_ratio
    # 1 − 4f/L holds to 0.3 % at L/f of 16; 0.7570167 by exact meridional integration.
    assert ratio == pytest.approx(1 - 4 * 5.2 / 86, rel=0.003)
    # Light even on a plane or into solid angle differs by 3/2 (r/L)² of the near area.
    assert ratio == pytest.approx(0.7570167, abs=1.5 * (130 / 86_000) ** 2)


def test_a_tight_nest_loses_more_than_the_hand_check():
    _, nest = designed(inner=120.0, outer=126.0)
    assert exercised(nest, source_distance=SOURCE).area_ratio < 0.9 * (1 - 4 * 5.2 / 86)
