"""One small archive for many tests; nobody writes into it."""

import shutil

import pytest

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
