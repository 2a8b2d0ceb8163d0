"""What the images of quadrants tell of a mean error of their cones, alone and together.

Reflectors of all quadrants come from the same mandrels, so that one error common to all
is looked for; where the quadrants contradict each other, each has its own.
"""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from scipy.interpolate import PchipInterpolator
from scipy.stats import chi2

from beamreduce.infinity.families import above_least
from beamreduce.infinity.folded import Folded
from beamreduce.infinity.slope_ladder import SlopeLadder

Mixture = tuple[SlopeLadder, np.ndarray]
_UNLIKELY = 1e-3  # chance of so large a contradiction; likelihood of cones as designed
_FINE = 4001
_ALLOWED, _FEWEST = 30.0, 3  # χ² above the least up to which centers count; always four


@dataclass(frozen=True, kw_only=True)
class ConesSeen:
    """What the images of one quadrant tell of a mean error of its cones.

    Parameters
    ----------
    mean_rad
        Errors that were tried, ascending, 0 among them, (n,).
    above
        How far χ² is above its least, over the misfit where the best fits badly, (n,).
    place_mm
        Where each puts the center of an image, from the mirror's axis, (n, 2) by
        measurement.
    mixtures
        Slope errors that each needs: ladder and weights, n of them.
    """

    mean_rad: np.ndarray
    above: np.ndarray
    place_mm: Mapping[str, np.ndarray]
    mixtures: tuple[Mixture, ...]

    def above_at(self, mean_rad: np.ndarray) -> np.ndarray:
        """Return how far χ² is above its least for errors between those tried."""
        return PchipInterpolator(self.mean_rad, self.above)(mean_rad)

    def place_at(self, identity: str, mean_rad: np.ndarray) -> np.ndarray:
        """Return where errors that the images allow put a center, (n, 2).

        A smooth curve: each family's own center jitters by parts of a bin of its rings.
        """
        allowed = self.above <= max(_ALLOWED, np.partition(self.above, _FEWEST)[_FEWEST])
        x, places = self.mean_rad[allowed], self.place_mm[identity][allowed]
        degree = min(3, x.size // 3)
        scale = np.abs(x).max() or 1.0
        curve = np.polynomial.polynomial.polyfit(x / scale, places, degree)
        return np.polynomial.polynomial.polyval(np.asarray(mean_rad) / scale, curve).T

    def mixture_near(self, mean_rad: float, but_not: Mixture | None = None) -> Mixture:
        """Return the slope errors of the error tried that is nearest, one left out."""
        order = np.argsort(np.abs(self.mean_rad - mean_rad), kind="stable")
        return next(self.mixtures[k] for k in order if self.mixtures[k] is not but_not)


@dataclass(frozen=True, kw_only=True)
class ConesTold:
    """Errors of the cones that images leave open, and how likely each is.

    Parameters
    ----------
    mean_rad
        Errors, ascending, 0 among them, (n,).
    weight
        Chance of each, sum 1.
    allows_design
        True where cones as designed are not ruled out.
    common
        True where all quadrants have the same error.
    """

    mean_rad: np.ndarray
    weight: np.ndarray
    allows_design: bool
    common: bool

    @property
    def best_rad(self) -> float:
        """The error that fits best."""
        return float(self.mean_rad[self.weight.argmax()])

    @property
    def likely_rad(self) -> float:
        """The error that predictions are made with: none, unless that is ruled out."""
        return 0.0 if self.allows_design else self.best_rad

    @property
    def other_rad(self) -> float:
        """Another that may be: the best, or a standard deviation from it."""
        if self.allows_design:
            return self.best_rad
        mean = self.weight @ self.mean_rad
        return self.best_rad + float(self.weight @ (self.mean_rad - mean) ** 2) ** 0.5


def cones_seen(folded: Folded) -> ConesSeen:
    """Collect what the families of one quadrant's fold tell.

    Errors of the primary and of the secondary move an image alike, so those of one stage
    stand for both: of the stage that fits best.
    """
    best = folded.best
    stage = best.stage if best.size_rad else folded.families[-1].stage
    families = sorted(
        (f for f in folded.families if f.stage in ("none", stage) and not f.either_rad),
        key=lambda f: f.mean_rad,
    )
    return ConesSeen(
        mean_rad=np.array([f.mean_rad for f in families]),
        above=above_least(families),
        place_mm={
            one.id: np.array([f.described.center_mm(one.id) for f in families])
            for one in folded.measured
        },
        mixtures=tuple((f.described.ladder, f.described.mixture.weights) for f in families),
    )


def cones_told(seen: Mapping[str, ConesSeen]) -> dict[str, ConesTold]:
    """Say which errors of the cones all quadrants together leave open.

    The sum of their χ², each over its least, is χ² distributed with one degree of freedom
    less than there are quadrants where they have one error in common (a parameter shared
    by several fits). Where that is contradicted, each quadrant is judged by itself.

    Returns
    -------
    dict
        By quadrant.
    """
    if not seen:
        return {}
    low = max(one.mean_rad[0] for one in seen.values())
    high = min(one.mean_rad[-1] for one in seen.values())
    means = _between(low, high)
    above = sum(one.above_at(means) for one in seen.values())
    if chi2.sf(above.min(), len(seen) - 1) >= _UNLIKELY or len(seen) == 1:
        return dict.fromkeys(seen, _told(means, above, common=True))
    found = {}
    for name, one in seen.items():
        own = _between(one.mean_rad[0], one.mean_rad[-1])
        found[name] = _told(own, one.above_at(own), common=False)
    return found


def _between(low: float, high: float) -> np.ndarray:
    """Errors from low to high, 0 among them."""
    return np.unique(np.append(np.linspace(low, high, _FINE), 0.0))


def _told(means: np.ndarray, above: np.ndarray, *, common: bool) -> ConesTold:
    likelihood = np.exp(-0.5 * (above - above.min()))
    # Any error is as likely as another before: each stands for the stretch about it.
    weight = likelihood * np.gradient(means)
    return ConesTold(
        mean_rad=means,
        weight=weight / weight.sum(),
        allows_design=bool(likelihood[means == 0.0][0] > _UNLIKELY),
        common=common,
    )
