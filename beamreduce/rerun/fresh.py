"""A job done in a process of its own, if wanted in an environment made for it."""

import json
import os
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import beamreduce
from beamreduce.errors import ResultsError
from beamreduce.record import software_versions, write_text_whole

if TYPE_CHECKING:
    from beamreduce.rerun.again import RerunOptions

_STEP_S = 0.2
_ENVIRONMENT = "environment"  # large, and made again from versions.txt at any time


def run_job(
    told: Mapping[str, object],
    work: Path,
    versions: Sequence[str],
    how: "tuple[RerunOptions, Callable[[str, int, int], None]]",
) -> str:
    """Do a job in a fresh process; returns what went wrong in one line, or nothing.

    Parameters
    ----------
    told
        The job as :mod:`beamreduce.rerun.execute` reads it.
    work
        Folder for the job's own small files.
    versions
        ``name==version`` of every package of the archive.
    how
        Options, and whom to tell about progress.

    Raises
    ------
    ResultsError
        When the archived versions cannot be installed.
    """
    options, tell = how
    python = Path(sys.executable)
    if options.fresh_environment:
        python = _environment(work, versions, tell)
    job = work / "job.json"
    write_text_whole(job, json.dumps(told, default=str))
    started = time.monotonic()
    with (work / "output.txt").open("w", encoding="utf-8") as said:
        process = subprocess.Popen(
            [str(python), "-m", "beamreduce.rerun.execute", str(job)],
            stdout=said,
            stderr=subprocess.STDOUT,
            stdin=subprocess.DEVNULL,
            cwd=work,
            env={**os.environ, "PYTHONSAFEPATH": "1"},
        )
        try:
            while process.poll() is None:
                time.sleep(_STEP_S)
                tell("run again, seconds", int(time.monotonic() - started), 0)
        finally:
            if process.poll() is None:
                process.terminate()
                process.wait()
            shutil.rmtree(work / _ENVIRONMENT, ignore_errors=True)
    return _fault(process.returncode, work / "output.txt")


def _fault(code: int, output: Path) -> str:
    if code == 0:
        return ""
    if code < 0:
        name = signal.Signals(-code).name
        return f"its process was ended from outside ({name}), most often for want of memory"
    lines = output.read_text(encoding="utf-8", errors="replace").strip().splitlines()
    errors = [line for line in lines if line.startswith("error: ")]
    if errors:
        return errors[-1].removeprefix("error: ")
    return f"its process ended with code {code}: {lines[-1] if lines else 'nothing said'}"


def _environment(
    work: Path, versions: Sequence[str], tell: Callable[[str, int, int], None]
) -> Path:
    """Make a virtual environment with the archived versions; returns its Python."""
    if not versions:
        raise ResultsError(
            "versions.txt: found none in the archive; expected the versions to install "
            "for --fresh-environment; run without it"
        )
    own = [line for line in versions if line.startswith("beamreduce==")]
    others = [line for line in versions if line not in own]
    wanted = own[0].split("==")[1] if own else ""
    source: list[str] = own
    root = Path(beamreduce.__file__).parents[1]
    if wanted == software_versions()["beamreduce"] and (root / "pyproject.toml").is_file():
        source = [str(root)]  # a working copy need not be on any index
    write_text_whole(work / "versions.txt", "".join(f"{line}\n" for line in others))
    place = work / _ENVIRONMENT
    python = place / "bin" / "python"
    pip = [str(python), "-m", "pip", "install", "--quiet", "--disable-pip-version-check"]
    steps = (
        [sys.executable, "-m", "venv", "--clear", str(place)],
        [*pip, "-r", str(work / "versions.txt")],
        [*pip, "--no-deps", *source],
    )
    for done, step in enumerate(steps):
        tell("fresh environment", done, len(steps))
        said = subprocess.run(step, capture_output=True, text=True, check=False)
        if said.returncode:
            lines = [line for line in said.stderr.splitlines() if line.startswith("ERROR")]
            why = lines[-1].removeprefix("ERROR: ") if lines else f"code {said.returncode}"
            raise ResultsError(
                f"--fresh-environment: found archived versions that cannot be installed "
                f"({why}); expected all of versions.txt; run without it, and "
                f"the versions that differ are named"
            )
    tell("fresh environment", len(steps), len(steps))
    return python
