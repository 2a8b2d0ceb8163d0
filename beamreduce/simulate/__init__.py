"""Campaigns with a known truth, of an invented mirror at an invented facility."""

from beamreduce.simulate.demo import Agreement, compare_with_truth, run_demo
from beamreduce.simulate.reflector_demo import (
    ReflectorAgreement,
    compare_reflectors_with_truth,
    run_reflector_demo,
)
from beamreduce.simulate.reflector_maps import (
    is_reflector_scenario,
    simulate_reflectors,
)
from beamreduce.simulate.scenario_file import (
    Scenario,
    packaged_scenarios,
    read_scenario,
)
from beamreduce.simulate.write_campaign import Progress, simulate_campaign

__all__ = [
    "Agreement",
    "Progress",
    "ReflectorAgreement",
    "Scenario",
    "compare_reflectors_with_truth",
    "compare_with_truth",
    "is_reflector_scenario",
    "packaged_scenarios",
    "read_scenario",
    "run_demo",
    "run_reflector_demo",
    "simulate_campaign",
    "simulate_reflectors",
]
