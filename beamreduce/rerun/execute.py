"""The fresh process of a rerun: ``python -m beamreduce.rerun.execute JOB.json``."""

import json
import sys
from pathlib import Path

from beamreduce.errors import BeamreduceError
from beamreduce.rerun.commands import COMMANDS, Job


def main(path: Path) -> int:
    """Do the job that a file describes; returns the exit code of the process."""
    told = json.loads(path.read_text(encoding="utf-8"))
    job = Job(
        settings=told["settings"],
        inputs={key: Path(place) for key, place in told["inputs"].items()},
        output=Path(told["output"]),
        work=path.parent,
        archive=Path(told["archive"]),
        figures=told["figures"],
        jobs=told["jobs"],
        names=told["names"],
        reference_radius_mm=told["reference_radius_mm"],
    )
    try:
        COMMANDS[told["command"]].run(job)
    except BeamreduceError as error:
        sys.stderr.write(f"error: {error}\n")
        return 1
    return 0


if __name__ == "__main__":
    sys.exit(main(Path(sys.argv[1])))
