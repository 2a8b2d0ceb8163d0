"""SHA-256 of files and of settings."""

import hashlib
import json
from pathlib import Path

from beamreduce.errors import FrameError


def sha256_of_file(path: Path) -> str:
    """Return the SHA-256 of the bytes of a file, as hexadecimal text."""
    try:
        with path.open("rb") as stream:
            return hashlib.file_digest(stream, "sha256").hexdigest()
    except OSError as error:
        raise FrameError(
            f"{path}: found a file that cannot be read ({error.strerror}); "
            f"expected a readable file; check the path and its permissions"
        ) from None


def sha256_of_lines(path: Path) -> str:
    """Return the SHA-256 of the lines of a file in sorted order.

    For tables whose order of rows means nothing.
    """
    try:
        lines = sorted(path.read_bytes().splitlines())
    except OSError as error:
        raise FrameError(
            f"{path}: found a file that cannot be read ({error.strerror}); "
            f"expected a readable file; check the path and its permissions"
        ) from None
    return hashlib.sha256(b"\n".join(lines)).hexdigest()


def sha256_of_json(content: object) -> str:
    """Return the SHA-256 of anything that JSON can hold, independent of key order."""
    text = json.dumps(content, sort_keys=True, allow_nan=False, separators=(",", ":"))
    return hashlib.sha256(text.encode()).hexdigest()
