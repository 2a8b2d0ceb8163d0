import dataclasses

import astropy.units as u
import numpy as np
import pytest

from beamreduce.simulate.exposures_plan import exposure_row, plan_exposures, read_monitor


def test_frames_are_numbered_and_grouped(made):
    plan = plan_exposures(made.scenario)
    names = [exposure.exposure for exposure in plan]
    assert names[:5] == ["bias_01", "bias_02", "dark_01", "dark_02", "dark_03"]
    assert len(set(names)) == len(names) == sum(s.frames for s in made.scenario.exposures)
    measurements = {e.exposure: e.measurement for e in plan if e.source.kind == "beam"}
    assert measurements == {
        "focus_01": "focus", "focus_02": "focus",
        "quadrant_01": "quadrant_01", "tilted_01": "tilted",
    }  # fmt: skip


def test_the_source_drifts_as_a_sine_and_only_beams_see_it(made):
    scenario = made.scenario
    plan = plan_exposures(scenario)
    clock = 0.0
    for exposure in plan:
        middle = clock + exposure.time_s / 2
        clock += exposure.time_s + 5.0
        beam = exposure.source.kind in ("beam", "direct")
        drift = 1 + 0.02 * np.sin(2 * np.pi * middle / 800)
        expected = exposure.source.strength * drift if beam else 0.0
        assert exposure.strength == pytest.approx(expected)


def test_flux_at_the_reference_plane(made, planned):
    focus = planned["focus"]
    expected = 7 / 100 * focus.strength * 10  # photons a cm² and s, 10 s
    assert focus.flux_per_mm2 == pytest.approx(expected)
    assert focus.detected_share == pytest.approx(0.95 * 0.92)
    assert planned["off"].flux_per_mm2 == 0


def test_the_monitor_counts_the_beam(made, planned):
    facility = made.setup.facility
    focus = planned["focus"]
    rng = np.random.default_rng(61)
    readings = [
        read_monitor(focus, facility, made.scenario.monitor, rng) for _ in range(400)
    ]
    # 10 cm² at 5 m, efficiency 0.5, plus 2 counts a second.
    rate = 7 * focus.strength * (86 / 5) ** 2 * 10 * 0.5 + 2
    busy = rate * 0.5e-6
    expected = rate * 10 / (1 + busy)
    counts = [reading.counts for reading in readings]
    assert np.mean(counts) == pytest.approx(expected, abs=4 * np.sqrt(expected / 400))
    assert np.var(counts) == pytest.approx(expected, rel=4 * np.sqrt(2 / 400))
    reading = readings[0]
    assert reading.dead_time_fraction == pytest.approx(busy / (1 + busy))
    assert reading.background == pytest.approx(20)
    corrected = np.mean(counts) / (1 - reading.dead_time_fraction) - reading.background
    assert corrected == pytest.approx((rate - 2) * 10, rel=4 / np.sqrt(400 * expected))


def test_no_monitor_and_no_time_give_no_reading(made, planned):
    rng = np.random.default_rng(62)
    without = dataclasses.replace(made.setup.facility, monitor_distance=None)
    assert read_monitor(planned["focus"], without, made.scenario.monitor, rng) is None
    bias = read_monitor(planned["bias"], made.setup.facility, made.scenario.monitor, rng)
    assert bias is None


def test_rows_say_what_belongs_to_their_kind(made, planned):
    tilted = exposure_row(planned["tilted"], None)
    assert tilted["off_axis"] == pytest.approx(5)
    assert tilted["off_axis_by"] == "mirror_tilt"
    assert tilted["azimuth"] == 90
    assert tilted["filter_transmission_uncertainty"] == 0.002
    focus = exposure_row(planned["focus"], None)
    assert focus["off_axis"] == 0
    assert "off_axis_by" not in focus
    assert focus["group"] == "focus"
    assert focus["energy"] == made.scenario.lines["Ti"].energy.to_value(u.keV)
    assert "group" not in exposure_row(planned["quadrant"], None)
    assert exposure_row(planned["quadrant"], None)["aperture"] == "Q2"
    assert exposure_row(planned["direct"], None)["background"] == "off"
    dark = exposure_row(planned["dark"], None)
    assert set(dark) == {"exposure", "file", "kind", "exposure_time"}
    assert "energy" not in exposure_row(planned["off"], None)
