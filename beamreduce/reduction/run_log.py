"""When and where a run was made, and how its JSON files are written."""

import json
import socket
import time

from beamreduce.record import software_versions


def run_log(started: float) -> dict[str, object]:
    """Return what run_log.json holds: the only file that differs from run to run.

    Parameters
    ----------
    started
        When the run began, seconds since 1970.
    """
    ended = time.time()
    return {
        "started": _utc(started),
        "ended": _utc(ended),
        "seconds": round(ended - started, 3),
        "host": socket.gethostname(),
        "software": software_versions(),
    }


def json_text(content: object) -> str:
    """Return content as JSON text; what is not finite is an error."""
    return json.dumps(content, indent=1, ensure_ascii=False, allow_nan=False) + "\n"


def _utc(seconds: float) -> str:
    return time.strftime("%Y-%m-%dT%H:%M:%SZ", time.gmtime(seconds))
