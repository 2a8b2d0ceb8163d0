"""Campaigns with a known truth, of an invented mirror at an invented facility."""

from beamreduce.simulate.demo import Agreement, compare_with_truth, run_demo
from beamreduce.simulate.scenario_file import (
    Scenario,
    packaged_scenarios,
    read_scenario,
)
from beamreduce.simulate.write_campaign import Progress, simulate_campaign

__all__ = [
    "Agreement",
    "Progress",
    "Scenario",
    "compare_with_truth",
    "packaged_scenarios",
    "read_scenario",
    "run_demo",
    "simulate_campaign",
]
