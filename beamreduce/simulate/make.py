"""Make what a scenario describes, a campaign or maps of reflectors."""

from pathlib import Path

from beamreduce.simulate.reflector_maps import is_reflector_scenario, simulate_reflectors
from beamreduce.simulate.write_campaign import Progress, simulate_campaign


def make(scenario: Path | str, folder: Path, *, progress: Progress | None = None) -> str:
    """Make a folder and its truth; returns what was made, in a word or two."""
    if is_reflector_scenario(scenario):
        simulate_reflectors(scenario, folder, progress=progress)
        return "maps of reflectors"
    simulate_campaign(scenario, folder, progress=progress)
    return "campaign"
