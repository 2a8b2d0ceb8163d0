"""From a made campaign to results, against the truth it was made from.

A closed loop with our own simulator: it proves that the steps fit together and that the
uncertainties are of the right size, not that the physics is right (tests/external/ does).
"""

import json
import math

import pytest

from beamreduce.reduction import RunOptions, default_jobs, reduce_campaign
from beamreduce.simulate import compare_with_truth, simulate_campaign
from beamreduce.simulate.demo import compare_axis


def pulls(campaign, results, kind="_measured_", unit="arcsec"):
    truth_file = campaign.with_name(campaign.name + ".truth.json")
    truth = json.loads(truth_file.read_text())["measurements"]
    return {
        (row.id, row.key): row.pull
        for row in compare_with_truth(results.measurements, truth)
        if kind in row.key and row.key.endswith(unit)
    }


def rms(values):
    return math.sqrt(sum(value**2 for value in values) / len(values))


@pytest.mark.procedure
def test_small_campaigns_agree_with_their_truth(small_campaign, tmp_path):
    """Three made campaigns, seeds fixed beforehand: the packaged one, 11 and 12."""
    campaigns = [small_campaign, *(tmp_path / f"campaign-{seed}" for seed in (11, 12))]
    for campaign, seed in zip(campaigns[1:], (11, 12), strict=True):
        simulate_campaign("small", campaign, seed=seed)
    found, stars, areas = [], [], []
    for number, campaign in enumerate(campaigns):
        results = reduce_campaign(
            campaign, tmp_path / f"r{number}", options=RunOptions(figures=False)
        )
        of_one = pulls(campaign, results)
        assert len(of_one) == 2 * len(results.measurements)
        found += of_one.values()
        # Areas need a direct beam, which only Ti has; a star has the same photons.
        of_areas = pulls(campaign, results, "area_within_reference_measured", "cm2")
        assert len(of_areas) == sum(m["energy_keV"] > 4 for m in results.measurements)
        areas += of_areas.values()
        of_areas = pulls(campaign, results, "effective_area_infinity", "cm2")
        areas += of_areas.values()
        # What is folded together shares its fold: one measurement stands for each.
        alone = [
            row
            for row in pulls(campaign, results, "_infinity_").items()
            if row[0][0] in ("focus_Ti", "quadrant_1_01")
        ]
        assert {row[0][1] for row in alone} >= {
            "hpd_infinity_arcsec",
            "w90_infinity_arcsec",
        }
        stars += [pull for _, pull in alone]
    # HPD and W90 of four measurements share photons and the background: some 5 numbers a
    # campaign are independent, so the rms of 15 is 1 ± 1/√30 = 0.18; three of these are
    # allowed. A normal number exceeds 4.5 with a chance of 7e-6.
    assert rms(found) < 1 + 3 * 0.18, found
    assert max(map(abs, found)) < 4.5, found
    # Areas of three measurements a campaign share the direct beam, and with those of a star
    # their photons: some 2 numbers are independent, 6 in all: 1 ± 1/√12 = 0.29.
    assert rms(areas) < 1 + 3 * 0.29, areas
    assert max(map(abs, areas)) < 4.5, areas
    # Of a star: HPD in two planes and W90 share a fold, so some 1.5 of each fold are
    # independent, 9 in all: the rms is 1 ± 1/√18 = 0.24.
    assert rms(stars) < 1 + 3 * 0.24, stars
    assert max(map(abs, stars)) < 4.5, stars


@pytest.mark.slow
@pytest.mark.procedure
def test_demo_campaign_agrees_with_its_truth(tmp_path, whole_grid):
    if not whole_grid:
        pytest.skip("the whole demo runs with --whole-grid (make test-slow) and make demo")
    campaign = tmp_path / "campaign"
    simulate_campaign("demo", campaign)
    results = reduce_campaign(
        campaign, tmp_path / "r", options=RunOptions(jobs=default_jobs(), figures=False)
    )
    found = list(pulls(campaign, results).values())
    assert len(found) == 2 * len(results.measurements)
    # Each within 3 combined standard uncertainties, rms at most 1.6, as the demo promises.
    assert max(map(abs, found)) < 3, found
    assert rms(found) < 1.6, found
    areas = list(pulls(campaign, results, "effective_area", "cm2").values())
    assert len(areas) == 4 * len(results.measurements)
    assert max(map(abs, areas)) < 3, areas
    assert rms(areas) < 1.6, areas
    truth = json.loads((tmp_path / "campaign.truth.json").read_text())["optical_axis"]
    stored = json.loads((results.folder / "results.json").read_text())["off_axis"]
    axis = [row.pull for row in compare_axis(stored, truth)]
    assert len(axis) == 4  # x and y, from quadrants and from symmetry
    assert max(map(abs, axis)) < 3, axis


@pytest.mark.procedure
def test_saturated_campaign_has_no_diameter_and_says_what_to_do(tmp_path):
    campaign = tmp_path / "campaign"
    simulate_campaign("saturated", campaign)
    results = reduce_campaign(campaign, tmp_path / "r", options=RunOptions(figures=False))
    saturated = [m for m in results.measurements if m["saturated_fraction"] > 0]
    assert saturated
    for m in saturated:
        assert m["hpd_measured_arcsec"] is None
        assert "exposure time of about" in m["notes"]["hpd_measured_arcsec"]
