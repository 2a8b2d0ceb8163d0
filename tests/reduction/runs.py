"""Whole runs over small campaigns, and what they leave behind."""

import hashlib
import json
from pathlib import Path

from click.testing import CliRunner

from beamreduce.cli import main
from beamreduce.reduction import RunOptions, reduce_campaign
from tests.folders import SETUP

REPLICATES = 60
QUICK = f"{SETUP}[reduction]\nbootstrap_replicates = {REPLICATES}\n"


def setup_with(*lines, base=SETUP):
    """The usual settings with further lines in [reduction], few replicates."""
    return "\n".join([f"{base}[reduction]", f"bootstrap_replicates = {REPLICATES}", *lines])


def reduced(campaign, folder, **options):
    """Reduce without figures and return what the run returns."""
    return reduce_campaign(campaign, folder, options=RunOptions(figures=False, **options))


def draw_nothing(folder, measured):
    """Stand for the figures, which take longer than all the rest."""
    for kind in ("png", "svg"):
        (folder / f"image_{measured.measurement.id}.{kind}").write_text("a figure")


def numbers(folder):
    """Measurements of a results folder by id."""
    stored = json.loads((Path(folder) / "results.json").read_text())
    return {measurement["id"]: measurement for measurement in stored["measurements"]}


def command(*arguments):
    """Run the command in this process: exit_code, stdout and stderr of the result."""
    result = CliRunner().invoke(main, [str(argument) for argument in arguments])
    assert "Traceback" not in result.stderr
    return result


def snapshot(folder):
    """Everything below a folder: bytes of files, targets of links, times of change."""
    return {
        str(path.relative_to(folder)): (
            str(path.readlink())
            if path.is_symlink()
            else hashlib.sha256(path.read_bytes()).hexdigest()
            if path.is_file()
            else "folder",
            path.lstat().st_mtime_ns,
        )
        for path in sorted(Path(folder).rglob("*"))
    }


def contents(folder):
    """Bytes of every file of a results folder but the log of the run.

    SHA256SUMS says nothing of its own.
    """
    return {
        path.name: path.read_bytes()
        for path in sorted(Path(folder).iterdir())
        if path.name not in ("run_log.json", "SHA256SUMS")
    }
