"""As seen from infinity: encircled energy, diameters and area of a star's image."""

import math
from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, field, replace

import numpy as np

from beamreduce.encircled_energy import HALF_POWER, NINETY
from beamreduce.infinity.configuration import Resolution
from beamreduce.infinity.fold import Described
from beamreduce.infinity.folded import Folded, folded_apart
from beamreduce.infinity.optics import Optics, tables_of, view_of
from beamreduce.infinity.replicates import (
    bias_of,
    changed_weights,
    replicate_weights,
    uneven_weights,
)
from beamreduce.infinity.slope_ladder import SlopeLadder, ladder_areas
from beamreduce.infinity.star import (
    StarCurves,
    about_own_center,
    mixture_growths,
    pair_growths,
    star_radii,
)
from beamreduce.infinity.view import View
from beamreduce.record import Uncertain

# Against rays traced one by one by other code, diameters and areas of images of known
# errors agree to this (tests/external/test_seen_from_infinity.py).
TRACED = 0.0015
_FEW = 50  # repeats that tell how much an answer counts: its deviation to a tenth
SHARES = (HALF_POWER, NINETY)


@dataclass(frozen=True, kw_only=True)
class Numbers:
    """Several sets of numbers of one image, one row a set; ratios are to the beamline's.

    Parameters
    ----------
    curves
        Light inside circles, (sets, radii).
    area_ratio
        Whole area for a star over that with the diverging beam, (sets,).
    star_mm2
        Whole area for a star, wherever its light lands, (sets,).
    inside_mm2
        What the diverging beam puts inside the reference radius of each measurement of
        this energy, by its name, (sets,).
    """

    curves: StarCurves
    area_ratio: np.ndarray
    star_mm2: np.ndarray = field(default_factory=lambda: np.zeros(0))
    inside_mm2: Mapping[str, np.ndarray] = field(default_factory=dict)

    def diameters_mm(self, share: float, reference_mm: float) -> np.ndarray:
        """Return diameters that hold a share of the light inside the reference radius."""
        return self.curves.diameter_mm(share, reference_mm)


