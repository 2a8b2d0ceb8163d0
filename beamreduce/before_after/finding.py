"""One question about a pair of runs, and how its answer is judged with all the others."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from beamreduce.before_after.difference import Difference
from beamreduce.before_after.equivalence import (
    Assurance,
    Verdict,
    chance_at_margin,
    chance_without_change,
    holm,
    normal_quantile,
    verdicts,
)
from beamreduce.before_after.photons import Needs, Precision, more_photons
from beamreduce.record import Uncertain


@dataclass(frozen=True, kw_only=True)
class Finding:
    """The difference of one quantity, before it is judged with the others.

    Parameters
    ----------
    id
        Measurement, by its name in the first run.
    key
        Quantity: a key of results.json, or one of this room's own.
    unit
        Of all its numbers; empty for shares.
    before, after
        Values of both runs.
    difference
        After less before.
    margin
        Largest change that does not matter, in that unit.
    photons_after
        Net photons that the value after rests on.
    at_arcsec
        Of a curve: the radius that these numbers are for, the most telling one.
    chances
        Chances without change and at the margin, where the numbers above do not give
        them: those of a whole curve.
    """

    id: str
    key: str
    unit: str
    before: Uncertain
    after: Uncertain
    difference: Difference
    margin: float
    photons_after: float
    at_arcsec: float | None = None
    chances: tuple[float, float] | None = None

    def both_chances(self) -> tuple[float, float]:
        """Return the chances of such a difference without change, and at the margin."""
        if self.chances is not None:
            return self.chances
        value, sigma = self.difference.quantity.value, self.difference.quantity.uncertainty
        return (
            float(chance_without_change(value, sigma)),
            float(chance_at_margin(value, sigma, self.margin)),
        )


@dataclass(frozen=True, kw_only=True)
class Judged:
    """A finding with its verdict.

    Parameters
    ----------
    finding
        What was found.
    verdict
        ``unchanged``, ``changed`` or ``undecided``.
    without_change, at_margin
        Chances held together with those of all other findings, by Holm's rule.
    interval
        Where the change lies with ``2 confidence − 1``, of this quantity alone: it is
        inside the margins when this quantity alone would be called unchanged.
    needs
        What a verdict needs where there is none.
    """

    finding: Finding
    verdict: Verdict
    without_change: float
    at_margin: float
    interval: tuple[float, float]
    needs: Needs | None

    @property
    def sentence(self) -> str:
        """What a person should take home."""
        unit = f" {self.finding.unit}" if self.finding.unit else ""
        margin = f"{self.finding.margin:.3g}{unit}"
        seen = f"{_signed(self.finding.difference.quantity)}{unit}"
        if self.verdict == "unchanged":
            return f"unchanged within {margin} ({seen} seen)"
        if self.verdict == "changed":
            return f"changed by {seen}"
        return f"cannot tell: {needs_text(self.needs)} ({seen} seen, margin {margin})"


def judge(findings: Sequence[Finding], assurance: Assurance) -> tuple[Judged, ...]:
    """Judge all findings of one pair of runs together."""
    if not findings:
        return ()
    chances = np.array([finding.both_chances() for finding in findings])
    shown, small = (holm(column) for column in chances.T)
    found = verdicts(shown, small, assurance)
    open_tests = tuple(
        max(int(np.sum(adjusted > assurance.risk)), 1) for adjusted in (shown, small)
    )
    half = normal_quantile(assurance.confidence)
    judged = []
    for k, finding in enumerate(findings):
        value = finding.difference.quantity.value
        reach = half * finding.difference.quantity.uncertainty
        needs = None
        if found[k] == "undecided":
            needs = more_photons(_precision(finding), assurance, open_tests)
        judged.append(
            Judged(
                finding=finding,
                verdict=found[k],
                without_change=float(shown[k]),
                at_margin=float(small[k]),
                interval=(value - reach, value + reach),
                needs=needs,
            )
        )
    return tuple(judged)


def overall(judged: Sequence[Judged]) -> Verdict:
    """Return one word for everything that was compared."""
    words = {one.verdict for one in judged}
    if "changed" in words:
        return "changed"
    return "unchanged" if words == {"unchanged"} else "undecided"


def needs_text(needs: Needs | None) -> str:
    """Say in words what a verdict still needs."""
    if needs is None:
        return "nothing more is needed"
    if needs.reach == "never":
        return (
            "no number of photons would tell, since what does not come from counting is "
            "larger than the margin allows"
        )
    count = rounded_up(needs.photons)
    if needs.reach == "both":
        return (
            f"needs {count} more photons after, and {needs.factor:.2g} times as many "
            f"before, too: the first run by itself is not precise enough"
        )
    return f"needs {count} more photons after"


def rounded_up(photons: float) -> str:
    """Write a number of photons with two figures, never less than it is."""
    if photons <= 0:
        return "0"
    step = 10.0 ** (math.floor(math.log10(photons)) - 1)
    return f"{max(math.ceil(photons / step - 1e-9) * step, 1):,.0f}".replace(",", " ")


def _precision(finding: Finding) -> Precision:
    difference = finding.difference
    return Precision(
        difference=difference.quantity.value,
        margin=finding.margin,
        counting_before=difference.counting_before,
        counting_after=difference.counting_after,
        beyond_counting=difference.beyond_counting,
        photons_after=finding.photons_after,
    )


def _signed(quantity: Uncertain) -> str:
    """Write a difference and its uncertainty, the latter with two figures."""
    sigma = quantity.uncertainty
    if sigma <= 0:
        return f"{quantity.value:+.4g}"
    places = max(1 - math.floor(math.log10(sigma)), 0)
    return f"{quantity.value:+z.{places}f} ± {sigma:.{places}f}"
