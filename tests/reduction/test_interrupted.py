"""Runs in a process of their own that are stopped from outside while they write."""

import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from tests.folders import default_rows, row, write_campaign
from tests.reduction.runs import QUICK, contents, reduced, snapshot

ROOT = Path(__file__).parents[2]
# The command itself, but that one file is written for a long time. With "spawn" the
# other processes read this program too, so it holds for them as well.
PROGRAM = """
import sys, time
from pathlib import Path
from beamreduce.reduction import draw, products
whole = products.write_whole
def stalling(path, write):
    def half(temporary):
        temporary.write_bytes(b"half")
        (path.parent.parent / f"stalled-{path.name}").touch()
        time.sleep(120)
    whole(path, half if path.name in sys.argv[1].split() else write)
products.write_whole = stalling
draw.draw_measurement = lambda folder, measured: None
if __name__ == "__main__":
    from beamreduce.cli import main
    main(sys.argv[2:])
"""
IDS = ("m1", "m2", "m3", "m4")


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    rows = [*default_rows()[3:], *(row(name, "beam") for name in IDS)]
    setup = f'{QUICK}reference_radius = "0.5 mm"\n'
    return write_campaign(
        tmp_path_factory.mktemp("interrupted") / "c", setup=setup, rows=rows
    )


@pytest.fixture(scope="module")
def whole(folder):
    return reduced(folder, folder.parent / "whole").folder


@pytest.fixture
def start():
    """Start the command as the leader of a session, as a terminal does."""
    started = []

    def run(program, stalled, *arguments):
        process = subprocess.Popen(
            [sys.executable, program, " ".join(stalled), "reduce", *map(str, arguments)],
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
            start_new_session=True,
            env={**os.environ, "PYTHONPATH": str(ROOT)},
        )
        started.append(process)
        return process

    yield run
    for process in started:  # a test that fails leaves nothing running
        for one in alive_in_session(process.pid):
            os.kill(one, signal.SIGKILL)
        process.communicate()


def wait_for(paths, process):
    end = time.monotonic() + 120
    while not all(path.exists() for path in paths):
        assert process.poll() is None, process.communicate()
        assert time.monotonic() < end, f"{paths} did not appear"
        time.sleep(0.02)


def alive_in_session(leader):
    """Processes of a session that are not mere records of ended ones."""
    alive = []
    for stat in Path("/proc").glob("[0-9]*/stat"):
        try:
            fields = stat.read_text().rpartition(")")[2].split()
        except OSError:
            continue
        if fields[0] != "Z" and int(fields[3]) == leader:
            alive.append(int(stat.parent.name))
    return alive


def wait_for_end_of_session(leader):
    end = time.monotonic() + 30
    while alive_in_session(leader):
        assert time.monotonic() < end, "processes outlive the run"
        time.sleep(0.05)


def stop_while_writing(start, tmp_path, folder, jobs, sent):
    """Start a run, wait until it writes the last files, and stop it by a signal.

    One process stalls at m3, two at m2 and m3: m1, and for two m4, is finished.
    """
    program = tmp_path / "program.py"
    program.write_text(PROGRAM)
    stalled = ["net_m2.fits"] if jobs == 1 else ["net_m2.fits", "net_m3.fits"]
    out = tmp_path / "out"
    process = start(program, stalled, folder, "-o", out, "--jobs", jobs)
    wait_for([tmp_path / f"stalled-{name}" for name in stalled], process)
    assert list((tmp_path / "out.partial").glob(".writing-*"))
    if sent == signal.SIGINT:
        os.killpg(process.pid, sent)  # a terminal sends it to every process
    else:
        process.send_signal(sent)
    stdout, stderr = process.communicate(timeout=60)
    assert stdout == ""
    assert "Traceback" not in stderr
    wait_for_end_of_session(process.pid)
    assert not out.exists()
    kept = (tmp_path / "out.partial").glob("measured_*.json")
    assert [path.name for path in kept] == ["measured_m1.json"]
    return out, process.returncode, stderr


def goes_on(folder, out, whole):
    """Run again: the same bytes, and what was finished is not done again."""
    kept = (out.with_name("out.partial") / "net_m1.fits").stat().st_mtime_ns
    reduced(folder, out)
    assert (out / "net_m1.fits").stat().st_mtime_ns == kept
    assert not out.with_name("out.partial").exists()
    found, wanted = contents(out), contents(whole)
    for content in (found, wanted):
        del content["settings.toml"]  # it names the campaign as seen from there
    assert found == wanted


@pytest.mark.parametrize("jobs", [1, 2])
def test_ctrl_c_keeps_what_is_finished(start, tmp_path, folder, whole, jobs):
    before = snapshot(folder)
    out, code, stderr = stop_while_writing(start, tmp_path, folder, jobs, signal.SIGINT)
    assert code == 130
    assert stderr.split() == ["interrupted;", "finished", "parts", "are", "kept"]
    assert not list(tmp_path.rglob(".writing-*"))
    assert snapshot(folder) == before
    goes_on(folder, out, whole)


def test_a_killed_run_keeps_what_is_finished(start, tmp_path, folder, whole):
    """Its workers end with it, though no one tells them to."""
    out, code, _ = stop_while_writing(start, tmp_path, folder, 2, signal.SIGKILL)
    assert code == -signal.SIGKILL
    assert list((tmp_path / "out.partial").glob(".writing-*"))  # no one could remove it
    goes_on(folder, out, whole)
    assert not list(out.glob(".*"))


def test_a_worker_that_is_killed_is_told_in_one_sentence(start, tmp_path, folder):
    """What the system does when memory runs out."""
    program = tmp_path / "program.py"
    program.write_text(PROGRAM)
    stalled = ["net_m2.fits", "net_m3.fits"]
    process = start(program, stalled, folder, "-o", tmp_path / "out", "--jobs", 2)
    wait_for([tmp_path / f"stalled-{name}" for name in stalled], process)
    (half, *_) = (tmp_path / "out.partial").glob(".writing-*")
    os.kill(int(half.name.split("-")[1]), signal.SIGKILL)
    _, stderr = process.communicate(timeout=60)
    assert process.returncode == 1
    assert stderr.startswith("error: found a worker process that was ended from outside")
    assert "fewer --jobs" in stderr
    assert "Traceback" not in stderr
    wait_for_end_of_session(process.pid)
    assert not list(tmp_path.rglob(".writing-*"))