@dataclass(frozen=True, kw_only=True)
class SeenFromInfinity:
    """The star's image at one energy, in all the ways that tell how sure it is.

    Parameters
    ----------
    by_family
        Numbers of each family that counts.
    family_weight
        Weights of those families, sum 1.
    repeats
        Numbers of repeats of the exposures, in the best family.
    changed, changed_kinds
        Numbers without (first) and with each change of the background that repeats have
        in common; ``model`` or ``systematic``.
    distance_mm
        Plane of the image.
    uneven
        Numbers with either stage preferred to be the better one; None to leave it out.
    apart
        The same from each detector distance alone, where all together are not described.
    """

    by_family: Numbers
    family_weight: np.ndarray
    repeats: Numbers
    changed: Numbers
    changed_kinds: tuple[str, ...]
    distance_mm: float
    uneven: Numbers | None = None
    apart: "tuple[SeenFromInfinity, ...]" = ()

    def quantity(self, of: Callable[[Numbers], np.ndarray]) -> Uncertain:
        """Return any number of the image with its statistical and model uncertainty.

        Parameters
        ----------
        of
            Takes numbers to one value a set.
        """
        value, *parts = self._parts(of)
        statistical, systematic, model = (float(part) for part in parts)
        return Uncertain(
            value=float(value),
            statistical=statistical,
            systematic=systematic,
            model=math.hypot(model, TRACED * float(value)),
        )

    def curve(self, radii_mm: np.ndarray, reference_mm: float) -> "Deviations":
        """Return encircled energy at radii, with everything that makes it unsure."""
        found = self._deviations(
            lambda numbers: numbers.curves.fraction(radii_mm, reference_mm)
        )
        # The trace is sure of sizes to a part of them, of shares to what that changes;
        # a larger image has less inside the reference radius, too, where the share is 1.
        inner = (1 - TRACED) * np.append(radii_mm, reference_mm)
        as_it_is, smaller = (
            self.family_weight @ self.by_family.curves.fraction(at, reference_mm)
            for at in (radii_mm, inner)
        )
        traced = as_it_is - smaller[:-1] / smaller[-1]
        return replace(found, model=np.vstack([found.model, traced]))

    def _parts(self, of: Callable[[Numbers], np.ndarray]) -> tuple[np.ndarray, ...]:
        """Value, and statistical, systematic and model part, the trace's own left out."""
        found = self._deviations(of)
        return found.value, found.statistical, *found.rest

    def _deviations(self, of: Callable[[Numbers], np.ndarray]) -> "Deviations":
        """Value and deviations from it, the trace's own left out.

        Where distances are told apart, the spread of their answers about the joint one is
        a model part; each counts by its own variance, since a plane far out of focus
        tells little.
        """
        values = of(self.by_family)
        value = self.family_weight @ values
        spread = (np.sqrt(self.family_weight) * (values - value).T).T
        changes = of(self.changed)
        kinds = np.array(self.changed_kinds, dtype=object)
        moved = changes[1:] - changes[0]
        alone = []
        for one in self.apart:
            with suppress(KeyError):  # asked for a measurement at another distance
                alone.append(one._parts(of))
        counts = np.array(
            [1 / np.maximum(sum(p**2 for p in parts), 1e-300) for _, *parts in alone]
        )
        apart = np.array(
            [
                np.sqrt(count / counts.sum(axis=0)) * (other - value)
                for count, (other, *_) in zip(counts, alone, strict=True)
            ]
        ).reshape(len(alone), *np.shape(value))
        stages = np.empty((0, *np.shape(value)))
        if self.uneven is not None:
            # One way or the other: the mean square of both.
            stages = (of(self.uneven) - changes[0]) / math.sqrt(2)
        repeats = of(self.repeats)
        # Shares that are held at zero draw repeats to one side of the fit that they were
        # drawn from: that counts as well.
        about_fit = repeats - changes[0]
        return Deviations(
            value=value - bias_of(repeats, changes[0]),
            repeats=about_fit / math.sqrt(len(repeats)),
            systematic=moved[kinds == "systematic"],
            model=np.concatenate([spread, apart, stages, moved[kinds == "model"]]),
        )


@dataclass(frozen=True, kw_only=True)
class Deviations:
    """Numbers and by how much each cause moves all of them together.

    Parameters
    ----------
    value
        The numbers, any shape.
    repeats
        Deviations of repeats of the exposures over the square root of their number, one
        row each: the sum of their products is the covariance.
    systematic, model
        One row for each cause: a change by one standard uncertainty.
    """

    value: np.ndarray
    repeats: np.ndarray
    systematic: np.ndarray
    model: np.ndarray

    @property
    def statistical(self) -> np.ndarray:
        """Root mean square of repeats about the fit they were drawn from."""
        return _added(self.repeats)

    @property
    def rest(self) -> tuple[np.ndarray, np.ndarray]:
        """Systematic and model part, causes added in quadrature."""
        return _added(self.systematic), _added(self.model)


def _added(rows: np.ndarray) -> np.ndarray:
    return np.sqrt((rows**2).sum(axis=0))


@dataclass(frozen=True, kw_only=True)
class StarPlane:
    """A plane where a star's image is wanted, at all energies.

    Parameters
    ----------
    distance_mm
        Behind the reference plane.
    reference_rad
        Largest angle that matters.
    """

    distance_mm: float
    reference_rad: float


def star_views(
    optics: Optics, resolution: Resolution, distances_mm: Sequence[float]
) -> tuple[tuple[View, ...], ...]:
    """Trace a star; returns views by distance and energy, without pixel or source."""
    star = optics.for_star()
    grid = resolution.grid(max(distances_mm))
    tables = tables_of(
        star, distances_mm, resolution.errors, grid, turned=resolution.turned
    )
    return tuple(
        tuple(view_of(star, tables, (d, e, mm), 0.0) for e in range(star.energies))
        for d, mm in enumerate(distances_mm)
    )


