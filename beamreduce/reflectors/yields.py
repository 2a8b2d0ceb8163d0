"""How many came out well: intervals, groups that stand out, batches that suffice."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from scipy.stats import beta, betabinom, binom, fisher_exact, norm

from beamreduce.errors import SettingsError

CONFIDENCE = 0.95
_MOST_FORMED = 10_000_000


def yield_interval(
    good: int, formed: int, *, confidence: float = CONFIDENCE, exact: bool = True
) -> tuple[float, float]:
    """Return the confidence interval of a yield, ``good`` out of ``formed``.

    Exact limits (Clopper & Pearson 1934, Biometrika 26, 404), which cover at least what
    they claim; or with ``exact=False`` those of the score test (Wilson 1927, J. Am. Stat.
    Assoc. 22, 209), which cover it on average.
    """
    _check(good, formed)
    if not 0 < confidence < 1:
        raise SettingsError(f"confidence must be between 0 and 1; got {confidence:g}")
    tail = (1 - confidence) / 2
    if exact:
        low = float(beta.ppf(tail, good, formed - good + 1)) if good else 0.0
        all_good = good == formed
        high = 1.0 if all_good else float(beta.ppf(1 - tail, good + 1, formed - good))
        return low, high
    z = float(norm.ppf(1 - tail))
    share = good / formed
    middle = share + z * z / (2 * formed)
    width = z * math.sqrt(share * (1 - share) / formed + (z / (2 * formed)) ** 2)
    scale = 1 + z * z / formed
    return max(0.0, (middle - width) / scale), min(1.0, (middle + width) / scale)


@dataclass(frozen=True, kw_only=True)
class GroupYield:
    """Yield of one batch, mandrel or coating run.

    Parameters
    ----------
    kind, name
        What sort of group, and which.
    good, formed
        Of flight grade, and all that were graded.
    low, high
        Confidence interval of the yield.
    probability
        Of a yield that differs from the others' by as much, by chance; adjusted for the
        number of groups looked at.
    stands_out
        ``low`` or ``high`` where that is below 1 − confidence, else empty.
    Sq_limit
        Sq in nm that nine of ten such reflectors stay below, with confidence; None where
        it cannot be had.
    """

    kind: str
    name: str
    good: int
    formed: int
    low: float
    high: float
    probability: float
    stands_out: str
    Sq_limit: float | None = None

    @property
    def share(self) -> float:
        """Good over formed."""
        return self.good / self.formed


def group_yields(
    kind: str, counts: Mapping[str, tuple[int, int]], *, confidence: float = CONFIDENCE
) -> tuple[GroupYield, ...]:
    """Return the yield of every group, and which stand out from all others together.

    Parameters
    ----------
    kind
        ``batch``, ``mandrel``, ``coating_run``.
    counts
        Good and formed by name of the group.
    confidence
        Of the intervals and of the verdict.

    Notes
    -----
    Each group against the rest by Fisher's exact test; the probabilities are adjusted for
    the number of groups (Holm 1979, Scand. J. Stat. 6, 65), so that with no difference
    at all one set of groups in twenty has any that stands out.
    """
    total_good = sum(good for good, _ in counts.values())
    total = sum(formed for _, formed in counts.values())
    raw = {}
    for name, (good, formed) in counts.items():
        _check(good, formed)
        others = total_good - good, total - formed
        table = [[good, formed - good], [others[0], others[1] - others[0]]]
        raw[name] = float(fisher_exact(table).pvalue) if others[1] else 1.0
    adjusted = _holm(raw)
    groups = []
    for name, (good, formed) in counts.items():
        low, high = yield_interval(good, formed, confidence=confidence)
        out = ""
        if adjusted[name] < 1 - confidence:
            rest = (total_good - good) / (total - formed)
            out = "low" if good / formed < rest else "high"
        groups.append(
            GroupYield(
                kind=kind,
                name=name,
                good=good,
                formed=formed,
                low=low,
                high=high,
                probability=adjusted[name],
                stands_out=out,
            )
        )
    return tuple(groups)


def _holm(raw: Mapping[str, float]) -> dict[str, float]:
    adjusted, largest = {}, 0.0
    for rank, name in enumerate(sorted(raw, key=lambda key: (raw[key], key))):
        largest = max(largest, min(1.0, (len(raw) - rank) * raw[name]))
        adjusted[name] = largest
    return adjusted


@dataclass(frozen=True, kw_only=True)
class Yield:
    """What is known of a yield: known exactly, or seen in a trial.

    Parameters
    ----------
    good, formed
        Of the trial; the yield is uncertain as the trial is small.
    known
        The yield itself, instead of a trial.
    """

    good: int = 0
    formed: int = 0
    known: float | None = None

    def __post_init__(self) -> None:
        if self.known is None:
            _check(self.good, self.formed)
        elif not 0 <= self.known <= 1:
            raise SettingsError(f"a yield must be from 0 to 1; got {self.known:g}")

    @property
    def value(self) -> float:
        """The known yield, or that of the trial."""
        return self.good / self.formed if self.known is None else self.known


def probability_that_batch_suffices(needed: int, to_form: int, chance: Yield) -> float:
    """Return the probability that at least ``needed`` of ``to_form`` come out well.

    Binomial for a known yield. After a trial the yield itself is uncertain: beta-binomial
    with Jeffreys' prior (Brown, Cai & DasGupta 2001, Stat. Sci. 16, 101), which says less.
    """
    if needed <= 0:
        return 1.0
    if to_form < needed:
        return 0.0
    if chance.known is not None:
        return float(binom.sf(needed - 1, to_form, chance.known))
    bad = chance.formed - chance.good
    return float(betabinom.sf(needed - 1, to_form, chance.good + 0.5, bad + 0.5))


def batch_that_suffices(
    needed: int, chance: Yield, *, confidence: float = CONFIDENCE
) -> int | None:
    """Return the smallest number to form with which enough come out well.

    None when no batch of up to ten million does.
    """
    if not 0 < confidence < 1:
        raise SettingsError(f"confidence must be between 0 and 1; got {confidence:g}")
    if needed <= 0:
        return 0
    low, high = needed - 1, needed
    while probability_that_batch_suffices(needed, high, chance) < confidence:
        low, high = high, 2 * high
        if high > _MOST_FORMED:
            return None
    while high - low > 1:
        middle = (low + high) // 2
        if probability_that_batch_suffices(needed, middle, chance) < confidence:
            low = middle
        else:
            high = middle
    return high


def pooled(groups: Sequence[tuple[int, int]]) -> Yield:
    """Return the trial that several trials make together."""
    return Yield(good=sum(g for g, _ in groups), formed=sum(n for _, n in groups))


def _check(good: int, formed: int) -> None:
    if not (0 <= good <= formed and formed > 0):
        raise SettingsError(
            f"good must be between 0 and formed, and formed above 0; got {good} of {formed}"
        )
