import dataclasses
import math

import numpy as np
import pytest

from beamreduce.errors import GeometryError, SettingsError
from beamreduce.mirror import Prescription
from beamreduce.simulate.two_cones import Beam, MirrorAsMade, lit_area_mm2, trace

NEAR = Beam(source_distance_mm=86_000.0, source_diameter_mm=0.5)


def areas(mirror, beam, rays, seed):
    photons = trace(mirror, beam, rays=rays, rng=np.random.default_rng(seed))
    area = photons.weight.sum() * photons.collecting_mm2
    return area, photons.collecting_mm2 * math.sqrt((photons.weight**2).sum())


def test_four_quadrants_make_a_whole(made):
    mirror = made.coated_mirror("Ti")
    whole, noise = areas(mirror, NEAR, 200_000, 31)
    parts = [
        areas(mirror, dataclasses.replace(NEAR, opening_rad=limits), 100_000, 32 + number)
        for number, limits in enumerate(mirror.quadrants_rad)
    ]
    noise = math.hypot(noise, *(part[1] for part in parts))
    assert sum(part[0] for part in parts) == pytest.approx(whole, abs=4 * noise)


def test_a_quadrant_lets_only_its_azimuth_through(made):
    opening = (math.pi / 2, math.pi)
    beam = dataclasses.replace(NEAR, opening_rad=opening)
    photons = trace(
        made.coated_mirror("Ti"), beam, rays=50_000, rng=np.random.default_rng(36)
    )
    x, y = photons.start_mm - photons.slope * 100  # in front of the mirror's middle
    lit = trace(made.coated_mirror("Ti"), NEAR, rays=50_000, rng=np.random.default_rng(36))
    assert (x < 1).all()
    assert (y > -1).all()
    assert lit_area_mm2(made.mirror, beam) == pytest.approx(
        lit_area_mm2(made.mirror, NEAR) * (math.pi / 2 + 0.04) / (2 * math.pi)
    )
    assert (lit.start_mm[0] > 1).any()


def test_rays_that_leave_converge_on_the_axis(made):
    photons = trace(made.mirror, NEAR, rays=50_000, rng=np.random.default_rng(37))
    start = np.hypot(*photons.start_mm)
    focus = np.hypot(*photons.at(5544.0))
    assert start.min() > 60  # straight on back to the mirror
    assert np.median(focus) < 1.0
    assert (photons.weight == 1).all()  # no coating: everything is reflected


def test_reflectivity_is_two_reflections(made):
    photons = trace(
        made.coated_mirror("Ti"), NEAR, rays=50_000, rng=np.random.default_rng(38)
    )
    # Radii 70 to 90 mm: grazing angles α + δ and α - δ of 0.24 to 0.31 and 0.15 to
    # 0.19 degrees, where gold reflects 0.85 to 0.93 at 4.5 keV.
    assert 0.83**2 < photons.weight.mean() < 0.93**2
    assert (photons.weight > 0).all()
    assert (photons.weight < 1).all()


def test_the_same_stream_gives_the_same_rays(made):
    one, other = (
        trace(made.mirror, NEAR, rays=5_000, rng=np.random.default_rng(39))
        for _ in range(2)
    )
    assert np.array_equal(one.start_mm, other.start_mm)
    assert np.array_equal(one.slope, other.slope)


def test_what_cannot_be_traced(made):
    with pytest.raises(SettingsError, match="rays must be at least 1; got 0"):
        trace(made.mirror, NEAR, rays=0, rng=np.random.default_rng(1))
    first, *rest = made.mirror.prescription.nestings
    longer = dataclasses.replace(first, primary_length_mm=91.0)
    prescription = Prescription(nestings=(longer, *rest), focal_length_mm=5200.0)
    mirror = MirrorAsMade(prescription=prescription, figure=made.mirror.figure)
    with pytest.raises(GeometryError, match=r"share lengths and gap .* 2 different sets"):
        trace(mirror, NEAR, rays=10, rng=np.random.default_rng(1))
