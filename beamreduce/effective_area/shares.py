"""What share of the photons each beam has counted, as far as the two beams differ."""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from beamreduce.effective_area.beams import DirectBeam, FocusedBeam
from beamreduce.effective_area.terms import Term
from beamreduce.effective_area.throughput import Throughput
from beamreduce.errors import AreaError
from beamreduce.record import Uncertain

_ALIKE = 1e-9


@dataclass(frozen=True, kw_only=True)
class Shares:
    """Share of each exposure that is counted, as far as the beams differ in it.

    ``terms`` say what is not known of it.
    """

    focused: tuple[float, ...]
    direct: tuple[float, ...]
    terms: tuple[Term, ...]


def compared_shares(focused: FocusedBeam, direct: DirectBeam) -> Shares:
    """Leave out what is the same in both beams, and say what is not known of the rest.

    The share of the line divides: ``N f = flux · m q a``.

    Raises
    ------
    AreaError
        When a share that does not cancel is not known.
    """
    kept: list[tuple[tuple[float, ...], tuple[float, ...]]] = []
    terms: list[Term] = []
    for name, of in _PARTS:
        lit = [of(one) for one in focused.throughput]
        bare = [of(one) for one in direct.throughput]
        cancels = name != "detector efficiency" or not direct.counters
        if cancels and _all_alike(lit + bare):
            continue
        if name == "line fraction":
            lit, bare = ([_sure(one) for one in some] for some in (lit, bare))
            power = -1.0
        else:
            power = 1.0
        if any(one is None for one in lit + bare):
            raise AreaError(_cannot_compare(name, focused, direct))
        kept.append(
            (
                tuple(one.value**power for one in lit),
                tuple(one.value**power for one in bare),
            )
        )
        terms += _share_terms(f"{name}, image", (lit, -power), direct)
        terms += _share_terms(f"{name}, direct beam", (bare, power), direct)
    lit = tuple(
        math.prod(part[0][i] for part in kept) for i in range(len(focused.throughput))
    )
    bare = tuple(
        math.prod(part[1][i] for part in kept) for i in range(len(direct.throughput))
    )
    return Shares(focused=lit, direct=bare, terms=tuple(terms))


_PARTS: tuple[tuple[str, Callable[[Throughput], Uncertain | None]], ...] = (
    ("filter transmission", lambda one: one.filters),
    ("detector efficiency", lambda one: one.efficiency),
    ("line fraction", lambda one: one.line),
)


def _all_alike(values: Sequence[Uncertain | None]) -> bool:
    """True when all are absent, or all are the same number."""
    if any(one is None for one in values):
        return all(one is None for one in values)
    first = values[0].value
    return all(abs(one.value - first) <= _ALIKE * first for one in values)


def _sure(line: Uncertain | None) -> Uncertain:
    return Uncertain(value=1.0, statistical=0.0) if line is None else line


def _cannot_compare(name: str, focused: FocusedBeam, direct: DirectBeam) -> str:
    rows = [*focused.readings, *direct.readings]
    of = {
        "filter transmission": lambda one: one.filters,
        "detector efficiency": lambda one: one.efficiency,
    }[name]
    shares = (*focused.throughput, *direct.throughput)
    lacking = [
        row.exposure.exposure
        for row, one in zip(rows, shares, strict=True)
        if of(one) is None
    ]
    column = name.replace(" ", "_")
    return (
        f"the {name} of exposures {', '.join(lacking[:4])}"
        f"{' …' if len(lacking) > 4 else ''} is not known and does not cancel; expected "
        f"{column} of beam and direct rows, or layers to compute it from"
    )


def _share_terms(
    name: str, side: tuple[list[Uncertain], float], direct: DirectBeam
) -> list[Term]:
    """Terms of one side: as declared, and of the tables that a share was computed with.

    An efficiency is wrong alike at all energies.
    """
    values, sign = side
    shared = name if name.startswith("detector efficiency") else f"{name}, {direct.name}"
    sizes = {
        kind: max(getattr(one, kind) / one.value for one in values)
        for kind in ("systematic", "model")
    }
    return [
        Term(name=name, kind=kind, relative=sign * size, shared=shared)
        for kind, size in sizes.items()
        if size
    ]
