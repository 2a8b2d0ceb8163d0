"""The results folder: made beside its place, locked, and put there by one rename."""

import errno
import fcntl
import filecmp
import json
import os
import shutil
import socket
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path

from beamreduce.errors import OutputError
from beamreduce.record import UNFINISHED, write_text_whole
from beamreduce.reduction.seal import RUN_LOG, SEALS, seal

DONE = ".done"
_LOCK = ".lock"


@dataclass(frozen=True)
class OutputFolder:
    """Where results go while they are made, and where they will be.

    Parameters
    ----------
    final
        The folder the user named.
    partial
        The folder beside it that holds the work until it is whole.
    """

    final: Path
    partial: Path

    def finished(self, identity: str) -> Path:
        """Return the note that a measurement is finished; written last, by rename."""
        return self.partial / DONE / f"{identity}.json"

    def note(self, identity: str) -> dict[str, object]:
        """Return the content of a note, nothing when it is missing or damaged."""
        return read_json(self.finished(identity))


def read_json(path: Path) -> dict[str, object]:
    """Return the content of a JSON file, nothing when it is missing or damaged."""
    try:
        content = json.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return {}
    return content if isinstance(content, dict) else {}


@contextmanager
def open_output(folder: Path, *, update: bool) -> Iterator[OutputFolder]:
    """Lock ``DIR.partial`` for this process.

    Parameters
    ----------
    folder
        Where the results shall be.
    update
        True to replace results that are there (they are moved aside, never deleted).

    Raises
    ------
    OutputError
        When the folder holds something and ``update`` is False, another process works on
        it, or its place cannot be written.
    """
    output = _places(Path(folder))
    _check_place(output.final, update=update)
    try:
        (output.partial / DONE).mkdir(parents=True, exist_ok=True)
        handle = os.open(output.partial / _LOCK, os.O_RDWR | os.O_CREAT, 0o666)
    except OSError as error:
        raise _cannot_write(output.partial, error) from None
    try:
        _lock(handle, output.partial)
        _remove_unfinished(output.partial)
        try:
            yield output
        finally:
            _tidy(handle, output.partial)
    finally:
        os.close(handle)


def refuse_inside_campaign(campaign: Path, folder: Path) -> None:
    """Refuse results that would be written into a campaign folder, or in place of it."""
    refuse_inside(
        campaign, folder, "the campaign folder", "campaign folders are never written"
    )


def refuse_inside_results(results: Path, folder: Path) -> None:
    """Refuse the same of a results folder: it is an archive."""
    refuse_inside(results, folder, "the results folder", "results are never changed")


def refuse_inside(kept: Path, folder: Path, name: str, reason: str) -> None:
    """Refuse results that would be written into a folder that is kept, or in its place.

    Parameters
    ----------
    kept
        What must stay as it is.
    folder
        Where results are wanted.
    name, reason
        What it is called, and why it is kept, for the message.

    Raises
    ------
    OutputError
        When one of the two folders holds the other.
    """
    inner, output = kept.resolve(), _places(folder)
    for place in (output.final, output.partial):
        if place.is_relative_to(inner) or inner.is_relative_to(place):
            raise OutputError(
                f"{folder}: found a place inside {name} {kept}, or one that holds it; "
                f"expected one beside it, since {reason}; choose another -o"
            )


def place_text(folder: Path, final: Path) -> str:
    """Return where a folder is as seen from results, as text.

    TOML and JSON are text; names of folders may be any bytes.
    """
    return os.path.relpath(folder, final).encode("utf-8", "backslashreplace").decode()


def clear_partial(partial: Path) -> None:
    """Remove files that an interrupted run left beside its finished parts."""
    for path in partial.iterdir():
        if path.is_file() and not path.name.startswith("."):
            path.unlink()


def put_in_place(output: OutputFolder) -> Path | None:
    """Seal the finished work with checksums and move it to its place by one rename.

    Returns
    -------
    pathlib.Path or None
        Where older results were moved to; None when there were none.
    """
    before = None
    try:
        seal(output.partial)
        if output.final.exists():
            if any(output.final.iterdir()):
                before = _free_name(output.final)
                output.final.rename(before)
            else:
                output.final.rmdir()
        output.partial.rename(output.final)
        # Only now: had anything stopped us before, all that is finished would be kept.
        shutil.rmtree(output.final / DONE)
        (output.final / _LOCK).unlink()
    except OSError as error:
        raise _cannot_write(output.final, error) from None
    return before


