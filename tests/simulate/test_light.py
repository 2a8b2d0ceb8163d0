import dataclasses

import numpy as np
import pytest

from beamreduce.raytrace import TracePlan, trace
from beamreduce.simulate.focal_light import focal_light, settings_of
from beamreduce.simulate.light import arriving_photons, background_rate_per_s


def test_darks_and_bias_see_no_photons(made, planned):
    rng = np.random.default_rng(71)
    for name in ("bias", "dark"):
        assert arriving_photons(made, planned[name], None, rng).energy_kev.size == 0


def test_background_has_its_rate_its_energy_and_its_gradient(made, planned):
    long = dataclasses.replace(planned["off"], time_s=5_000.0)
    found = arriving_photons(made, long, None, np.random.default_rng(72))
    expected = 3e-4 * 5_000 * 256 * 256
    noise = np.sqrt(expected)
    count = found.energy_kev.size
    assert count == pytest.approx(expected, abs=4 * noise)
    assert set(found.energy_kev) == {2.5}
    # A gradient g over the frame moves the mean of the place by g/12 of the frame; a
    # flat law's place has the variance 1/12.
    x, y = (found.place_px / 255 - 0.5).mean(axis=1)
    assert x == pytest.approx(0.2 / 12, abs=4 * np.sqrt(1 / 12 / count))
    assert y == pytest.approx(-0.1 / 12, abs=4 * np.sqrt(1 / 12 / count))
    corners = background_rate_per_s(made, np.array([[0.0, 255.0], [0.0, 0.0]]))
    assert corners == pytest.approx(3e-4 * np.array([1 - 0.1 + 0.05, 1 + 0.1 + 0.05]))


def test_direct_light_is_even_and_thinned_by_the_longer_way(made, planned):
    direct = planned["direct"]
    found = arriving_photons(made, direct, None, np.random.default_rng(73))
    beam = found.energy_kev == 4.511
    # 256 pixels of 0.05 mm a side; 86 m + 5.544 m from the source.
    area_mm2 = (256 * 0.05) ** 2
    expected = direct.flux_per_mm2 * area_mm2 * (86 / 91.544) ** 2 * 0.95 * 0.92
    assert beam.sum() == pytest.approx(expected, abs=4 * np.sqrt(expected))
    spread = found.place_px[:, beam].std(axis=1)
    assert spread == pytest.approx([256 / 12**0.5] * 2, rel=0.05)


def test_as_many_photons_come_through_the_mirror_as_it_collects(made, planned):
    focus = planned["focus"]
    optics = made.mirror_behind(focus.source), made.light(focus.source)
    plan = TracePlan(distances_mm=np.array([5544.0]))
    traced = trace(*optics, plan, rays=300_000, rng=np.random.default_rng(74))
    energy = made.energy_index("Ti")
    expected = focus.flux_per_mm2 * traced.area_mm2[energy] * focus.detected_share
    longer = dataclasses.replace(focus, time_s=100.0)
    light = focal_light(made, settings_of([longer])[0])
    found = arriving_photons(made, longer, light, np.random.default_rng(75))
    count = (found.energy_kev == 4.511).sum()
    error = traced.area_error_mm2[energy] / traced.area_mm2[energy]
    noise = np.hypot(np.sqrt(10 * expected), 10 * expected * error)
    assert count == pytest.approx(10 * expected, abs=4 * noise)
