"""After less before, with what is common to both runs told from what is each run's own."""

import math
from collections.abc import Callable, Iterable
from dataclasses import dataclass

from beamreduce.record import Uncertain

STATISTICAL = "statistical"
REST = "not itemised"  # what the terms of a budget leave of a quoted uncertainty


@dataclass(frozen=True, kw_only=True)
class Term:
    """One source of uncertainty of a quantity in one run.

    Parameters
    ----------
    name, kind
        As in the uncertainty budget; kind is ``statistical``, ``systematic`` or ``model``.
    size
        Standard uncertainty, in the quantity's unit.
    """

    name: str
    kind: str
    size: float


@dataclass(frozen=True, kw_only=True)
class Quoted:
    """A quantity of one run and the terms that its uncertainty is made of."""

    quantity: Uncertain
    terms: tuple[Term, ...]

    @classmethod
    def of(cls, quantity: Uncertain, terms: Iterable[Term] = ()) -> "Quoted":
        """Join a quantity and its budget; what the budget leaves out is a term of its own.

        The rest is each run's own, so that nothing cancels that is not named.
        """
        listed = [term for term in terms if term.size > 0]
        for kind in (STATISTICAL, "systematic", "model"):
            known = math.fsum(term.size**2 for term in listed if term.kind == kind)
            rest = getattr(quantity, kind) ** 2 - known
            if rest > 1e-9 * getattr(quantity, kind) ** 2:
                listed.append(Term(name=REST, kind=kind, size=math.sqrt(rest)))
        return cls(quantity=quantity, terms=tuple(listed))


@dataclass(frozen=True, kw_only=True)
class Difference:
    """After less before.

    Parameters
    ----------
    quantity
        With its three kinds of uncertainty.
    counting_before, counting_after
        Statistical part of each run: what more photons would make smaller.
    common
        Names of the terms that were taken as common to both runs.
    """

    quantity: Uncertain
    counting_before: float
    counting_after: float
    common: tuple[str, ...] = ()

    @property
    def beyond_counting(self) -> float:
        """Standard uncertainty that no number of photons makes smaller."""
        return math.hypot(self.quantity.systematic, self.quantity.model)


def difference_of(
    before: Quoted, after: Quoted, is_common: Callable[[str], bool]
) -> Difference:
    """Return after less before.

    Parameters
    ----------
    before, after
        The same quantity in both runs, in one unit.
    is_common
        Takes the name of a term; True when one and the same error is in both runs.

    Notes
    -----
    ``u² = u₁² + u₂² − 2 r u₁ u₂`` (JCGM 100:2008, 5.2.2) with r = 1 for a term that is
    common, since it moves both values the same way, and r = 0 for what is each run's own.
    Statistical terms are never common.
    """
    sizes = [_by_name(side) for side in (before, after)]
    totals = {STATISTICAL: 0.0, "systematic": 0.0, "model": 0.0}
    common = []
    for name, kind, number in dict.fromkeys((*sizes[0], *sizes[1])):
        first, second = (side.get((name, kind, number), 0.0) for side in sizes)
        shared = kind != STATISTICAL and name != REST and is_common(name)
        if shared:
            common.append(name)
        totals[kind] += (second - first) ** 2 if shared else first**2 + second**2
    return Difference(
        quantity=Uncertain(
            value=after.quantity.value - before.quantity.value,
            **{kind: math.sqrt(square) for kind, square in totals.items()},
        ),
        counting_before=before.quantity.statistical,
        counting_after=after.quantity.statistical,
        common=tuple(dict.fromkeys(common)),
    )


def _by_name(side: Quoted) -> dict[tuple[str, str, int], float]:
    """Sizes of terms by name, kind, and the how-manieth of that name it is."""
    sizes: dict[tuple[str, str, int], float] = {}
    for term in side.terms:
        number = sum(key[:2] == (term.name, term.kind) for key in sizes)
        sizes[term.name, term.kind, number] = term.size
    return sizes
