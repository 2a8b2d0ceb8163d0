"""Terms of the uncertainty of areas, and what areas have in common through them."""

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from beamreduce.errors import SettingsError
from beamreduce.record import Uncertain

KINDS = ("statistical", "systematic", "model")


@dataclass(frozen=True, kw_only=True)
class Term:
    """One cause of uncertainty of one area.

    Parameters
    ----------
    name
        What is uncertain.
    kind
        ``statistical``, ``systematic`` or ``model``.
    relative
        Change of the area, as a part of it, when what is uncertain is larger by one
        standard uncertainty. The sign matters where areas share the cause.
    shared
        Name of the cause among all areas of a campaign: areas whose terms have the same
        name here are wrong together. Empty for a cause that only this area has.
    """

    name: str
    kind: str
    relative: float
    shared: str = ""

    def __post_init__(self) -> None:
        if self.kind not in KINDS:
            raise SettingsError(
                f"kind must be one of {', '.join(KINDS)}; got {self.kind!r}"
            )

    def to_json(self) -> dict[str, object]:
        """Return the form that results.json holds."""
        return {
            "term": self.name,
            "kind": self.kind,
            "relative": self.relative,
            "shared": self.shared,
        }

    @classmethod
    def from_json(cls, stored: Mapping[str, object]) -> "Term":
        """Read the form that results.json holds."""
        return cls(
            name=str(stored["term"]),
            kind=str(stored["kind"]),
            relative=float(stored["relative"]),  # type: ignore[arg-type]
            shared=str(stored["shared"]),
        )


def with_terms(value: float, terms: Iterable[Term]) -> Uncertain:
    """Return a value with its terms, kind by kind: quadratic sum of different causes.

    Terms of one cause add with their signs first (GUM, JCGM 100:2008, 5.1.2 and 5.2.2).
    """
    own = [tuple(terms)]
    sizes = {kind: math.sqrt(covariance([value], own, kind)[0, 0]) for kind in KINDS}
    return Uncertain(value=value, **sizes)


def covariance(
    values: Sequence[float], terms: Sequence[Sequence[Term]], kind: str | None = None
) -> np.ndarray:
    """Return the covariance of areas, shape (areas, areas), in their unit squared.

    Parameters
    ----------
    values
        The areas.
    terms
        The terms of each.
    kind
        Only terms of this kind; None for all.

    Notes
    -----
    ``u(i, j) = Σ A_i a_i A_j a_j`` over causes that both share, ``a`` the relative changes
    with their signs (JCGM 100:2008, 5.2.2 and F.1.2.3: a common input of both).
    """
    size = len(values)
    total = np.zeros((size, size))
    causes: dict[str, np.ndarray] = {}
    for row, (value, own) in enumerate(zip(values, terms, strict=True)):
        for term in own:
            if kind is not None and term.kind != kind:
                continue
            if not term.shared:
                total[row, row] += (value * term.relative) ** 2
                continue
            # The same cause never counts twice in one area: its parts add first.
            cause = causes.setdefault(f"{term.kind} {term.shared}", np.zeros(size))
            cause[row] += value * term.relative
    for cause in causes.values():
        total += np.outer(cause, cause)
    return total


def labelled(terms: Iterable[Term], identity: str) -> tuple[Term, ...]:
    """Return terms whose unshared causes bear the name of the area that they belong to.

    So that an area is not taken as independent of a mean that it is part of.
    """
    return tuple(
        term if term.shared else replace(term, shared=f"own of {identity}: {term.name}")
        for term in terms
    )


def mean_of(
    values: Sequence[float], terms: Sequence[Sequence[Term]]
) -> tuple[float, tuple[Term, ...]]:
    """Return the weighted mean of areas of one setting, and its terms.

    Weights go by what each area does not share with the others: a shared cause moves all
    alike, and weights by it would pull the mean to the smaller values.
    """
    own = [
        sum(t.relative**2 for t in each if t.shared.startswith("own of ")) for each in terms
    ]
    weights = np.array([1 / max(size, 1e-12) for size in own])
    weights /= weights.sum()
    value = float(weights @ np.asarray(values))
    parts = [
        replace(term, relative=term.relative * weight * one / value)
        for one, weight, each in zip(values, weights, terms, strict=True)
        for term in each
    ]
    return value, _merged(parts)


def over(upper: Sequence[Term], lower: Sequence[Term]) -> tuple[Term, ...]:
    """Return the terms of a ratio of two areas; what both share cancels."""
    against = [replace(term, relative=-term.relative) for term in lower]
    return tuple(term for term in _merged([*upper, *against]) if term.relative)


def _merged(terms: Iterable[Term]) -> tuple[Term, ...]:
    """Add terms of one cause; all must have a shared name."""
    sums: dict[tuple[str, str], Term] = {}
    for term in terms:
        key = term.kind, term.shared
        known = sums.get(key)
        sums[key] = (
            replace(known, relative=known.relative + term.relative) if known else term
        )
    return tuple(sums.values())
