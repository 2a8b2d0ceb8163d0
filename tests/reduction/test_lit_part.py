import json
from dataclasses import replace

import astropy.units as u
import pytest

from beamreduce.campaign import read_campaign
from beamreduce.reduction.lit_part import left_untested
from tests.folders import write_campaign
from tests.reduction.runs import reduced


@pytest.fixture
def campaign(tmp_path):
    return read_campaign(write_campaign(tmp_path / "c"))


def test_a_source_too_near_says_why_nothing_is_known(campaign):
    near = replace(campaign.setup.facility, source_distance=1 * u.mm)
    (told,) = left_untested(replace(campaign, setup=replace(campaign.setup, facility=near)))
    assert told.startswith("What the beam lights of the mirror is not known: ")


def test_only_the_beam_on_the_mirror_counts(campaign):
    dark = [row for row in campaign.exposures if row.kind != "beam"]
    assert dark
    with_heat = [replace(row, temperature=300 * u.K) for row in dark]
    beam = [row for row in campaign.exposures if row.kind == "beam"]
    told = left_untested(replace(campaign, exposures=(*with_heat, *beam)))
    assert "The temperature is not declared" in " ".join(told)


def test_gravity_as_declared_comes_out_in_the_results(tmp_path):
    folder = write_campaign(tmp_path / "c")
    path = folder / "campaign.toml"
    text = path.read_text().replace("[facility]\n", '[facility]\ngravity = "along -y"\n', 1)
    path.write_text(text)
    run = reduced(folder, tmp_path / "out")
    told = json.loads((run.folder / "results.json").read_text())["not_tested"]
    assert any("Gravity as declared: " in one and "along -y" in one for one in told)
