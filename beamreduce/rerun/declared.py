"""What the change log declares about numbers since an archived version."""

import re
from collections.abc import Collection
from dataclasses import dataclass
from pathlib import Path

import beamreduce

_VERSION = re.compile(r"^## (\d+(?:\.\d+)*)", re.MULTILINE)
_ENTRY = re.compile(r"^- ", re.MULTILINE)


@dataclass(frozen=True, kw_only=True)
class Declared:
    """Entries of the change log under *Numbers*.

    Parameters
    ----------
    entries
        Each with its version before it.
    note
        What to know about them: which versions they cover, or why there are none.
    """

    entries: tuple[str, ...]
    note: str

    def about(self, keys: Collection[str]) -> tuple[str, ...]:
        """Return the entries that name any of some keys or columns of the results."""
        return tuple(
            entry
            for entry in self.entries
            if any(f"`{key}`" in entry for key in keys if key)
        )


def declared_changes(archived: str) -> Declared:
    """Return what is declared since a version.

    An unreleased version moves while its name stays, so its own entries are among them.
    """
    path = Path(beamreduce.__file__).parents[1] / "CHANGELOG.md"
    try:
        text = path.read_text(encoding="utf-8")
    except OSError:
        return Declared(entries=(), note="this installation has no change log beside it")
    starts = [*_VERSION.finditer(text)]
    ends = [*(start.start() for start in starts[1:]), len(text)]
    entries = []
    for start, end in zip(starts, ends, strict=True):
        if _order(start[1]) < _order(archived):
            continue
        if (
            start[1] == archived
            and "unreleased" not in text[start.start() :].split("\n")[0]
        ):
            continue
        entries += [f"{start[1]}: {entry}" for entry in _numbers(text[start.start() : end])]
    return Declared(
        entries=tuple(entries), note=f"declared by the change log since version {archived}"
    )


def _numbers(chapter: str) -> list[str]:
    parts = re.split(r"^### ", chapter, flags=re.MULTILINE)
    section = next((part for part in parts if part.startswith("Numbers")), "")
    return [" ".join(entry.split()) for entry in _ENTRY.split(section)[1:]]


def _order(version: str) -> tuple[int, ...]:
    return tuple(int(part) for part in re.findall(r"\d+", version))
