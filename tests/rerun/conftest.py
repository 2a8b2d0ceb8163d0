"""One small archive for many tests; nobody writes into it."""

import shutil
from pathlib import Path

import pytest

from beamreduce.errors import BeamreduceError
from beamreduce.rerun import again as again_module
from beamreduce.rerun.commands import COMMANDS, Job
from tests.folders import write_campaign
from tests.reduction.runs import QUICK, reduced


@pytest.fixture(scope="session")
def kept(tmp_path_factory):
    """A campaign in ``c é`` and its results, without figures, in ``out ü``."""
    place = tmp_path_factory.mktemp("kept place")
    campaign = write_campaign(place / "c é", setup=QUICK)
    reduced(campaign, place / "out ü")
    return place


@pytest.fixture
def place(kept, tmp_path):
    """A copy of both that a test may spoil."""
    return shutil.copytree(kept, tmp_path / "place")


@pytest.fixture
def archive(place):
    return place / "out ü"


@pytest.fixture
def campaign(place):
    return place / "c é"


def run_here(told, work, _versions, _how):
    """Do a job in this process, which spares seconds of imports."""
    job = Job(
        settings=told["settings"],
        inputs={key: Path(place) for key, place in told["inputs"].items()},
        output=Path(told["output"]),
        work=work,
        archive=Path(told["archive"]),
        figures=told["figures"],
        jobs=told["jobs"],
        names=told["names"],
        reference_radius_mm=told["reference_radius_mm"],
    )
    try:
        COMMANDS[told["command"]].run(job)
    except BeamreduceError as error:
        return str(error)
    return ""


@pytest.fixture
def here(monkeypatch):
    """Reruns do their job in this process."""
    monkeypatch.setattr(again_module, "run_job", run_here)
