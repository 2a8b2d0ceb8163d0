"""Campaigns made once for many tests, and the results of one of them."""

import shutil

import pytest

from tests.folders import SETUP, default_rows, row, write_campaign
from tests.reduction.runs import QUICK, draw_nothing, reduced, setup_with

# Uncertainties of every kind that a diameter depends on.
DECLARED = (
    SETUP.replace('pixel_size = "20 um"', 'pixel_size = "20 um"\n'
                  'pixel_size_uncertainty = "0.05 um"')
    .replace('gain = "2.0 electron/adu"', 'gain = "2.0 electron/adu"\n'
             'gain_uncertainty = "0.02 electron/adu"')
    # Q1 is not named, so that nothing is folded: see tests/folders.py.
    + '[quadrants]\nupper = ["0 deg", "180 deg"]\n'
)  # fmt: skip
ROWS = [
    *default_rows(),
    row("al", "beam", energy=1.487, detector_distance_uncertainty=2.0),
    row("q1", "beam", aperture="Q1", azimuth=45.0, off_axis=2.0),
]


@pytest.fixture(scope="session")
def campaign(tmp_path_factory):
    """Measurements al, q1 and ti; nobody writes into it."""
    folder = tmp_path_factory.mktemp("campaign") / "c"
    setup = setup_with('center = "centroid"', base=DECLARED)
    return write_campaign(folder, setup=setup, rows=ROWS)


@pytest.fixture(scope="session")
def results(campaign, tmp_path_factory):
    """Results of that campaign, made by one process, without figures."""
    return reduced(campaign, tmp_path_factory.mktemp("results") / "out").folder


@pytest.fixture(scope="session")
def sound_campaign(tmp_path_factory):
    """One measurement with everything it needs; nobody writes into it."""
    return write_campaign(tmp_path_factory.mktemp("sound") / "c", setup=QUICK)


@pytest.fixture
def folder(sound_campaign, tmp_path, monkeypatch):
    """A copy of the sound campaign to spoil, in the folder the commands run in."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr("beamreduce.reduction.draw.draw_measurement", draw_nothing)
    return shutil.copytree(sound_campaign, tmp_path / "c")
