"""The documents name every key, column, number and command that there is."""

import dataclasses
import re
from pathlib import Path

import pytest

from beamreduce.beamline import Detector, Facility
from beamreduce.campaign.columns import COLUMNS
from beamreduce.campaign.setup_tables import Reduction
from beamreduce.cli import main
from beamreduce.mirror import MirrorDesign
from beamreduce.record import Measurement

ROOT = Path(__file__).parents[1]
CAMPAIGN = (ROOT / "docs" / "campaign_folder.md").read_text(encoding="utf-8")
RESULTS = (ROOT / "docs" / "results.md").read_text(encoding="utf-8")
README = (ROOT / "README.md").read_text(encoding="utf-8")
NOT_KEYS = {"name", "uncertainties"}  # of the records, not of the file


def words(text):
    return set(re.findall(r"[A-Za-z0-9_]+", text))


@pytest.mark.parametrize("record", [Facility, MirrorDesign, Detector, Reduction])
def test_every_key_of_campaign_toml(record):
    names = {field.name for field in dataclasses.fields(record)} - NOT_KEYS
    assert names <= words(CAMPAIGN)


def test_every_column_of_the_exposure_table():
    assert set(COLUMNS) <= words(CAMPAIGN[CAMPAIGN.index("## exposures.ecsv") :])


def test_every_number_of_a_measurement():
    assert {field.name for field in dataclasses.fields(Measurement)} <= words(RESULTS)


def test_every_command_and_its_options():
    for name, command in main.commands.items():
        assert f"`beamreduce {name}" in README, name
        for option in command.params:
            flags = [flag for flag in option.opts if flag.startswith("-")]
            assert not flags or any(flag in README for flag in flags), (name, flags)


def test_documents_that_are_named_are_there():
    for document in (*ROOT.glob("*.md"), *(ROOT / "docs").glob("*.md")):
        for target in re.findall(r"\]\(([^)#:]+)\)", document.read_text(encoding="utf-8")):
            assert (document.parent / target).exists(), f"{document.name}: {target}"
