"""What came from what, as W3C PROV-JSON (W3C Member Submission, 24 April 2013).

Entities are files (named with their SHA-256) and results; activities are the steps;
the agent is this package with the versions it ran on.
"""

import importlib.metadata
import platform
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from functools import cache

PREFIX = "br"
NAMESPACE = "urn:beamreduce:"
_LIBRARIES = ("numpy", "scipy", "astropy", "photutils", "numba", "periodictable", "xraydb")


def software_versions() -> dict[str, str]:
    """Return the versions of this package, of Python and of the libraries it rests on."""
    names = ("beamreduce", *_LIBRARIES)
    return {"python": platform.python_version()} | {name: _version(name) for name in names}


@cache
def _version(name: str) -> str:
    # Looking one up takes milliseconds, and every key of a measurement asks.
    try:
        return importlib.metadata.version(name)
    except importlib.metadata.PackageNotFoundError:
        return "not installed"


@dataclass
class Provenance:
    """Collects entities, activities and their relations, and gives them as PROV-JSON."""

    _document: dict[str, dict[str, dict[str, object]]] = field(default_factory=dict)

    def entity(self, name: str, attributes: Mapping[str, object]) -> str:
        """Add a file or result; returns its identifier."""
        return self._add("entity", name, attributes)

    def activity(
        self, name: str, *, used: Iterable[str], made: Iterable[str], settings: object
    ) -> str:
        """Add a step with what it used and made; returns its identifier."""
        identity = self._add("activity", name, {f"{PREFIX}:settings": str(settings)})
        for source in used:
            self._relate("used", {"prov:activity": identity, "prov:entity": source})
        for result in made:
            self._relate(
                "wasGeneratedBy", {"prov:entity": result, "prov:activity": identity}
            )
        self._relate(
            "wasAssociatedWith",
            {"prov:activity": identity, "prov:agent": f"{PREFIX}:software"},
        )
        return identity

    def to_json(self) -> dict[str, object]:
        """Return the whole document; the same content gives the same bytes."""
        agent = {f"{PREFIX}:{k}": v for k, v in sorted(software_versions().items())}
        software = {"prov:type": {"$": "prov:SoftwareAgent", "type": "prov:QUALIFIED_NAME"}}
        return {
            "prefix": {PREFIX: NAMESPACE},
            "agent": {f"{PREFIX}:software": {**software, **agent}},
            **self._document,
        }

    def _add(self, kind: str, name: str, attributes: Mapping[str, object]) -> str:
        identity = f"{PREFIX}:{name}"
        self._document.setdefault(kind, {})[identity] = dict(attributes)
        return identity

    def _relate(self, kind: str, relation: Mapping[str, object]) -> None:
        relations = self._document.setdefault(kind, {})
        relations[f"_:{kind}{len(relations) + 1}"] = dict(relation)
