"""How many more photons would bring a verdict, or why no number of them would."""

import math
from dataclasses import dataclass
from typing import Literal

from beamreduce.before_after.equivalence import Assurance, normal_quantile

Reach = Literal["after", "both", "never"]


@dataclass(frozen=True, kw_only=True)
class Precision:
    """What is known of a difference, as far as planning goes.

    Parameters
    ----------
    difference, margin
        Seen difference, and largest one that does not matter; one unit.
    counting_before, counting_after
        Standard uncertainty that counting brings to each run.
    beyond_counting
        Standard uncertainty of the difference that stays whatever is counted.
    photons_after
        Net photons that the value of the second run rests on.
    """

    difference: float
    margin: float
    counting_before: float
    counting_after: float
    beyond_counting: float
    photons_after: float


@dataclass(frozen=True, kw_only=True)
class Needs:
    """What a verdict still needs.

    Parameters
    ----------
    reach
        ``after``: more photons in the second run are enough. ``both``: the first run
        would have to be repeated with more photons, too. ``never``: what does not come
        from counting is too uncertain, however many photons are taken.
    photons
        How many more in the second run; None for ``never``. For ``both`` the first run
        needs to grow by the same factor.
    factor
        How many times as many photons as now; None for ``never``.
    verdict
        Which verdict that would bring, if the difference is what it seems.
    """

    reach: Reach
    photons: float | None
    factor: float | None
    verdict: str


def more_photons(known: Precision, assurance: Assurance, tests: tuple[int, int]) -> Needs:
    """Return what a verdict still needs, if the true difference is the one seen.

    Parameters
    ----------
    known
        Precision so far.
    assurance
        How sure verdicts have to be; ``power`` is the chance that these photons suffice.
    tests
        How many tests of no change, and against margins, are still open: by Holm's rule
        each has that part of the accepted risk.

    Notes
    -----
    Counting parts scale as one over the square root of the photons, beam-off and direct
    exposures growing with them. A verdict is reached with the wanted chance when the
    difference, or what the margin leaves beyond it, is ``z(risk) + z(power)`` standard
    uncertainties (Julious 2004, Statist. Med. 23, 1921, for equivalence of two means).
    """
    shown, small = tests
    spare = normal_quantile(assurance.power)
    size = abs(known.difference)
    targets = {
        "changed": size / (normal_quantile(1 - assurance.risk / shown / 2) + spare),
        "unchanged": (known.margin - size)
        / (normal_quantile(1 - assurance.risk / small) + spare),
    }
    verdict = max(targets, key=lambda name: targets[name])
    left = targets[verdict] ** 2 - known.beyond_counting**2
    if left <= 0:
        return Needs(reach="never", photons=None, factor=None, verdict=verdict)
    reach: Reach = "after"
    factor = _grown(known.counting_after**2, left - known.counting_before**2)
    if factor is None:
        reach = "both"
        squares = known.counting_before**2 + known.counting_after**2
        factor = max(squares / left, 1.0)
    photons = known.photons_after * (factor - 1)
    return Needs(reach=reach, photons=photons, factor=factor, verdict=verdict)


def _grown(square: float, allowed: float) -> float | None:
    """Return by how much a counting variance must shrink; None when nothing is allowed."""
    if allowed <= 0:
        return None
    return max(square / allowed, 1.0) if math.isfinite(square / allowed) else None
