"""Bad places for results through the commands: one clear message, nothing touched.

Each case says what is done to a sound campaign and what the message has to name: file,
row, card or key; what was found; what to do.
"""

import errno
import os
import re
import subprocess
import sys

import pytest

from tests.reduction.refusals import COMMANDS, PIXELS, assert_refused
from tests.reduction.runs import command, snapshot
from tests.reduction.test_campaign_run import stop_writing


def test_results_that_are_there_are_kept(folder):
    out = folder.parent / "out"
    assert command("reduce", folder, *COMMANDS["reduce"]).exit_code == 0
    assert_refused(folder, f"{out}: found earlier results", "--update", commands=PIXELS)
    done = command("reduce", folder, *COMMANDS["reduce"], "--update")
    assert done.exit_code == 0
    assert "1 of 1 were up to date" in done.stdout


def test_a_folder_in_use_is_kept(folder):
    out = folder.parent / "out"
    out.mkdir()
    (out / "thesis.txt").write_text("years")
    assert_refused(folder, f"{out}: found files in it", "another -o", commands=PIXELS)


def test_a_file_in_the_way(folder):
    (folder.parent / "out").write_text("mine")
    assert_refused(folder, "out: found a file; expected a folder", commands=PIXELS)


@pytest.mark.parametrize("place", ["c", "c/results", "c/frames/out", ".", "./c/../c"])
@pytest.mark.parametrize("update", [(), ("--update",)])
def test_results_do_not_go_into_the_campaign(folder, place, update):
    before = snapshot(folder.parent)
    done = command("reduce", folder, "-o", place, "--jobs", 1, *update)
    assert done.exit_code == 1
    assert "found a place inside the campaign folder" in done.stderr
    assert "choose another -o" in done.stderr
    assert snapshot(folder.parent) == before


def test_a_place_below_a_file(folder):
    (folder.parent / "file").write_text("")
    before = snapshot(folder.parent)
    done = command("reduce", folder, "-o", "file/out", "--jobs", 1)
    assert done.exit_code == 1
    assert "file/out.partial: found Not a directory" in done.stderr
    assert "check permissions and free space" in done.stderr
    assert snapshot(folder.parent) == before


def test_a_place_without_permission(folder, monkeypatch):
    """Root may write anywhere, so the refusal is that of the system call."""

    def refuse(path, *_, **__):
        raise PermissionError(errno.EACCES, os.strerror(errno.EACCES), str(path))

    before = snapshot(folder.parent)
    monkeypatch.setattr("pathlib.Path.mkdir", refuse)
    done = command("reduce", folder, *COMMANDS["reduce"])
    assert done.exit_code == 1
    assert "out.partial: found Permission denied" in done.stderr
    assert "check permissions" in done.stderr
    assert snapshot(folder.parent) == before


@pytest.mark.parametrize("at", ["net_ti.fits", "ti.json", "results.ecsv"])
def test_a_full_disk(folder, monkeypatch, at):
    before = snapshot(folder)
    with monkeypatch.context() as patch:
        stop_writing(patch, at)
        done = command("reduce", folder, *COMMANDS["reduce"])
    assert done.exit_code == 1
    assert re.search(f"error: .*{at}: found No space left on device", done.stderr)
    assert "check free space" in done.stderr
    assert snapshot(folder) == before
    assert not (folder.parent / "out").exists()
    assert not list(folder.parent.rglob(".writing-*"))
    assert command("reduce", folder, *COMMANDS["reduce"]).exit_code == 0


def test_two_runs_at_once(folder):
    program = (
        "import sys; from pathlib import Path\n"
        "from beamreduce.reduction.output_folder import open_output\n"
        "with open_output(Path(sys.argv[1]), update=False):\n"
        "    print(flush=True); sys.stdin.read()\n"
    )
    with subprocess.Popen(
        [sys.executable, "-c", program, folder.parent / "out"],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
    ) as other:
        other.stdout.readline()
        assert_refused(
            folder,
            rf"out.partial: found a run at work on it \(process {other.pid} on ",
            "wait for it to end or choose another -o",
            commands=PIXELS,
        )
        other.stdin.close()
