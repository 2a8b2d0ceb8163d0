"""A scenario that is made in a second or two, and what is made from it."""

import tomllib
from importlib import resources

import pytest

from beamreduce.campaign import read_setup
from beamreduce.simulate import read_scenario, simulate_campaign
from beamreduce.simulate.as_made import build
from beamreduce.simulate.exposures_plan import plan_exposures
from beamreduce.simulate.write_campaign import _write_settings

_EXPOSURES = """\
[[made.exposures]]
name = "bias"
kind = "bias"
frames = 2
exposure_time = "0 s"

[[made.exposures]]
name = "dark"
kind = "dark"
frames = 3
exposure_time = "20 s"

[[made.exposures]]
name = "off"
kind = "background"
frames = 1
exposure_time = "20 s"

[[made.exposures]]
name = "focus"
kind = "beam"
line = "Ti"
frames = 2
exposure_time = "10 s"
detector_distance = "5544 mm"

[[made.exposures]]
name = "quadrant"
kind = "beam"
line = "Ti"
frames = 1
grouped = false
exposure_time = "20 s"
detector_distance = "5560 mm"
aperture = "Q2"

[[made.exposures]]
name = "tilted"
kind = "beam"
line = "Ti"
frames = 1
exposure_time = "10 s"
detector_distance = "5544 mm"
off_axis = "5 arcmin"
azimuth = "90 deg"

[[made.exposures]]
name = "direct"
kind = "direct"
line = "Ti"
frames = 1
exposure_time = "10 s"
detector_distance = "5544 mm"
aperture = "open"
strength = 20
background = "off"
"""


def tiny_text():
    """The packaged small scenario with fewer exposures and a rougher truth."""
    packaged = resources.files("beamreduce.simulate") / "scenarios" / "small.toml"
    head = packaged.read_text("utf-8").split("[[made.exposures]]")[0]
    text = head.replace("photons = 400_000", "photons = 20_000") + _EXPOSURES
    assert tomllib.loads(text)["made"]["truth"]["photons"] == 20_000
    return text


@pytest.fixture
def scenario_text():
    return tiny_text()


@pytest.fixture(scope="session")
def tiny_file(tmp_path_factory):
    path = tmp_path_factory.mktemp("scenario") / "tiny.toml"
    path.write_text(tiny_text(), encoding="utf-8")
    return path


@pytest.fixture(scope="session")
def tiny_campaign(tiny_file, tmp_path_factory):
    folder = tmp_path_factory.mktemp("made") / "campaign"
    simulate_campaign(tiny_file, folder)
    return folder


@pytest.fixture(scope="session")
def made(tiny_file, tmp_path_factory):
    """Facility, mirror and detector of the tiny scenario."""
    scenario = read_scenario(tiny_file)
    folder = tmp_path_factory.mktemp("settings")
    _write_settings(scenario, folder)
    return build(scenario, read_setup(folder))


@pytest.fixture(scope="session")
def planned(made):
    """First exposure of each set, by the set's name."""
    plan = plan_exposures(made.scenario)
    return {exposure.source.name: exposure for exposure in reversed(plan)}
