"""Which paths a campaign may name: files below its own folder."""

from pathlib import Path, PurePosixPath, PureWindowsPath

from beamreduce.errors import Problem

SETUP_FILE = "campaign.toml"
EXPOSURE_FILE = "exposures.ecsv"
_NOT_THERE = "no such file"


def check_folder(folder: Path) -> Problem | None:
    """Return what keeps a path from being a campaign folder, None when it is one."""
    try:
        found = _unlike_a_campaign(folder)
    except OSError as error:  # no permission, or no name that a file can have
        found = f"a path that cannot be followed ({error.strerror})"
    if found is None:
        return None
    return Problem(
        file=str(folder),
        found=found,
        expected=f"a campaign folder, which holds {SETUP_FILE} and {EXPOSURE_FILE}",
        action="check the path",
    )


def _unlike_a_campaign(folder: Path) -> str | None:
    if not folder.exists():
        return "no such folder"
    if not folder.is_dir():
        return "a file"
    if not (folder / SETUP_FILE).exists() and not (folder / EXPOSURE_FILE).exists():
        return f"a folder with neither {SETUP_FILE} nor {EXPOSURE_FILE}"
    return None


def find_inside(
    folder: Path, file: str, *, what: str = "campaign folder"
) -> tuple[Path | None, tuple[str, str] | None]:
    """Return the path of a file that a campaign names, or what is wrong with it.

    Parameters
    ----------
    folder
        The campaign folder.
    file
        Path below it, as written in the campaign.
    what
        What the folder is called in messages.

    Returns
    -------
    path, trouble
        One of them is None; ``trouble`` is what was found and what to do.
    """
    parts = PurePosixPath(file).parts + PureWindowsPath(file).parts
    absolute = PurePosixPath(file).is_absolute() or PureWindowsPath(file).drive
    if absolute or ".." in parts or "\0" in file:
        return None, (
            f"the path {file!r}, which leaves the {what}",
            "put the file into the folder and write its path relative to it",
        )
    path = folder / file
    try:
        within = path.resolve().is_relative_to(folder.resolve())
    except (OSError, RuntimeError):
        return None, (f"{file!r}, a link that leads nowhere", "put the file in its place")
    if not within:
        return None, (
            f"{file!r}, a link out of the {what}",
            "put the file itself into the folder",
        )
    try:
        exists, is_file = path.exists(), path.is_file()
    except OSError as error:
        found = f"a path that cannot be followed ({error.strerror})"
        return None, (found, "correct the path, or the permissions of its folders")
    if not exists:
        return None, (_NOT_THERE, f"put {file!r} into the folder or correct its path")
    if not is_file:
        return None, (f"{file!r}, which is no file", "name a file")
    return path, None


def is_awaited(folder: Path, file: str) -> bool:
    """Return True for a path that a campaign may name and where there is nothing yet."""
    path, trouble = find_inside(folder, file)
    return path is None and trouble[0] == _NOT_THERE
