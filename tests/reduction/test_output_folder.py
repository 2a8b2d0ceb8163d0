import errno
import os
import re
import socket
import subprocess
import sys
from pathlib import Path

import pytest

from beamreduce.errors import OutputError
from beamreduce.reduction.output_folder import (
    mark_finished,
    open_output,
    put_in_place,
    refuse_inside_campaign,
)
from beamreduce.reduction.seal import SEALS

HOLDER = """
import sys
from pathlib import Path
from beamreduce.reduction.output_folder import open_output
with open_output(Path(sys.argv[1]), update=False):
    print("locked", flush=True)
    sys.stdin.read()
"""


def whole_run(folder, *, update=False, text="new"):
    """What a run does with the folder, without any measurement."""
    with open_output(folder, update=update) as output:
        (output.partial / "results.json").write_text(text)
        mark_finished(output, "m", {"key": "k"})
        return put_in_place(output)


def stopped_run(folder, finished=()):
    """A run that comes to an end while it writes."""
    with open_output(folder, update=False) as output:
        for name in finished:
            (output.partial / f"net_{name}.fits").write_bytes(b"whole")
            mark_finished(output, name, {"key": "k"})
        (output.partial / ".writing-1-1-net_last.fits").write_bytes(b"half")
        raise RuntimeError("stopped")


def names(folder):
    return sorted(p.name for p in folder.iterdir() if p.name not in SEALS)


def test_work_is_beside_its_place_until_it_is_whole(tmp_path):
    with open_output(tmp_path / "out", update=False) as output:
        assert output.partial == tmp_path / "out.partial"
        assert names(tmp_path) == ["out.partial"]
        (output.partial / "results.json").write_text("{}")
        assert put_in_place(output) is None
    assert names(tmp_path) == ["out"]
    assert names(tmp_path / "out") == ["results.json"]


def test_an_empty_folder_is_as_good_as_none(tmp_path):
    (tmp_path / "out").mkdir()
    assert whole_run(tmp_path / "out") is None
    assert names(tmp_path) == ["out"]


@pytest.mark.parametrize(
    ("held", "message"),
    [
        ("results.json", "found earlier results.*--update"),
        ("notes.txt", "found files in it; expected an empty or new folder; choose another"),
    ],
)
def test_what_is_there_is_not_replaced_unasked(tmp_path, held, message):
    (tmp_path / "out").mkdir()
    (tmp_path / "out" / held).write_text("old")
    with pytest.raises(OutputError, match=f"{tmp_path}/out: {message}"):
        whole_run(tmp_path / "out")
    assert names(tmp_path) == ["out"]
    assert (tmp_path / "out" / held).read_text() == "old"


def test_older_results_are_moved_aside_and_kept(tmp_path):
    whole_run(tmp_path / "out", text="first")
    assert whole_run(tmp_path / "out", update=True, text="second").name == "out.before-1"
    assert whole_run(tmp_path / "out", update=True, text="third").name == "out.before-2"
    assert names(tmp_path) == ["out", "out.before-1", "out.before-2"]
    kept = [(tmp_path / name / "results.json").read_text() for name in names(tmp_path)]
    assert kept == ["third", "first", "second"]


def test_a_file_in_the_way_is_left_alone(tmp_path):
    (tmp_path / "out").write_text("mine")
    with pytest.raises(OutputError, match="out: found a file; expected a folder"):
        whole_run(tmp_path / "out", update=True)
    assert (tmp_path / "out").read_text() == "mine"


@pytest.mark.parametrize("place", ["file/out", "file/deep/out", "n" * 300])
def test_a_place_that_cannot_be_is_named(tmp_path, place):
    """A path below a file fails for root too, unlike one without permission."""
    (tmp_path / "file").write_text("")
    with pytest.raises(OutputError, match=f"{place}.*expected a place that can be written"):
        whole_run(tmp_path / place)
    assert names(tmp_path) == ["file"]


def test_a_place_without_permission_is_named(tmp_path, monkeypatch):
    def refuse(*_, **__):
        raise PermissionError(errno.EACCES, os.strerror(errno.EACCES))

    monkeypatch.setattr(Path, "mkdir", refuse)
    with pytest.raises(OutputError, match=r"found Permission denied.*check permissions"):
        whole_run(tmp_path / "out")
    assert names(tmp_path) == []


def test_a_full_disk_shows_when_the_lock_is_written(tmp_path, monkeypatch):
    def full(*_):
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    monkeypatch.setattr(os, "pwrite", full)
    with pytest.raises(OutputError, match=r"out\.partial: found No space left on device"):
        whole_run(tmp_path / "out")


