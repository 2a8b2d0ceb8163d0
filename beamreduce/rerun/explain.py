"""``explain``: what a number was made from, told in words."""

import difflib
import json
from collections.abc import Mapping
from pathlib import Path

from beamreduce.errors import ResultsError
from beamreduce.rerun.chain import Source, Step, Story, read_story

_SHOWN = 6  # names of frames in one line


def explain_text(folder: Path, value: str, identity: str | None = None) -> str:
    """Return the chain from a number, or a file of results, back to the raw frames.

    Parameters
    ----------
    folder
        Results of any command.
    value
        Key of a number in results.json, or name of a file in the folder.
    identity
        The measurement whose number it is; None for a file.

    Raises
    ------
    ResultsError
        When there is no such folder, measurement or number.
    """
    folder = Path(folder)
    if not folder.is_dir():
        raise ResultsError(
            f"{folder}: found no folder; expected a folder of results; check the path"
        )
    story = read_story(folder)
    name = value if identity is None else f"results/{identity}/{value}"
    if name not in story.entities:
        raise ResultsError(_nothing(folder, story, value, identity))
    lines = [_headline(folder, value, identity)]
    steps = story.steps_to(name)
    for number, step in enumerate(steps, start=1):
        lines += _told(number, step, story)
    sources = story.sources_of(name)
    lines += ["", f"{len(sources)} raw files:"]
    lines += [_source_line(source) for source in sources]
    versions = ", ".join(f"{k} {v}" for k, v in story.agent.items())
    lines += ["", f"software: {versions}"]
    return "\n".join(lines)


def _headline(folder: Path, value: str, identity: str | None) -> str:
    if identity is None:
        return f"{value} in {folder}"
    try:
        results = json.loads((folder / "results.json").read_text(encoding="utf-8"))
        (m,) = [m for m in results["measurements"] if m["id"] == identity]
        stored = m[value]
    except (OSError, ValueError, KeyError, TypeError):
        raise ResultsError(
            f"{folder / 'results.json'}: found no {value} of measurement {identity} that "
            f"can be read; expected it, as provenance.json names it; the archive is "
            f"damaged: take it from a copy"
        ) from None
    if stored is None:
        why = m.get("notes", {}).get(value, "no reason is given")
        return f"{value} of {identity} is null: {why}"
    if isinstance(stored, Mapping) and {"value", "uncertainty"} <= set(stored):
        parts = ", ".join(f"{k} {stored[k]:.3g}" for k in ("statistical", "systematic",
                                                           "model"))  # fmt: skip
        return (
            f"{value} of {identity} = {stored['value']:.6g} ± {stored['uncertainty']:.2g} "
            f"({parts})"
        )
    return f"{value} of {identity} = {json.dumps(stored, ensure_ascii=False)[:200]}"


def _told(number: int, step: Step, story: Story) -> list[str]:
    raw = [name for name in step.used if name not in story.made_by]
    made = [name for name in step.used if name in story.made_by]
    lines = ["", f"{number}. {step.name}  →  {_listed(step.made)}"]
    if made:
        lines.append(f"   from {_listed(made)}")
    if raw:
        lines.append(f"   raw  {_listed(raw)}")
    if step.settings:
        lines.append(f"   with {step.settings}")
    return lines


def _listed(names: tuple[str, ...] | list[str]) -> str:
    shown = ", ".join(names[:_SHOWN])
    more = len(names) - _SHOWN
    return f"{shown} and {more} more" if more > 0 else shown


def _source_line(source: Source) -> str:
    lines = "  of its sorted lines" if source.by_lines else ""
    data = f"{lines}  DATASUM {source.datasum}" if source.datasum else lines
    return f"  {source.sha256}  {source.path}  ({source.role}){data}"


def _nothing(folder: Path, story: Story, value: str, identity: str | None) -> str:
    where = folder / "provenance.json"
    numbers = [n.split("/", 2)[1:] for n in story.entities if n.startswith("results/")]
    if identity is None:
        files = sorted(n for n in story.made_by if "/" not in n)
        near = _near(value, files)
        also = "" if not numbers else ", or a number together with --id"
        return (
            f"{where}: found no file {value!r}; expected one that a step made{also}; {near}"
        )
    identities = sorted({one for one, _ in numbers})
    if identity not in identities:
        near = _near(identity, identities)
        return (
            f"{where}: found no measurement {identity!r}; expected one of the run; {near}"
        )
    keys = sorted(key for one, key in numbers if one == identity)
    return (
        f"{where}: found no number {value!r} of measurement {identity}; expected a key of "
        f"results.json; {_near(value, keys)}"
    )


def _near(word: str, words: list[str]) -> str:
    near = difflib.get_close_matches(word, words, n=1)
    if near:
        return f"did you mean {near[0]!r}?"
    return f"there are {', '.join(words[:8])}{' …' if len(words) > 8 else ''}"
