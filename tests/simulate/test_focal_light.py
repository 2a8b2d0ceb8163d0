import dataclasses

import astropy.units as u
import numpy as np
import pytest

from beamreduce.errors import GeometryError, SettingsError
from beamreduce.raytrace import MirrorState, TracePlan, trace
from beamreduce.simulate.exposures_plan import plan_exposures
from beamreduce.simulate.focal_light import focal_light, settings_of, trace_rays


def with_item(exposure, **changes):
    return dataclasses.replace(
        exposure, source=dataclasses.replace(exposure.source, **changes)
    )


def nothing(rays):
    return np.zeros(rays.focused.size, dtype=bool)


def test_one_trace_serves_all_lines_and_detector_distances(made, planned):
    settings = settings_of(plan_exposures(made.scenario))
    names = [list(s.measurements) for s in settings]
    assert names == [["focus"], ["quadrant_01"], ["tilted"]]
    focus = planned["focus"]
    other = with_item(focus, name="near", line="Al", detector_distance=5500 * u.mm)
    off = with_item(focus, off_axis=3 * u.arcmin)
    shifted = with_item(focus, off_axis=3 * u.arcmin, off_axis_by="source_shift")
    settings = settings_of([focus, off, other, shifted])
    assert [len(s.exposures) for s in settings] == [2, 1, 1]
    assert settings[0].distances_mm == (5500.0, 5544.0)
    assert len({s.name for s in settings}) == 3


def test_each_part_of_a_trace_stands_for_the_whole(made, planned):
    item = planned["focus"].source
    optics = made.mirror_behind(item), made.light(item)
    rng = np.random.default_rng(31)
    parts = trace_rays(optics, (40_000, 5), nothing, rng)
    assert len(parts) == 5
    assert sum(part.focused.size for part in parts) >= 40_000
    areas = np.array([part.area_mm2.sum(axis=1, dtype=float) for part in parts])
    plan = TracePlan(distances_mm=np.array([5544.0]))
    whole = trace(*optics, plan, rays=200_000, rng=rng)
    noise = np.hypot(areas.std(axis=0, ddof=1) / 5**0.5, whole.area_error_mm2)
    assert np.abs(areas.mean(axis=0) - whole.area_mm2).max() < 5 * noise.max()


def test_an_aperture_lets_only_its_quadrant_through(made, planned):
    item = planned["quadrant"].source
    assert item.aperture == "Q2"
    optics = made.mirror_behind(item), made.light(item)
    (part, _) = trace_rays(optics, (5_000, 2), nothing, np.random.default_rng(36))
    x, y = part.start_mm
    # From 90 to 180 deg; up to the shift of the quadrant and out-of-plane scatter.
    assert (x < 0.2).all()
    assert (y > -0.2).all()


def test_four_quadrants_make_a_whole(made, planned):
    focus = planned["focus"].source
    plan = TracePlan(distances_mm=np.array([5544.0]))
    found = {}
    for number, aperture in enumerate(("full", "Q1", "Q2", "Q3", "Q4")):
        item = dataclasses.replace(focus, aperture=aperture)
        optics = made.mirror_behind(item), made.light(item)
        rng = np.random.default_rng(40 + number)
        found[aperture] = trace(*optics, plan, rays=100_000, rng=rng)
    parts = sum(found[f"Q{k}"].area_mm2 for k in range(1, 5))
    noise = np.sqrt(sum(one.area_error_mm2**2 for one in found.values()))
    assert np.abs(parts - found["full"].area_mm2).max() < 5 * noise.max()


def test_photons_are_drawn_in_proportion_to_area(made, planned):
    (setting,) = settings_of([planned["focus"]])
    light = focal_light(made, setting)
    rays, energy = light.rays, made.energy_index("Ti")
    place = rays.at(5544.0)
    inside = np.hypot(*place) < 0.8
    area = rays.area_mm2[energy].astype(float)
    share = area[inside].sum() / area.sum()
    rng = np.random.default_rng(51)
    counts, within = [], 0
    for _ in range(300):
        photons = light.draw(0.2, (energy, 5544.0), rng)
        counts.append(photons.shape[1])
        within += (np.hypot(*photons) < 0.8).sum()
    expected = 0.2 * light.cumulated_mm2[energy, -1]
    assert np.mean(counts) == pytest.approx(expected, abs=4 * np.sqrt(expected / 300))
    assert np.var(counts) == pytest.approx(expected, rel=4 * np.sqrt(2 / 300))
    noise = np.sqrt(share * (1 - share) / sum(counts))
    assert within / sum(counts) == pytest.approx(share, abs=4 * noise)


def test_there_are_many_rays_for_every_photon(made, planned):
    brighter = dataclasses.replace(planned["focus"], strength=3.0)
    (setting,) = settings_of([brighter])
    light = focal_light(made, setting)
    energy = made.energy_index("Ti")
    photons = brighter.flux_per_mm2 * brighter.detected_share
    photons *= light.cumulated_mm2[energy, -1]
    assert light.rays.focused.size >= 19 * photons > 20_000


def test_the_same_seed_gives_the_same_rays(made, planned):
    (setting,) = settings_of([planned["quadrant"]])
    one, other = focal_light(made, setting), focal_light(made, setting)
    assert np.array_equal(one.rays.start_mm, other.rays.start_mm)
    assert np.array_equal(one.cumulated_mm2, other.cumulated_mm2)


def test_an_exposure_with_too_many_photons_is_refused(made, planned):
    (setting,) = settings_of([dataclasses.replace(planned["focus"], strength=1e5)])
    with pytest.raises(SettingsError, match=r"focus: .* photons .* too many to draw"):
        focal_light(made, setting)


def test_a_mirror_that_nothing_comes_through_is_refused(made, planned):
    # Nearer than four focal lengths no ray from a primary meets a secondary.
    facility = dataclasses.replace(made.setup.facility, source_distance=18 * u.m)
    setup = dataclasses.replace(made.setup, facility=facility)
    near = dataclasses.replace(made, setup=setup)
    (setting,) = settings_of([planned["focus"]])
    with pytest.raises(GeometryError, match=r"no ray of \d+ .* too near"):
        focal_light(near, setting)
    perfect = MirrorState(prescription=made.mirror.prescription)
    optics = perfect, near.light(setting.item)
    with pytest.raises(SettingsError, match=r"no ray of \d+ is focused .* source_distance"):
        trace_rays(optics, (1000, 2), nothing, np.random.default_rng(3))