def test_a_link_to_an_empty_folder_is_followed(tmp_path):
    """The work is then beside the real folder, so that one rename is enough."""
    (tmp_path / "disk").mkdir()
    (tmp_path / "disk" / "real").mkdir()
    (tmp_path / "out").symlink_to(tmp_path / "disk" / "real")
    whole_run(tmp_path / "out")
    assert (tmp_path / "out").is_symlink()
    assert names(tmp_path / "disk") == ["real"]
    assert names(tmp_path / "out") == ["results.json"]


@pytest.mark.parametrize("place", [".", "sub/.."])
def test_a_place_may_be_written_with_dots(tmp_path, monkeypatch, place):
    inner = tmp_path / "inner"
    (inner / "sub").mkdir(parents=True)
    monkeypatch.chdir(inner)
    whole_run(Path(place), update=True)
    assert sorted(set(names(tmp_path)) - {"inner"}) == ["inner.before-1"]
    assert names(inner) == ["results.json"]


@pytest.mark.parametrize("place", [".", "results", "deep/results", "..", "elsewhere/link"])
def test_no_results_inside_or_around_a_campaign(tmp_path, monkeypatch, place):
    campaign = tmp_path / "campaign"
    campaign.mkdir()
    (tmp_path / "elsewhere").mkdir()
    (tmp_path / "elsewhere" / "link").symlink_to(campaign)
    start = tmp_path if place.startswith("elsewhere") else campaign
    monkeypatch.chdir(start)
    with pytest.raises(OutputError, match=f"^{re.escape(place)}: .*never written"):
        refuse_inside_campaign(campaign, Path(place))


def test_no_working_folder_that_is_the_campaign(tmp_path):
    campaign = tmp_path / "run.partial"
    campaign.mkdir()
    with pytest.raises(OutputError, match="choose another -o"):
        refuse_inside_campaign(campaign, tmp_path / "run")
    refuse_inside_campaign(campaign, tmp_path / "results")  # beside it is fine


def test_a_run_at_work_keeps_others_away(tmp_path):
    with subprocess.Popen(
        [sys.executable, "-c", HOLDER, tmp_path / "out"],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    ) as other:
        assert other.stdout.readline() == "locked\n"
        with pytest.raises(OutputError) as caught:
            whole_run(tmp_path / "out")
        other.stdin.close()
        assert other.wait(timeout=30) == 0
    assert f"process {other.pid} on {socket.gethostname()}" in str(caught.value)
    assert "wait for it to end" in str(caught.value)
    assert whole_run(tmp_path / "out") is None  # the lock went with the process


def test_the_lock_of_a_killed_run_does_not_matter(tmp_path):
    with subprocess.Popen(
        [sys.executable, "-c", HOLDER, tmp_path / "out"],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    ) as other:
        assert other.stdout.readline() == "locked\n"
        other.kill()
    assert str(other.pid) in (tmp_path / "out.partial" / ".lock").read_text()
    assert whole_run(tmp_path / "out") is None


def test_what_a_killed_run_left_half_written_is_removed(tmp_path):
    partial = tmp_path / "out.partial"
    (partial / ".done").mkdir(parents=True)
    (partial / ".writing-1-1-net_m.fits").write_bytes(b"half")
    (partial / ".done" / ".writing-1-1-m.json").write_bytes(b"half")
    whole_run(tmp_path / "out")
    assert names(tmp_path / "out") == ["results.json"]


def test_a_run_without_anything_finished_leaves_nothing(tmp_path):
    with pytest.raises(RuntimeError, match="stopped"):
        stopped_run(tmp_path / "out")
    assert names(tmp_path) == []


def test_a_run_with_something_finished_keeps_it(tmp_path):
    with pytest.raises(RuntimeError, match="stopped"):
        stopped_run(tmp_path / "out", finished=["m"])
    assert names(tmp_path / "out.partial") == [".done", ".lock", "net_m.fits"]


def test_a_run_that_has_measured_but_not_folded_keeps_it(tmp_path):
    with open_output(tmp_path / "out", update=False) as output:
        (output.partial / "measured_m.json").write_text("{}")
    assert names(tmp_path / "out.partial") == [".done", ".lock", "measured_m.json"]


def test_what_is_finished_outlives_a_last_step_that_fails(tmp_path, monkeypatch):
    whole_run(tmp_path / "out", text="old")

    def fail(self, target):
        raise OSError(errno.EIO, os.strerror(errno.EIO))

    with open_output(tmp_path / "out", update=True) as output:
        mark_finished(output, "m", {"key": "k"})
        monkeypatch.setattr(Path, "rename", fail)
        with pytest.raises(OutputError, match="Input/output error"):
            put_in_place(output)
    assert output.finished("m").is_file()
    assert (tmp_path / "out" / "results.json").read_text() == "old"
