"""From a number back to the raw frames: a walk through provenance.json."""

import json
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from beamreduce.errors import ResultsError

_PREFIX = "br:"


@dataclass(frozen=True, kw_only=True)
class Step:
    """One step of the chain.

    Parameters
    ----------
    name
        Of the step.
    settings
        What it was done with.
    made, used
        Files, images and numbers.
    """

    name: str
    settings: str
    made: tuple[str, ...]
    used: tuple[str, ...]


@dataclass(frozen=True, kw_only=True)
class Source:
    """A file that no step made: a raw frame or a table.

    Parameters
    ----------
    path
        Below the campaign folder.
    sha256, datasum
        Its checksums as archived; empty where there is none.
    role
        What it is, such as beam or dark.
    entity
        Its name in the provenance.
    exposure
        Its exposure; empty where it is no frame of a campaign.
    by_lines
        The checksum is that of its sorted lines: their order means nothing.
    """

    path: str
    sha256: str
    datasum: str
    role: str
    entity: str = ""
    exposure: str = ""
    by_lines: bool = False


@dataclass(frozen=True, kw_only=True)
class Story:
    """The provenance of a folder, as relations between names.

    Parameters
    ----------
    entities
        Attributes of files, images and numbers, by name.
    settings
        Of each step.
    made_by
        The step that made each entity.
    used
        What each step used.
    agent
        Versions of the software.
    """

    entities: Mapping[str, Mapping[str, object]]
    settings: Mapping[str, str]
    made_by: Mapping[str, str]
    used: Mapping[str, Sequence[str]]
    agent: Mapping[str, str]

    def steps_to(self, name: str) -> tuple[Step, ...]:
        """Return every step that a file or number depends on, the nearest first."""
        wanted = self._behind(name)
        told: dict[str, list[str]] = {}
        for entity in wanted:
            if entity in self.made_by:
                told.setdefault(self.made_by[entity], []).append(entity)
        return tuple(
            Step(
                name=step,
                settings=self.settings.get(step, ""),
                made=tuple(made),
                used=tuple(self.used.get(step, ())),
            )
            for step, made in told.items()
        )

    def sources_of(self, name: str) -> tuple[Source, ...]:
        """Return the raw files that a file or number depends on, sorted by path."""
        raw = [entity for entity in self._behind(name) if entity not in self.made_by]
        return tuple(sorted(self.sources(raw), key=lambda source: source.path))

    def sources(self, names: Sequence[str] | None = None) -> Iterator[Source]:
        """Yield the raw files among some entities, or among all of them."""
        names = [*self.entities] if names is None else names
        for name in names:
            about = self.entities.get(name, {})
            by_lines = str(about.get("br:sha256_of_sorted_lines", ""))
            digest = str(about.get("br:sha256", by_lines))
            if name in self.made_by or not digest:
                continue
            yield Source(
                path=str(about.get("br:path", name)),
                sha256=digest,
                by_lines=bool(by_lines),
                datasum=str(about.get("br:datasum", "")),
                role=str(about.get("br:role", name.split("/")[0])),
                entity=name,
                exposure=str(about.get("br:exposure", "")),
            )

    def _behind(self, name: str) -> list[str]:
        """Return the entities that one depends on, itself first, nearest first."""
        seen, waiting = [name], [name]
        known = {name}
        while waiting:
            step = self.made_by.get(waiting.pop(0))
            for source in self.used.get(step, ()) if step is not None else ():
                if source not in known:
                    known.add(source)
                    seen.append(source)
                    waiting.append(source)
        return seen


def read_story(folder: Path) -> Story:
    """Read provenance.json of a folder of results.

    Raises
    ------
    ResultsError
        When it is missing or damaged.
    """
    path = folder / "provenance.json"
    try:
        document = json.loads(path.read_text(encoding="utf-8"))
        made_by = {
            _short(one["prov:entity"]): _short(one["prov:activity"])
            for one in document.get("wasGeneratedBy", {}).values()
        }
        used: dict[str, list[str]] = {}
        for one in document.get("used", {}).values():
            step = _short(one["prov:activity"])
            used.setdefault(step, []).append(_short(one["prov:entity"]))
        agent = next(iter(document["agent"].values()))
        return Story(
            entities={_short(k): v for k, v in document["entity"].items()},
            settings={
                _short(k): str(v.get("br:settings", ""))
                for k, v in document.get("activity", {}).items()
            },
            made_by=made_by,
            used=used,
            agent={_short(k): str(v) for k, v in agent.items() if k != "prov:type"},
        )
    except (OSError, ValueError, KeyError, TypeError, AttributeError, StopIteration) as e:
        reason = getattr(e, "strerror", None) or f"content that is no provenance ({e})"
        raise ResultsError(
            f"{path}: found {reason}; expected the W3C PROV-JSON that a run leaves; take "
            f"the folder from a copy, or make the results again"
        ) from None


def _short(name: str) -> str:
    return str(name).removeprefix(_PREFIX)
