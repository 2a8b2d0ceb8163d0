import dataclasses
import tomllib

import astropy.units as u
import numpy as np
import pytest
from scipy.special import ndtr

from beamreduce.campaign import read_setup
from beamreduce.simulate import read_scenario
from beamreduce.simulate.as_made import build
from beamreduce.simulate.made_mirror import draw_offsets, make_mirror, slope_law
from beamreduce.simulate.write_campaign import _write_settings

ARCSEC = np.radians(1 / 3600)


def figure_of(made, **changes):
    return dataclasses.replace(made.scenario.figure, **changes)


def test_slopes_have_two_scales(made):
    law = slope_law(figure_of(made, core_slope=2 * u.arcsec, tail_slope=9 * u.arcsec))
    # Shares 0.8 and 0.2; 8 192 straight steps leave 1e-3 of the variance of a Gaussian.
    expected = np.sqrt(0.8 * 2**2 + 0.2 * 9**2) * ARCSEC
    assert law.rms_rad == pytest.approx(expected, rel=1e-3)
    quartile = law.quantiles_rad[(law.quantiles_rad.size - 1) * 3 // 4] / ARCSEC
    assert 0.8 * ndtr(quartile / 2) + 0.2 * ndtr(quartile / 9) == pytest.approx(0.75)


@pytest.mark.parametrize(
    ("core", "tail", "share", "rms"),
    [(0, 0, 0.2, 0.0), (5, 99, 0.0, 5.0), (0, 5, 1.0, 5.0), (0, 10, 0.25, 5.0)],
)
def test_any_scale_may_be_zero_or_absent(made, core, tail, share, rms):
    changed = figure_of(
        made, core_slope=core * u.arcsec, tail_slope=tail * u.arcsec, tail_share=share
    )
    law = slope_law(changed)
    assert law.rms_rad == pytest.approx(rms * ARCSEC, rel=2e-3)
    assert law.is_zero == (rms == 0)


def test_offsets_differ_from_reflector_to_reflector():
    offsets = draw_offsets(1e-5, 500, np.random.default_rng(13))
    assert offsets.shape == (500, 4, 2)
    assert offsets.std() == pytest.approx(1e-5, rel=4 / np.sqrt(2 * offsets.size))
    assert np.unique(offsets).size == offsets.size


def test_the_mirror_has_the_errors_of_its_scenario(made):
    mirror = made.mirror
    count = len(mirror.prescription.nestings)
    means = mirror.figure.means_rad(count, 4)
    # 3 arcsec; a standard deviation of n normal numbers is good to 1/√2n.
    assert means.std() == pytest.approx(3 * ARCSEC, rel=4 / np.sqrt(2 * means.size))
    assert np.abs(means.mean()) < 4 * 3 * ARCSEC / np.sqrt(means.size)
    places = [quadrant.primary.shift_mm for quadrant in mirror.quadrants]
    assert places[0] == (0.04, -0.02, 0.0)
    assert places[3] == (-0.01, -0.04, 0.0)
    assert all(q.primary == q.secondary for q in mirror.quadrants)
    assert mirror.figure.primary_across.is_zero
    assert mirror.energy_kev.tolist() == [1.487, 4.511]
    assert [made.energy_index(name) for name in ("Al", "Ti")] == [0, 1]
    assert mirror.scatters
    # Half of a Lorentzian lies within its half width.
    quarter = mirror.scatter.quantiles_rad[len(mirror.scatter.quantiles_rad) * 3 // 4]
    assert quarter == pytest.approx(40 * ARCSEC, rel=2e-3)


def test_everything_a_scenario_may_add(tmp_path, scenario_text):
    scenario_text = scenario_text.replace(
        'coating = "Au"',
        'gap = "4 mm"\nbar_width = "0.8 mm"\nbar_count = 12\n'
        'pre_collimator_length = "30 mm"\ncoating = "Au"',
    ).replace(
        "[made.figure]",
        '[made.figure]\nacross_slope = "60 arcsec"\nprimary_mean_slope = "-2 arcsec"\n'
        'secondary_mean_slope = "8 arcsec"\ntilt_Q3 = ["1 arcmin", "-5 arcsec"]',
    )
    tomllib.loads(scenario_text)
    file = tmp_path / "more.toml"
    file.write_text(scenario_text)
    scenario = read_scenario(file)
    _write_settings(scenario, tmp_path)
    mirror = build(scenario, read_setup(tmp_path)).mirror
    assert {n.gap_mm for n in mirror.prescription.nestings} == {4.0}
    assert (mirror.bars.count, mirror.bars.width_mm) == (12, 0.8)
    assert mirror.pre_collimator_mm == 30
    assert mirror.figure.primary_across.rms_rad == pytest.approx(60 * ARCSEC, rel=2e-3)
    means = mirror.figure.means_rad(len(mirror.prescription.nestings), 4)
    noise = 4 * 3 * ARCSEC / np.sqrt(means[0].size)
    assert means[0].mean() == pytest.approx(-2 * ARCSEC, abs=noise)
    assert means[1].mean() == pytest.approx(8 * ARCSEC, abs=noise)
    leans = [quadrant.secondary.lean_rad for quadrant in mirror.quadrants]
    assert leans[2] == pytest.approx((60 * ARCSEC, -5 * ARCSEC))
    assert leans[0] == (0.0, 0.0)


def test_quadrants_are_where_the_campaign_says(made):
    turned = {f"Q{k}": ((k * 90 - 45) * u.deg, (k * 90 + 45) * u.deg) for k in range(1, 5)}
    setup = dataclasses.replace(made.setup, quadrants=turned)
    rng = np.random.default_rng(1)
    mirror = make_mirror(setup, made.scenario.figure, [4.5] * u.keV, rng)
    assert [q.name for q in mirror.quadrants] == ["Q1", "Q2", "Q3", "Q4"]
    assert np.degrees(mirror.quadrants[0].azimuth_rad) == pytest.approx((45, 135))