def discard_partial(output: OutputFolder) -> None:
    """Remove the working folder when the results in place are already complete."""
    try:
        shutil.rmtree(output.partial)
    except OSError as error:
        raise _cannot_write(output.partial, error) from None


def same_results(output: OutputFolder) -> bool:
    """Return True when the results in place are the same, byte for byte.

    But for the run log, the only file that differs from run to run. Checksums and
    versions, which seal the folder at the end, are not among the work yet.
    """
    files = [
        {
            p.name: p
            for p in folder.iterdir()
            if p.is_file() and p.name[0] != "." and p.name not in SEALS
        }
        for folder in (output.final, output.partial)
        if folder.is_dir()
    ]
    if len(files) < 2 or files[0].keys() != files[1].keys():
        return False
    return all(
        filecmp.cmp(files[0][name], files[1][name], shallow=False)
        for name in files[0]
        if name != RUN_LOG
    )


def _remove_unfinished(folder: Path) -> None:
    """Remove what a process left that was killed while it wrote a file."""
    for path in folder.rglob(f"{UNFINISHED}*"):
        path.unlink(missing_ok=True)


def _tidy(handle: int, partial: Path) -> None:
    """Remove half-written files, and the working folder itself when nothing is finished."""
    if not _holds(handle, partial):
        return  # put in place, or discarded
    with suppress(OSError):
        _remove_unfinished(partial)
        kept = [*(partial / DONE).iterdir(), *partial.glob("measured_*.json")]
        if not kept:
            shutil.rmtree(partial)


def _holds(handle: int, partial: Path) -> bool:
    """True when the lock that we have is that of the folder which is there now."""
    try:
        return (partial / _LOCK).stat().st_ino == os.fstat(handle).st_ino
    except OSError:
        return False


def _places(folder: Path) -> OutputFolder:
    """Return the folder, links followed so that the work is beside it, and its partial."""
    try:
        final = folder.resolve()
    except (OSError, RuntimeError) as error:
        raise _cannot_write(folder, error) from None
    return OutputFolder(final=final, partial=final.parent / f"{final.name}.partial")


def _check_place(final: Path, *, update: bool) -> None:
    try:
        a_file = final.exists() and not final.is_dir()
        occupied = final.is_dir() and any(final.iterdir())
    except OSError as error:
        raise _cannot_write(final, error) from None
    if a_file:
        raise OutputError(
            f"{final}: found a file; expected a folder or nothing; choose another -o"
        )
    if not occupied or update:
        return
    if any((final / name).exists() for name in ("results.json", "provenance.json")):
        raise OutputError(
            f"{final}: found earlier results; expected an empty or new folder; give "
            f"--update to redo what has changed, or choose another -o"
        )
    raise OutputError(
        f"{final}: found files in it; expected an empty or new folder; choose another -o"
    )


def _lock(handle: int, partial: Path) -> None:
    try:
        fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError as error:
        if error.errno not in (errno.EAGAIN, errno.EACCES):
            raise _cannot_write(partial, error) from None
        raise OutputError(
            f"{partial}: found a run at work on it ({_holder(handle)}); expected none; "
            f"wait for it to end or choose another -o"
        ) from None
    if not _holds(handle, partial):
        raise OutputError(
            f"{partial}: found a run that ended at this moment; expected none; try again"
        )
    holder = json.dumps({"host": socket.gethostname(), "process": os.getpid()})
    try:
        os.ftruncate(handle, 0)
        os.pwrite(handle, holder.encode(), 0)
    except OSError as error:
        raise _cannot_write(partial, error) from None


def _holder(handle: int) -> str:
    try:
        holder = json.loads(os.pread(handle, 4096, 0))
        return f"process {holder['process']} on {holder['host']}"
    except (ValueError, KeyError, OSError):
        return "by an unknown process"


def _free_name(final: Path) -> Path:
    number = 1
    while (name := final.with_name(f"{final.name}.before-{number}")).exists():
        number += 1
    return name


def _cannot_write(path: Path, error: OSError) -> OutputError:
    return OutputError(
        f"{path}: found {error.strerror or error}; expected a place that can be written; "
        f"check permissions and free space, or choose another -o"
    )


def mark_finished(output: OutputFolder, identity: str, content: object) -> None:
    """Note that a measurement is finished, with its numbers; the last thing written."""
    write_text_whole(output.finished(identity), json.dumps(content, allow_nan=False))
