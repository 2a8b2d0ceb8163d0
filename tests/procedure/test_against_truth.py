"""From a made campaign to results, against the truth it was made from.

A closed loop with our own simulator: it proves that the steps fit together and that the
uncertainties are of the right size, not that the physics is right (tests/external/ does).
"""

import json
import math

import pytest

from beamreduce.reduction import RunOptions, default_jobs, reduce_campaign
from beamreduce.simulate import compare_with_truth, simulate_campaign


def pulls(campaign, results):
    truth_file = campaign.with_name(campaign.name + ".truth.json")
    truth = json.loads(truth_file.read_text())["measurements"]
    return {
        (row.id, row.key): row.pull
        for row in compare_with_truth(results.measurements, truth)
    }


def check(campaign, results):
    found = pulls(campaign, results)
    assert len(found) == 2 * len(results.measurements)
    # Each within 3 combined standard uncertainties; the rms of so few pulls within 1.6.
    assert max(map(abs, found.values())) < 3, found
    assert math.sqrt(sum(p**2 for p in found.values()) / len(found)) < 1.6, found


@pytest.mark.procedure
def test_small_campaign_agrees_with_its_truth(small_campaign, tmp_path):
    results = reduce_campaign(small_campaign, tmp_path / "r")
    check(small_campaign, results)


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
    check(campaign, results)


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
