"""Flight, reserve or reject: each reflector held against limits, with reason and margin."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from beamreduce.errors import Problem
from beamreduce.record import Uncertain

GRADES = ("flight", "reserve", "reject")
NOT_GRADED = "not graded"
STAGES = ("primary", "secondary")
DEFAULT_GUARD = 1.0  # standard uncertainties


@dataclass(frozen=True, kw_only=True)
class Limit:
    """One limit: of which quantity, for which reflectors, how much is allowed.

    Parameters
    ----------
    quantity
        Name of a column of ``reflectors.ecsv``; the smaller the better.
    stages
        The stages it is for.
    nestings
        First and last nesting it is for; None for all.
    flight, reserve
        Largest values of the two grades, in the unit of the column.
    unit
        That unit, empty for a bare number.
    guard
        Standard uncertainties that a value has to stay below a limit.
    guard_width
        The same as a width in the unit; used instead of ``guard`` where given.
    """

    quantity: str
    stages: tuple[str, ...] = STAGES
    nestings: tuple[int, int] | None = None
    flight: float
    reserve: float
    unit: str = ""
    guard: float = DEFAULT_GUARD
    guard_width: float | None = None

    def covers(self, stage: str, nesting: int) -> bool:
        """True when the limit is for a reflector of that stage and nesting."""
        low, high = self.nestings or (nesting, nesting)
        return stage in self.stages and low <= nesting <= high

    @property
    def words(self) -> str:
        """Which reflectors it is for, in words."""
        stages = " and ".join(self.stages)
        if self.nestings is None:
            return f"{self.quantity} of {stages}, all nestings"
        return (
            f"{self.quantity} of {stages}, nestings {self.nestings[0]}–{self.nestings[1]}"
        )


@dataclass(frozen=True, kw_only=True)
class Grade:
    """A verdict on one reflector.

    Parameters
    ----------
    grade
        ``flight``, ``reserve``, ``reject`` or ``not graded``.
    reason
        Why, in a sentence: the quantity that decides, its value, guard band and limit.
    quantity
        The quantity that decides; empty when not graded.
    margin
        How far value and guard band stay below the limit of the grade, as a share of the
        limit; below zero for a reject, which is over the limit for a reserve.
    """

    grade: str
    reason: str
    quantity: str = ""
    margin: float | None = None


def grade(
    values: Mapping[str, Uncertain | None],
    limits: Sequence[Limit],
    *,
    stage: str,
    nesting: int,
) -> Grade:
    """Hold the numbers of one reflector against every limit that covers it.

    Notes
    -----
    A value passes a limit when value plus guard band does not exceed it: guarded
    acceptance (JCGM 106:2012, section 8.3.2), so that a reflector that passes is below the
    limit with the probability that the guard band stands for (84 % for one standard
    uncertainty). The worst verdict counts, and among verdicts of one grade the one
    with the least margin.
    """
    covering = [limit for limit in limits if limit.covers(stage, nesting)]
    if not covering:
        return Grade(grade=NOT_GRADED, reason="no limit is declared for it")
    missing = [limit.quantity for limit in covering if values.get(limit.quantity) is None]
    if missing:
        return Grade(
            grade=NOT_GRADED,
            reason=f"{', '.join(sorted(set(missing)))} could not be had",
        )
    verdicts = [_hold(values[limit.quantity], limit) for limit in covering]
    return min(verdicts, key=lambda v: (-GRADES.index(v.grade), v.margin))


def _hold(value: Uncertain, limit: Limit) -> Grade:
    width = limit.guard_width
    guard = limit.guard * value.uncertainty if width is None else width
    held = value.value + guard
    verdict, allowed = "reject", limit.reserve
    for name, most in (("flight", limit.flight), ("reserve", limit.reserve)):
        if held <= most:
            verdict, allowed = name, most
            break
    unit = f" {limit.unit}" if limit.unit else ""
    sign = "≤" if held <= allowed else ">"
    name = "reserve" if verdict == "reject" else verdict
    reason = (
        f"{limit.quantity} {value.value:.4g} + guard {guard:.2g} {sign} "
        f"{allowed:.4g}{unit} ({name} limit)"
    )
    margin = (allowed - held) / allowed if allowed > 0 else allowed - held
    return Grade(grade=verdict, reason=reason, quantity=limit.quantity, margin=margin)


def check_limits(
    limits: Sequence[Limit], reflectors: Iterable[tuple[str, int]], *, file: str
) -> list[Problem]:
    """Return what is wrong with a set of limits: overlaps, gaps, grades in disorder.

    Parameters
    ----------
    limits
        All of them.
    reflectors
        Stage and nesting of every reflector that is to be graded.
    file
        Where the limits stand, for messages.
    """
    problems = []
    for number, limit in enumerate(limits, start=1):
        if limit.flight > limit.reserve:
            problems.append(
                _problem(
                    (file, number),
                    f"flight {limit.flight:g} above reserve {limit.reserve:g}",
                    "a flight limit that does not exceed the reserve limit",
                    "check whether the two are swapped",
                )
            )
        for earlier, other in enumerate(limits[: number - 1], start=1):
            both = _common(limit, other)
            if limit.quantity == other.quantity and both:
                problems.append(
                    _problem(
                        (file, number),
                        f"a second limit on {limit.quantity} for {both} (the other is "
                        f"number {earlier})",
                        "one limit on a quantity for every reflector",
                        "let the ranges of nestings end where the next begins",
                    )
                )
    there = sorted(set(reflectors))
    for quantity in dict.fromkeys(limit.quantity for limit in limits):
        own = [limit for limit in limits if limit.quantity == quantity]
        bare = [r for r in there if not any(limit.covers(*r) for limit in own)]
        for stage in STAGES:
            nestings = [n for s, n in bare if s == stage]
            if nestings:
                problems.append(
                    Problem(
                        file=file,
                        item=f"limit on {quantity}",
                        found=f"none for {stage} nestings {_ranges(nestings)}",
                        expected="a limit for every reflector in maps.ecsv",
                        action="close the gap between the ranges of nestings",
                    )
                )
    return problems


def _common(first: Limit, second: Limit) -> str:
    """Words for the reflectors that two limits share, empty when there are none."""
    stages = [stage for stage in first.stages if stage in second.stages]
    ranges = [limit.nestings for limit in (first, second) if limit.nestings is not None]
    low = max((r[0] for r in ranges), default=None)
    high = min((r[1] for r in ranges), default=None)
    if not stages or (ranges and low > high):
        return ""
    which = f"nestings {low}–{high}" if ranges else "all nestings"
    return f"{' and '.join(stages)} {which}"


def _ranges(numbers: Sequence[int]) -> str:
    """Write 1, 2, 3, 7 as 1–3, 7."""
    parts: list[list[int]] = []
    for number in sorted(set(numbers)):
        if parts and number == parts[-1][1] + 1:
            parts[-1][1] = number
        else:
            parts.append([number, number])
    return ", ".join(f"{a}" if a == b else f"{a}–{b}" for a, b in parts)


def _problem(where: tuple[str, int], found: str, expected: str, action: str) -> Problem:
    file, number = where
    return Problem(
        file=file,
        item=f"limit number {number}",
        found=found,
        expected=expected,
        action=action,
    )
