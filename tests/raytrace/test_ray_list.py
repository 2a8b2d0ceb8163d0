"""Listed rays are the very rays that rings and totals count."""

import numpy as np
import pytest

from beamreduce.raytrace import ErrorLaw, FigureErrors, Light, MirrorState
from tests.raytrace.made_mirrors import ARCMIN, ARCSEC, SOURCE, image_plane, run, tight_nest

ROUGH = MirrorState(
    prescription=tight_nest(130.0, 134.0),
    figure=FigureErrors(
        primary=ErrorLaw.gaussian(20 * ARCSEC), secondary=ErrorLaw.gaussian(20 * ARCSEC)
    ),
)
EVERY_FATE = ("focused", "primary_only", "secondary_only", "straight")


def test_a_list_holds_what_the_rings_hold():
    light = Light(source_distance_mm=SOURCE, off_axis_rad=20 * ARCMIN, azimuth_rad=0.4)
    radii = np.linspace(0.05, 4.0, 80)
    traced = run(ROUGH, light, [5300.0, image_plane()], ring_radii_mm=radii, list_rays=True)
    assert len(traced.ray_parts) == traced.plan.shifts
    for part, rays in enumerate(traced.ray_parts):
        assert rays.focused.all()
        for d, plane in enumerate(traced.plan.distances_mm):
            offset = np.hypot(*rays.at(plane))
            found, _ = np.histogram(offset, [0.0, *radii], weights=rays.area_mm2[0])
            # Single precision, 1e-5 mm, takes a ray in some 5 000 across a ring's edge.
            expected = np.cumsum(traced.ring_parts_mm2[part, d, 0])
            assert np.cumsum(found) == pytest.approx(expected, rel=1e-3)
    sums = [rays.area_mm2.sum(axis=1, dtype=float) for rays in traced.ray_parts]
    assert np.mean(sums, axis=0) == pytest.approx(traced.area_mm2, rel=1e-6)


def test_stray_rays_are_listed_as_such_and_can_be_picked():
    light = Light(source_distance_mm=SOURCE, off_axis_rad=8 * ARCMIN)
    traced = run(ROUGH, light, image_plane(), fates=EVERY_FATE, list_rays=True, rays=50_000)
    for rays in traced.ray_parts:
        focused = rays.only(rays.focused)
        stray = rays.only(np.flatnonzero(~rays.focused))
        assert focused.focused.all()
        assert focused.area_mm2.shape[1] + stray.area_mm2.shape[1] == rays.focused.size
        assert np.median(np.hypot(*focused.at(image_plane()))) < 2
        # One reflection too few turns a ray by about 2α or 6α less than 8α.
        assert np.hypot(*stray.at(image_plane())).min() > 20
    counted = sum(rays.focused.sum() for rays in traced.ray_parts)
    assert counted == traced.rays_by_fate["focused"]
    listed = sum(rays.focused.size for rays in traced.ray_parts)
    assert listed == sum(traced.rays_by_fate[fate] for fate in EVERY_FATE)


def test_nothing_is_listed_unless_asked_for():
    assert run(ROUGH, Light(), 5200.0, rays=1000).ray_parts == ()
