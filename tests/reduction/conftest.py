"""A campaign of three measurements and its results, made once for many tests."""

import pytest

from tests.folders import SETUP, default_rows, row, write_campaign
from tests.reduction.runs import reduced, setup_with

# Uncertainties of every kind that a diameter depends on.
DECLARED = (
    SETUP.replace('pixel_size = "20 um"', 'pixel_size = "20 um"\n'
                  'pixel_size_uncertainty = "0.05 um"')
    .replace('gain = "2.0 electron/adu"', 'gain = "2.0 electron/adu"\n'
             'gain_uncertainty = "0.02 electron/adu"')
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
