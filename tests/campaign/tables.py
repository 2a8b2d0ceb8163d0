"""Exposure tables written for a test, and what reading them gives."""

import pytest

from beamreduce.campaign.exposure_list import (
    read_exposures,
)
from beamreduce.campaign.setup_file import read_setup
from beamreduce.errors import CampaignError
from tests.folders import (
    SETUP,
    write_campaign,
)


def campaign(folder, rows, setup=SETUP, frames=False):
    return write_campaign(folder, setup=setup, rows=rows, frames=frames)


def read(folder):
    found = read_exposures(folder, read_setup(folder))
    return {exposure.exposure: exposure for exposure in found}


def problems_of(folder):
    with pytest.raises(CampaignError, match="found") as caught:
        read(folder)
    return [str(problem) for problem in caught.value.problems]


def only_problem(folder, rows, setup=SETUP):
    (problem,) = problems_of(campaign(folder, rows, setup))
    return problem


def text_table(folder, *lines):
    """An exposure table written by hand."""
    (folder / "exposures.ecsv").write_text("\n".join(lines) + "\n", encoding="utf-8")
    return folder
