"""Files that are written whole or not at all."""

import os
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path
from threading import get_ident
from typing import TYPE_CHECKING

from beamreduce.errors import OutputError

if TYPE_CHECKING:
    from astropy.table import Table

UNFINISHED = ".writing-"  # how names of files begin that are not whole yet


def write_whole(path: Path, write: Callable[[Path], object]) -> None:
    """Write a file under a temporary name beside its place, then rename it.

    Parameters
    ----------
    path
        Where the file shall be.
    write
        Writes the content to the path it is given.

    Raises
    ------
    OutputError
        When the file cannot be written (no permission, disk full); nothing is left.
    """
    temporary = path.with_name(f"{UNFINISHED}{os.getpid()}-{get_ident()}-{path.name}")
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        write(temporary)
        temporary.replace(path)
    except OSError as error:
        raise OutputError(
            f"{path}: found {error.strerror or error}; expected to write the file; "
            f"check free space and permissions of {path.parent}"
        ) from None
    finally:
        # The folder itself may be missing or no folder; then there is nothing to remove.
        with suppress(OSError):
            temporary.unlink()


def write_text_whole(path: Path, text: str) -> None:
    """Write a text file (UTF-8) whole or not at all."""
    write_whole(path, lambda temporary: temporary.write_text(text, encoding="utf-8"))


def write_table_whole(path: Path, table: "Table") -> None:
    """Write an Astropy table as ECSV whole or not at all."""
    write_whole(path, lambda to: table.write(to, format="ascii.ecsv", overwrite=True))
