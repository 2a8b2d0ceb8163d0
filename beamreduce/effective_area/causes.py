"""Causes of uncertainty of a whole curve: what each one changes at every energy.

The covariance of a curve is the sum of the outer products of its causes, so a curve of
thousands of energies keeps its covariance whole in a few rows (JCGM 102:2011, 6.2: linear
propagation of several output quantities).
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from beamreduce.effective_area.terms import KINDS, Term

Key = tuple[str, str]  # kind, name


@dataclass(frozen=True, kw_only=True)
class Causes:
    """Relative changes of values when each cause is larger by one standard uncertainty.

    Parameters
    ----------
    changes
        By kind (``statistical``, ``systematic``, ``model``) and name: shape (values,).
    size
        Number of values.
    """

    changes: Mapping[Key, np.ndarray]
    size: int

    def covariance(self) -> np.ndarray:
        """Relative covariance, shape (values, values)."""
        rows = np.array(list(self.changes.values())).reshape(-1, self.size)
        return rows.T @ rows

    def relative(self, kind: str | None = None) -> np.ndarray:
        """Relative standard uncertainty of every value, of one kind or of all."""
        rows = [c for (k, _), c in self.changes.items() if kind in (None, k)]
        return np.sqrt(np.sum(np.square(rows), axis=0)) if rows else np.zeros(self.size)

    def mapped(self, matrix: np.ndarray) -> "Causes":
        """Return the causes of linear combinations of the (logarithms of the) values.

        Parameters
        ----------
        matrix
            Shape (new values, values).
        """
        return Causes(
            changes={key: matrix @ row for key, row in self.changes.items()},
            size=matrix.shape[0],
        )

    def plus(self, other: "Causes", sign: float = 1.0) -> "Causes":
        """Return those of a product of values; what both share adds with its sign."""
        total = dict(self.changes)
        for key, row in other.changes.items():
            total[key] = total[key] + sign * row if key in total else sign * row
        return Causes(changes=total, size=self.size)

    def at(self, places: Sequence[int]) -> "Causes":
        """Return those of some of the values."""
        chosen = list(places)
        return Causes(
            changes={key: row[chosen] for key, row in self.changes.items()},
            size=len(chosen),
        )

    def interpolated(self, known: np.ndarray, wanted: np.ndarray) -> "Causes":
        """Return those at other places, straight lines between, even beyond the ends."""
        return Causes(
            changes={k: np.interp(wanted, known, row) for k, row in self.changes.items()},
            size=wanted.size,
        )


def causes_of_terms(terms: Sequence[tuple[str, Sequence[Term]]]) -> Causes:
    """Return the causes of measured values.

    Parameters
    ----------
    terms
        Name of each value and its terms; a term with a shared name is one cause of all
        values that have it, the others are causes of one value alone.
    """
    size = len(terms)
    changes: dict[Key, np.ndarray] = {}
    for place, (name, own) in enumerate(terms):
        alone = dict.fromkeys(KINDS, 0.0)
        for term in own:
            if not term.shared:
                alone[term.kind] += term.relative**2
            elif term.relative:
                row = changes.setdefault((term.kind, term.shared), np.zeros(size))
                row[place] += term.relative
        for kind, square in alone.items():
            if square:
                row = changes.setdefault((kind, f"{name} alone"), np.zeros(size))
                row[place] = np.sqrt(square)
    return Causes(changes=changes, size=size)
