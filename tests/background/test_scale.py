"""Scales by time and by monitor, with their uncertainty."""

import math

import astropy.units as u
import numpy as np
import pytest

from beamreduce.background import scale_to
from beamreduce.campaign.exposure import Exposure
from beamreduce.errors import MeasurementError, SettingsError


def row(seconds=100.0, name="b1", **cells):
    return Exposure(
        exposure=name,
        file=f"{name}.fits",
        kind="beam",
        exposure_time=seconds * u.s,
        **cells,
    )


def test_live_times_are_summed_and_divided():
    scale = scale_to(
        [row(100, dead_time_fraction=0.1), row(60)], [row(300), row(200)], by="time"
    )
    assert scale.value == pytest.approx((90 + 60) / 500)
    assert scale.uncertainty == 0.0


def test_declared_uncertainties_of_the_time_are_common_within_a_sum():
    beam = [row(100, uncertainties={"exposure_time": 1 * u.s})] * 2
    off = [row(400, uncertainties={"exposure_time": 8000 * u.ms})]
    scale = scale_to(beam, off)
    assert scale.systematic == pytest.approx(0.5 * math.hypot(2 / 200, 8 / 400))
    assert scale.statistical == 0.0


def test_dead_time_uncertainty_is_carried():
    beam = [row(100, dead_time_fraction=0.2, uncertainties={"dead_time_fraction": 0.02})]
    assert scale_to(beam, [row(100)]).systematic == pytest.approx(0.02)


def test_monitor_counts_are_corrected_for_dead_time_and_background():
    # Knoll (Radiation Detection and Measurement, chapter 4, from memory): a counter that
    # is dead for 10 % of the time counted 1 000 of 1 111.11.
    beam = [row(monitor_counts=1000.0, monitor_dead_time_fraction=0.1)]
    off = [row(monitor_counts=600.0, monitor_background=100.0)]
    scale = scale_to(beam, off, by="monitor")
    assert scale.value == pytest.approx(1111.1111111 / 500)
    relative = math.hypot(1 / math.sqrt(1000), math.sqrt(600) / 500)
    assert scale.statistical == pytest.approx(scale.value * relative)
    assert scale.systematic == 0.0


def test_monitor_counts_are_taken_to_the_live_time_of_the_detector():
    beam = [row(100, dead_time_fraction=0.2, monitor_counts=5000, monitor_time=50 * u.s)]
    off = [row(100, monitor_counts=1000.0)]
    # 100 counts a second over 80 s live.
    assert scale_to(beam, off, by="monitor").value == pytest.approx(8000 / 1000)


def test_declared_monitor_uncertainties_are_systematic():
    beam = [
        row(
            monitor_counts=1000.0,
            monitor_background=200.0,
            monitor_dead_time_fraction=0.2,
            dead_time_fraction=0.1,
            monitor_time=100 * u.s,
            uncertainties={
                "monitor_background": 10.0,
                "monitor_dead_time_fraction": 0.01,
                "monitor_time": 2 * u.s,
                "exposure_time": 3 * u.s,
                "dead_time_fraction": 0.05,
            },
        )
    ]
    off = [row(monitor_counts=1e6)]
    scale = scale_to(beam, off, by="monitor")
    net, live = 1000 / 0.8 - 200, 0.9
    # Partial derivatives of (N/(1−d) − b) t(1−D)/t_m (derived).
    wanted = [
        10 * live,
        0.01 * 1000 / 0.8**2 * live,
        net * live * 2 / 100,
        net * live * 3 / 100,
        net * 0.05,
    ]
    assert scale.systematic == pytest.approx(math.hypot(*wanted) / 1e6)


def test_the_exposure_time_cancels_where_the_monitor_has_no_time_of_its_own():
    beam = [row(monitor_counts=1000.0, uncertainties={"exposure_time": 50 * u.s})]
    assert scale_to(beam, [row(monitor_counts=500.0)], by="monitor").systematic == 0.0


def test_a_declared_uncertainty_of_the_counts_stands_instead_of_the_poisson_one():
    """Independent from row to row: 80 in each of two rows are 80 √2 in 2000."""
    beam = [row(monitor_counts=1000.0, uncertainties={"monitor_counts": 80.0})] * 2
    off = [row(monitor_counts=1e8)]
    scale = scale_to(beam, off, by="monitor")
    assert scale.systematic / scale.value == pytest.approx(0.08 / math.sqrt(2))
    assert scale.statistical / scale.value == pytest.approx(1e-4)  # of the other sum


def test_statistical_error_matches_the_scatter_of_repeats():
    rng = np.random.default_rng(20250130)

    def drawn(mean, dead, background):
        counts = float(rng.poisson((mean + background) * (1 - dead)))
        return row(
            monitor_counts=counts,
            monitor_background=background,
            monitor_dead_time_fraction=dead,
        )

    scales = [
        scale_to([drawn(900, 0.1, 300), drawn(900, 0.2, 300)], [drawn(2500, 0, 300)],
                 by="monitor")
        for _ in range(1000)
    ]  # fmt: skip
    values = np.array([scale.value for scale in scales])
    pulls = (values - 1800 / 2500) / [scale.statistical for scale in scales]
    # rms of n pulls is known to 1/√(2n).
    assert np.sqrt(np.mean(pulls**2)) == pytest.approx(1.0, abs=4 / math.sqrt(2000))


def test_a_monitor_that_saw_no_beam_is_refused():
    beam = [row(monitor_counts=1000.0)]
    off = [row(name="off7", monitor_counts=310.0, monitor_background=300.0)]
    with pytest.raises(MeasurementError, match=r'off7: 10 net counts .*"time"'):
        scale_to(beam, off, by="monitor")


def test_rows_without_what_the_scale_needs_are_refused():
    with pytest.raises(MeasurementError, match="exposure b1 has no monitor_counts"):
        scale_to([row()], [row()], by="monitor")
    with pytest.raises(MeasurementError, match="exposure b9 has no live time"):
        scale_to([row(0.0, name="b9")], [row()])
    with pytest.raises(SettingsError, match="needs beam and beam-off exposures"):
        scale_to([row()], [])
    with pytest.raises(SettingsError, match='background_scale must be "time" or'):
        scale_to([row()], [row()], by="area")
