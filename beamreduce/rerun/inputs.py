"""What has become of the inputs of an archived run: each checked by its checksums."""

from collections.abc import Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

from beamreduce.campaign import DECISIONS_FILE, data_sums
from beamreduce.errors import FrameError, ResultsError
from beamreduce.record import sha256_of_file, sha256_of_lines
from beamreduce.reduction.seal import read_checksums
from beamreduce.rerun.chain import Source, Story
from beamreduce.rerun.commands import Command

SAME, CHANGED, MISSING = "unchanged", "changed", "missing"
HEADER_ONLY = "changed in its header only"
UNREADABLE = "unreadable"


@dataclass(frozen=True, kw_only=True)
class InputState:
    """One input, archived and now.

    Parameters
    ----------
    source
        What the archive says.
    path
        Where it is now.
    state
        One of the words above.
    """

    source: Source
    path: Path
    state: str

    @property
    def there(self) -> bool:
        """True when the run can read it."""
        return self.state not in (MISSING, UNREADABLE)


def check_inputs(
    story: Story, command: Command, folders: Mapping[str, Path], archive: Path
) -> tuple[InputState, ...]:
    """Compare every input with the checksums in the archive.

    Parameters
    ----------
    story
        Provenance of the archive.
    command
        That made it.
    folders
        Where its inputs are now, by key.
    archive
        Where it is; decisions are kept in it.

    Raises
    ------
    ResultsError
        When the archive names no inputs at all.
    """
    by_place: dict[Path, InputState] = {}
    for source in story.sources():
        if source.path == DECISIONS_FILE:
            folder = archive
        elif command.roles is None:
            folder = folders[command.inputs[0]]
        else:
            keys = [k for k, role in command.roles.items() if role == source.role]
            if not keys:  # a small table that the settings keep word for word
                continue
            folder = folders[keys[0]]
        path = folder / source.path
        by_place[path] = InputState(source=source, path=path, state=_state(path, source))
    if not by_place:
        raise ResultsError(
            f"{archive / 'provenance.json'}: found no inputs with checksums; expected the "
            f"frames that the numbers come from; take the archive from a copy"
        )
    return tuple(by_place[path] for path in sorted(by_place))


def unknown_files(
    states: Sequence[InputState], folders: Mapping[str, Path]
) -> tuple[str, ...]:
    """Return frames and tables beside the inputs that the archive does not know.

    Of a folder of results only what its own checksums do not name either.
    """
    known = {state.path for state in states}
    found = []
    for folder in folders.values():
        with suppress(OSError, ValueError):  # no such list, or a damaged one
            known |= {folder / name for name in read_checksums(folder)}
        ends = (".fits", ".fit", ".gz", ".fz", ".toml", ".ecsv")
        found += [
            path.relative_to(folder).as_posix()
            for path in folder.rglob("*")
            if path.suffix.lower() in ends and path.is_file() and path not in known
        ]
    return tuple(sorted(found))


def _state(path: Path, source: Source) -> str:
    if not path.is_file():
        return MISSING
    try:
        digest = sha256_of_lines(path) if source.by_lines else sha256_of_file(path)
        if digest == source.sha256:
            return SAME
        if not source.datasum:
            return CHANGED
        sums = " ".join(str(one) for one in data_sums(path))
    except FrameError:
        return UNREADABLE
    return HEADER_ONLY if sums == source.datasum else CHANGED
