"""Checks text files: ends, blanks, marks of a merge, size. Prints what is wrong.

``check_text.py [FILE …]``; without files all that git tracks. Exit code 1 on a finding.
"""

import subprocess
import sys
import tomllib
from collections.abc import Iterator
from pathlib import Path

_LARGEST = 500_000  # bytes; frames and results do not belong in the repository
_MERGE = (b"<" * 7 + b" ", b">" * 7 + b" ")


def findings(path: Path) -> Iterator[str]:
    """Return a sentence for each thing that is wrong with a file."""
    content = path.read_bytes()
    if len(content) > _LARGEST:
        yield f"{path}: {len(content)} bytes; the largest allowed is {_LARGEST}"
    if b"\0" in content or not content:
        return  # no text, or nothing in it
    if not content.endswith(b"\n") or content.endswith(b"\n\n"):
        yield f"{path}: does not end in one line end"
    if b"\r\n" in content:
        yield f"{path}: has line ends of another system (CR LF)"
    for number, line in enumerate(content.split(b"\n"), start=1):
        if line.rstrip(b" \t\r") != line.rstrip(b"\r"):
            yield f"{path}:{number}: blanks at the end of the line"
        if line.startswith(_MERGE):
            yield f"{path}:{number}: a mark that a merge has left"
    if path.suffix == ".toml":
        try:
            tomllib.loads(content.decode())
        except ValueError as error:
            yield f"{path}: not TOML ({error})"


def tracked() -> list[str]:
    """Return the files that git tracks, where the script was started."""
    listed = subprocess.run(["git", "ls-files", "-z"], check=True, capture_output=True)
    return listed.stdout.decode().split("\0")[:-1]


def main(names: list[str]) -> int:
    """Check the files named, or all."""
    paths = [Path(name) for name in (names or tracked())]
    found = [text for path in paths if path.is_file() for text in findings(path)]
    sys.stdout.writelines(f"{text}\n" for text in found)
    return 1 if found else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
