"""Decisions: read with every problem named, applied in order, and nothing deleted."""

import json
import re

import pytest

from beamreduce.campaign import read_campaign, read_decisions
from beamreduce.errors import CampaignError
from tests.folders import changed, default_rows, row, write_campaign
from tests.reduction.runs import QUICK, command, numbers, reduced, snapshot

HEAD = """\
# %ECSV 1.0
# ---
# datatype:
# - {name: order, datatype: int64}
# - {name: time, datatype: string}
# - {name: person, datatype: string}
# - {name: item, datatype: string}
# - {name: action, datatype: string}
# - {name: value, datatype: string}
# - {name: reason, datatype: string}
order time person item action value reason
"""


def decisions(path, *rows):
    """Write a table of decisions: order, item, action, value of each."""
    lines = [
        f'{order} 2026-11-26T09:30:00Z "A. Shift" {item} {action} "{value}" "seen wrong"'
        for order, item, action, value in rows
    ]
    path.write_text(HEAD + "\n".join(lines) + "\n", encoding="utf-8")
    return path


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    """A sound campaign; nobody writes into it."""
    return write_campaign(tmp_path_factory.mktemp("decided") / "c", setup=QUICK)


def test_the_last_decision_by_order_counts(folder, tmp_path):
    path = decisions(
        tmp_path / "d.ecsv",
        (3, "ti", "center", "30 31"),
        (2, "ti-1", "include", ""),
        (1, "ti-1", "exclude", ""),
        (4, "ti-2", "exclude", ""),
        (5, "*", "background", "wings"),
    )
    campaign = read_campaign(folder, decisions=read_decisions(path))
    assert campaign.excluded == {"ti-2"}
    (ti,) = campaign.measurements
    assert [one.exposure.exposure for one in ti.beam] == ["ti-1"]
    reduction = campaign.setup_of("ti").reduction
    assert reduction.center == (30.0, 31.0)
    assert reduction.background == "wings"


def test_a_frame_left_out_may_be_missing(tmp_path):
    rows = [*default_rows(), row("lost", "beam", group="ti")]
    folder = write_campaign(tmp_path / "c", setup=QUICK, rows=rows)
    (folder / "frames/lost.fits").unlink()
    path = decisions(tmp_path / "d.ecsv", (1, "lost", "exclude", ""))
    read_campaign(folder, decisions=read_decisions(path))


@pytest.mark.parametrize(
    ("which", "words"),
    [
        ((1, "nobody", "exclude", ""), "row 1 (item nobody), column item: found 'nobody'"),
        ((1, "nobody", "center", "1 2"), "a measurement that is left"),
        ((1, "ti", "center", "left"), "column value: found 'left'; expected two pixel"),
        ((1, "ti", "center", "nan 1"), "column value"),
        ((1, "ti", "background", "guess"), "expected one of exposure, annulus"),
        ((1, "ti-1", "exclude", "now"), "expected an empty cell, for exclude"),
        ((1, "ti-1", "delete", ""), "expected one of exclude, include, center, background"),
    ],
)
def test_a_row_that_cannot_be_used(folder, tmp_path, which, words):
    path = decisions(tmp_path / "d.ecsv", which)
    with pytest.raises(CampaignError, match=re.escape(words)):
        read_campaign(folder, decisions=read_decisions(path))


def test_two_rows_of_one_order(tmp_path):
    path = decisions(tmp_path / "d.ecsv", (1, "a", "exclude", ""), (1, "a", "include", ""))
    with pytest.raises(CampaignError, match=r"row 1 .* has already"):
        read_decisions(path)


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ("2026-11-26T09:30:00Z", "yesterday", "column time: found 'yesterday'"),
        ('"A. Shift"', '""', "column person: found an empty cell"),
        ('"seen wrong"', '""', "column reason: found an empty cell"),
        ("reason", "cause", "column reason: found nothing"),
    ],
)
def test_who_when_and_why_must_be_there(tmp_path, old, new, words):
    path = decisions(tmp_path / "d.ecsv", (1, "a", "exclude", ""))
    path.write_text(path.read_text().replace(old, new))
    with pytest.raises(CampaignError, match=re.escape(words)):
        read_decisions(path)


def test_exposure_background_without_background_rows(tmp_path):
    rows = [r for r in default_rows() if r["kind"] != "background"]
    folder = write_campaign(tmp_path / "c", setup=QUICK, rows=rows)
    path = decisions(tmp_path / "d.ecsv", (1, "ti", "background", "exposure"))
    with pytest.raises(CampaignError, match="which no background row serves"):
        read_campaign(folder, decisions=read_decisions(path))


def test_decisions_reach_numbers_archive_and_report(folder, tmp_path):
    path = decisions(
        tmp_path / "mine.ecsv",
        (1, "ti-2", "exclude", ""),
        (2, "ti", "center", "31.0 30.5"),
        (3, "ti", "background", "annulus"),
    )
    before = snapshot(folder)
    done = reduced(folder, tmp_path / "out", decisions=path)
    assert snapshot(folder) == before
    ti = numbers(done.folder)["ti"]
    assert ti["exposures"] == ["ti-1"]
    assert ti["center_pixel"] == [31.0, 30.5]
    assert ti["conventions"]["background"] == "annulus"
    assert "frames/ti-2.fits" not in ti["inputs"]
    stored = json.loads((done.folder / "results.json").read_text())["decisions"]
    assert [(d["person"], d["action"]) for d in stored] == [
        ("A. Shift", "exclude"),
        ("A. Shift", "center"),
        ("A. Shift", "background"),
    ]
    assert (done.folder / "decisions.ecsv").read_bytes() == path.read_bytes()
    assert "seen wrong" in (done.folder / "report.html").read_text(encoding="utf-8")


def test_the_same_as_the_campaign_without_that_row(folder, tmp_path):
    path = decisions(tmp_path / "d.ecsv", (1, "ti-2", "exclude", ""))
    decided = reduced(folder, tmp_path / "decided", decisions=path)
    rows = [r for r in default_rows() if r["exposure"] != "ti-2"]
    bare = write_campaign(tmp_path / "c", setup=QUICK, rows=default_rows())
    for frame in (folder / "frames").iterdir():
        (bare / "frames" / frame.name).write_bytes(frame.read_bytes())
    write_campaign(bare, setup=QUICK, rows=changed(rows, "none"), frames=False)
    without = reduced(bare, tmp_path / "without")
    assert numbers(decided.folder) == numbers(without.folder)


def test_from_the_command_line(folder, tmp_path):
    path = decisions(tmp_path / "d.ecsv", (1, "gone", "exclude", ""))
    result = command("reduce", folder, "-o", tmp_path / "out", "--decisions", path)
    assert result.exit_code == 1
    assert "row 1 (item gone)" in result.stderr
    assert not (tmp_path / "out").exists()
    missing = tmp_path / "none.ecsv"
    result = command("reduce", folder, "-o", tmp_path / "out", "--decisions", missing)
    assert result.exit_code == 1
    assert "none.ecsv: found a file that cannot be read" in result.stderr
