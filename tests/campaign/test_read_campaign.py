import pytest

from beamreduce.campaign import read_campaign
from beamreduce.errors import CampaignError
from tests.folders import SETUP, changed, default_rows, write_campaign


def of(rows):
    return [row.exposure.exposure for row in rows]


def test_a_campaign_is_read_whole(tmp_path):
    campaign = read_campaign(write_campaign(tmp_path))
    assert [inputs.id for inputs in campaign.measurements] == ["ti"]
    assert len(campaign.exposures) == 9
    assert campaign.prescription.nestings[0].radius_mm == 70
    (ti,) = campaign.measurements
    assert of(ti.beam) == ["ti-1", "ti-2"]
    assert of(ti.direct) == ["open-1"]
    assert of(ti.background) == of(ti.direct_background) == ["off-1", "off-2"]


def test_a_campaign_with_problems_raises_them_all(tmp_path):
    setup = SETUP.replace('"5.2 m"', '"5.2"')
    rows = changed(default_rows(), "ti-1", energy=-1.0)
    folder = write_campaign(tmp_path, setup=setup, rows=rows)
    (folder / "frames" / "dark-1.fits").unlink()
    with pytest.raises(CampaignError, match=r"mirror\.focal_length") as caught:
        read_campaign(folder)
    text = str(caught.value)
    assert "row 1 (exposure ti-1), column energy" in text
    assert "row 8 (exposure dark-1), column file" in text
    assert len(caught.value.problems) == 3


def test_warnings_do_not_keep_a_campaign_from_being_read(tmp_path):
    setup = SETUP.replace('"86 m"', '"15 m"')
    near = 5.2 * 15 / (15 - 5.2) * 1e3
    rows = [
        {**cells, "detector_distance": near} if "energy" in cells else cells
        for cells in default_rows()
    ]
    assert read_campaign(write_campaign(tmp_path, setup=setup, rows=rows)).measurements


@pytest.mark.parametrize("make", ["missing", "file", "empty"])
def test_not_a_campaign_folder(tmp_path, make):
    path = tmp_path / "c"
    if make == "file":
        path.write_text("")
    if make == "empty":
        path.mkdir()
    with pytest.raises(CampaignError, match="expected a campaign folder") as caught:
        read_campaign(path)
    assert len(caught.value.problems) == 1


def test_a_nest_from_a_file_is_used(tmp_path):
    folder = write_campaign(tmp_path)
    (folder / "nestings.ecsv").write_text("nothing")
    with pytest.raises(CampaignError, match=r"nestings\.ecsv: found a first line"):
        read_campaign(folder)


def test_the_folder_is_never_written(tmp_path):
    folder = write_campaign(tmp_path)
    before = {p: (p.stat().st_mtime_ns, p.stat().st_size) for p in folder.rglob("*")}
    read_campaign(folder)
    assert {
        p: (p.stat().st_mtime_ns, p.stat().st_size) for p in folder.rglob("*")
    } == before