def seen_from_infinity(
    folded: Folded, plane: StarPlane, replicates: int, rng: np.random.Generator
) -> dict[int, SeenFromInfinity]:
    """Apply everything that describes a configuration to a star, at each energy.

    Where no mixture describes all detector distances together, each distance alone shows
    how far apart the answers are.
    """
    best = folded.best.described
    repeats = replicate_weights(best, replicates, rng)
    changed, kinds = changed_weights(best)
    uneven = uneven_weights(best)
    views = star_views(folded.optics, folded.resolution, [plane.distance_mm])[0]
    radii = star_radii(
        folded.resolution.hpd_rad * plane.distance_mm / 2,
        plane.reference_rad * plane.distance_mm,
    )
    apart = [] if folded.accepted else list(folded_apart(folded))
    alone = [seen_from_infinity(one, plane, _FEW, rng) for one in apart]
    result = {}
    for energy in folded.energies:
        view = views[energy]
        named = {i: one.id for i, one in enumerate(folded.measured) if one.energy == energy}
        near = folded.near(energy)
        pair = _Pair(star=view, near=near, radii_mm=radii, named=named)
        families, weight = folded.counting
        of_repeats, of_changed, of_uneven = pair.of_sets(best, (repeats, changed, uneven))
        result[energy] = SeenFromInfinity(
            by_family=pair.by_family([f.described for f in families]),
            family_weight=weight,
            repeats=of_repeats,
            changed=of_changed,
            changed_kinds=kinds,
            distance_mm=plane.distance_mm,
            uneven=of_uneven,
            apart=tuple(one[energy] for one in alone if energy in one),
        )
    return result


@dataclass(frozen=True, kw_only=True)
class _Pair:
    """The image of a star, and one with the diverging beam at the same energy."""

    star: View
    near: View
    radii_mm: np.ndarray
    named: Mapping[int, str]  # measurements of this energy, by their place in the fold

    def inside(self, described: Described) -> dict[str, np.ndarray]:
        """Light of each pair of slope errors inside the reference radii, (pairs,), mm²."""
        return {
            name: described.data[i].columns.sum(axis=0) for i, name in self.named.items()
        }

    def by_family(self, families: Sequence[Described]) -> Numbers:
        """Numbers of the mixtures of several families, one a row."""
        mixtures = [(f.ladder, f.mixture.weights) for f in families]
        growth = mixture_growths(self.star, self.radii_mm, mixtures)
        ratio = [
            (view_area(self.star, ladder) @ w) / (view_area(self.near, ladder) @ w)
            for ladder, w in mixtures
        ]
        star = [view_area(self.star, ladder) @ w for ladder, w in mixtures]
        inside = [
            {name: pairs @ f.mixture.weights for name, pairs in self.inside(f).items()}
            for f in families
        ]
        return Numbers(
            curves=StarCurves(radii_mm=self.radii_mm, growth=growth),
            area_ratio=np.array(ratio),
            star_mm2=np.array(star),
            inside_mm2={
                name: np.array([one[name] for one in inside])
                for name in self.named.values()
            },
        )

    def of_sets(self, best: Described, sets: Sequence[np.ndarray]) -> list[Numbers]:
        """Numbers of sets of mixtures of one family, one mixture a row."""
        ladder = best.ladder
        own = about_own_center(self.star, self.radii_mm[-1], ladder, best.mixture.weights)
        pairs = pair_growths(own, self.radii_mm, ladder).T
        star, near = (view_area(view, ladder) for view in (self.star, self.near))
        inside = self.inside(best)
        return [
            Numbers(
                curves=StarCurves(radii_mm=self.radii_mm, growth=rows @ pairs),
                area_ratio=(rows @ star) / (rows @ near),
                star_mm2=rows @ star,
                inside_mm2={name: rows @ one for name, one in inside.items()},
            )
            for rows in (one / one.sum(axis=1, keepdims=True) for one in sets)
        ]


def view_area(view: View, ladder: SlopeLadder) -> np.ndarray:
    """Return the effective area wherever light lands, (pairs,), mm²."""
    return sum(
        ladder_areas(plane.table, ladder)[plane.energy] * azimuths.share.sum()
        for plane, azimuths in zip(view.planes, view.azimuths, strict=True)
    )
