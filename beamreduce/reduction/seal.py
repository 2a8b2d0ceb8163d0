"""The last files of every folder of results: versions it was made with, checksums."""

import hashlib
import importlib.metadata
from functools import cache
from pathlib import Path

from packaging.requirements import Requirement

from beamreduce.record import sha256_of_file, write_text_whole

VERSIONS = "versions.txt"
CHECKSUMS = "SHA256SUMS"
SEALS = (VERSIONS, CHECKSUMS)
RUN_LOG = "run_log.json"  # differs from run to run, so that nobody compares it


def seal(folder: Path) -> None:
    """Write the versions of all packages, then the SHA-256 of every file of the folder.

    The checksums are in the layout that the program ``sha256sum -c`` reads.
    """
    write_text_whole(folder / VERSIONS, "".join(f"{line}\n" for line in installed()))
    lines = [f"{sha256_of_file(folder / name)}  {name}\n" for name in sealed_files(folder)]
    write_text_whole(folder / CHECKSUMS, "".join(lines))


def sealed_files(folder: Path) -> list[str]:
    """Return the files that checksums are kept of, as paths below the folder."""
    found = (p.relative_to(folder) for p in folder.rglob("*") if p.is_file())
    kept = [p.as_posix() for p in found if not any(s.startswith(".") for s in p.parts)]
    return sorted(name for name in kept if name not in (CHECKSUMS, RUN_LOG))


def read_checksums(folder: Path) -> dict[str, str]:
    """Return the kept SHA-256 by file; nothing where a folder has none.

    Raises
    ------
    OSError, ValueError
        When the file is not of that kind.
    """
    lines = (folder / CHECKSUMS).read_text(encoding="utf-8").splitlines()
    pairs = (line.split("  ", 1) for line in lines)
    checksums = {name: digest for digest, name in pairs}
    if any(len(one) != len(hashlib.sha256().hexdigest()) for one in checksums.values()):
        raise ValueError("a checksum of another length")
    return checksums


@cache
def installed() -> tuple[str, ...]:
    """Return ``name==version`` of the package and of all that it needs to run."""
    found: dict[str, str] = {}
    waiting = ["beamreduce"]
    while waiting:
        name = waiting.pop().lower().replace("_", "-")
        try:
            package = importlib.metadata.distribution(name)
        except importlib.metadata.PackageNotFoundError:
            continue
        if name in found:
            continue
        found[name] = package.version
        for text in package.requires or ():
            needed = Requirement(text)
            if needed.marker is None or needed.marker.evaluate({"extra": ""}):
                waiting.append(needed.name)
    return tuple(f"{name}=={found[name]}" for name in sorted(found))
