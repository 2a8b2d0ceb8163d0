"""A difference can be shown to be small, shown to be there, or neither.

Two questions are asked of every difference, each with its own error rate. *Is it there?* is
a two-sided test of no difference. *Is it smaller than the margin?* is a pair of one-sided
tests, one against each end of the margin (Schuirmann 1987, J. Pharmacokin. Biopharm. 15,
657): a difference that cannot be seen is no proof that nothing changed. Many questions of
one pair of runs are held together by Holm's rule (Holm 1979, Scand. J. Statist. 6, 65),
which needs no assumption about how the quantities depend on each other.
"""

from dataclasses import dataclass
from typing import Literal

import numpy as np
from scipy.special import ndtr, ndtri

from beamreduce.errors import SettingsError

Verdict = Literal["unchanged", "changed", "undecided"]


@dataclass(frozen=True, kw_only=True)
class Assurance:
    """How sure verdicts have to be.

    Parameters
    ----------
    confidence
        One less the chance, over all quantities together, that any of them is called
        changed though nothing changed; and likewise that any is called unchanged though
        it changed by its margin.
    power
        Chance that the photons which are asked for will bring a verdict.
    """

    confidence: float = 0.95
    power: float = 0.9

    def __post_init__(self) -> None:
        for name, least in (("confidence", 0.5), ("power", 0.5)):
            value = getattr(self, name)
            if not least <= value < 1:
                raise SettingsError(
                    f"{name} must be from {least:g} to below 1; got {value!r}"
                )

    @property
    def risk(self) -> float:
        """Chance of a wrong verdict that is accepted."""
        return 1.0 - self.confidence


def chance_without_change(
    difference: np.ndarray | float, uncertainty: np.ndarray | float
) -> np.ndarray:
    """Return the chance of a difference this large when nothing changed, two-sided.

    Parameters
    ----------
    difference, uncertainty
        Values and standard uncertainties of a normal law, any one unit. Without
        uncertainty any difference is certain.
    """
    size = np.abs(np.asarray(difference, dtype=float))
    return np.asarray(2 * ndtr(-_ratio(size, uncertainty)))


def chance_at_margin(
    difference: np.ndarray | float,
    uncertainty: np.ndarray | float,
    margin: np.ndarray | float,
) -> np.ndarray:
    """Return the chance of a difference this small when it truly is as large as the margin.

    The larger of the two one-sided tests (Schuirmann 1987).

    Parameters
    ----------
    difference, uncertainty
        Values and standard uncertainties of a normal law.
    margin
        Largest change that does not matter, above zero, in the same unit.
    """
    room = np.asarray(margin, dtype=float) - np.abs(np.asarray(difference, dtype=float))
    return np.asarray(ndtr(-_ratio(room, uncertainty)))


def holm(chances: np.ndarray) -> np.ndarray:
    """Return chances that hold for all of several tests together, by Holm's rule.

    The smallest is multiplied by the number of tests, the next by one less, and so on,
    none below the one before it and none above 1 (Holm 1979).
    """
    chances = np.asarray(chances, dtype=float)
    order = np.argsort(chances, kind="stable")
    steps = np.arange(chances.size, 0, -1) * chances[order]
    adjusted = np.empty_like(chances)
    adjusted[order] = np.minimum(np.maximum.accumulate(steps), 1.0)
    return adjusted


def verdicts(
    without_change: np.ndarray, at_margin: np.ndarray, assurance: Assurance
) -> tuple[Verdict, ...]:
    """Return the verdict on each quantity.

    Parameters
    ----------
    without_change, at_margin
        Chances from the two kinds of tests, already held together by :func:`holm`.
    assurance
        How sure verdicts have to be.

    Notes
    -----
    What is shown to be within its margin is *unchanged*, even when a smaller difference
    is seen: the margin says what does not matter.
    """
    risk = assurance.risk

    def of(seen: float, small: float) -> Verdict:
        if small <= risk:
            return "unchanged"
        return "changed" if seen <= risk else "undecided"

    return tuple(of(*pair) for pair in zip(without_change, at_margin, strict=True))


def normal_quantile(chance: float) -> float:
    """Return the number that a standard normal value is below with a given chance."""
    return float(ndtri(chance))


def _ratio(size: np.ndarray, uncertainty: np.ndarray | float) -> np.ndarray:
    """Size over uncertainty; without uncertainty the sign of the size times infinity."""
    sigma = np.broadcast_to(np.asarray(uncertainty, dtype=float), np.shape(size))
    certain = np.where(size > 0, np.inf, np.where(size < 0, -np.inf, 0.0))
    return np.divide(size, sigma, out=certain, where=sigma > 0)
