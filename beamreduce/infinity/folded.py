"""One configuration folded: the families of slope errors that describe its rings."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy.stats import chi2

from beamreduce.infinity.configuration import (
    Measured,
    Resolution,
    resolution_of,
    rings_to_fold,
)
from beamreduce.infinity.families import (
    ACCEPTED,
    ALIKE,
    EITHER,
    ConeError,
    Family,
    Kind,
    Surfaces,
    families_with,
    fitted_families,
    likelihoods,
)
from beamreduce.infinity.fold import MeasuredRings
from beamreduce.infinity.optics import Optics
from beamreduce.infinity.scatter_width import scatter_width
from beamreduce.infinity.view import View

LIKELY = 0.05  # families of less hardly change a mean or a spread
_COUNTS = 5e-3  # families of less weight are left out


@dataclass(frozen=True, kw_only=True)
class Folded:
    """One configuration folded: what describes it, and how well.

    Parameters
    ----------
    optics, measured, resolution
        What was folded, and how finely.
    families, weight
        All families that were tried, and their weights.
    given
        What was known of the surfaces before.
    """

    optics: Optics
    measured: tuple[Measured, ...]
    resolution: Resolution
    families: tuple[Family, ...]
    weight: np.ndarray
    given: Surfaces | None = None

    @property
    def best(self) -> Family:
        """The family with the least chi-square."""
        return min(self.families, key=lambda family: family.chi_square)

    @property
    def as_designed(self) -> Family:
        """The family without a mean error."""
        return next(family for family in self.families if not family.size_rad)

    @property
    def counting(self) -> tuple[tuple[Family, ...], np.ndarray]:
        """The families that count, and their weights, sum 1."""
        chosen = np.flatnonzero(self.weight >= _COUNTS * self.weight.max())
        weight = self.weight[chosen]
        return tuple(self.families[k] for k in chosen), weight / weight.sum()

    @property
    def surfaces(self) -> Surfaces:
        """What this tells of the surfaces, for folds of the same mirror's other light."""
        families, weight = self.counting
        cones = tuple(
            ConeError(
                stage=f.stage,
                mean_rad=f.size_rad,
                weight=float(w),
                either_sign=bool(f.either_rad),
            )
            for f, w in zip(families, weight, strict=True)
            if w > LIKELY * weight.max()
        )
        if all(cone.mean_rad for cone in cones):
            # Wanted by every fold, however unlikely.
            cones += (ConeError(stage="none", mean_rad=0.0, weight=0.0),)
        return Surfaces(cone_errors=cones, scatter_rad=self.resolution.scatter_rad)

    @property
    def energies(self) -> tuple[int, ...]:
        """Which energies of the optics were measured."""
        return tuple(sorted({one.energy for one in self.measured}))

    def near(self, energy: int) -> View:
        """Return a view with the diverging beam at an energy that was measured."""
        pairs = zip(self.measured, self.best.described.rings, strict=True)
        return next(rings.view for one, rings in pairs if one.energy == energy)

    @property
    def chance(self) -> float:
        """Chance of a chi-square larger than the best family's."""
        mixture = self.best.described.mixture
        return float(chi2.sf(mixture.chi_square, mixture.degrees_of_freedom))

    @property
    def accepted(self) -> bool:
        """False when not even the best family describes the rings."""
        return self.chance >= ACCEPTED


def fold(
    optics: Optics,
    measured: Sequence[Measured],
    progress: Callable[[int, int], None] | None = None,
    surfaces: Surfaces | None = None,
    kinds: Sequence[Kind] | None = None,
) -> Folded:
    """Describe all measurements of one configuration together, by every family.

    Parameters
    ----------
    optics
        Nest and light.
    measured
        Measurements of one aperture, off-axis angle and azimuth, at one or more detector
        distances and energies.
    progress
        Called with what is done, and of how many parts.
    surfaces
        What a fold on the axis has found of the surfaces. Without, or where that does
        not describe the rings, all is tried.
    kinds
        The kinds of mean error that are tried before all are. All, when None: on either
        stage; where all data come from one detector distance, which cannot tell an error
        common to all reflectors from errors of both signs, those as well.
    """
    # Off the axis turned cones would cost three times as much for a few parts in a
    # thousand of the area; there a mean error turns rays only.
    turned = not optics.off_axis_rad
    resolution = replace(resolution_of(measured), turned=turned)
    if surfaces is None:
        width = scatter_width(optics, measured, resolution)
    else:
        width = surfaces.scatter_rad
    resolution = replace(resolution, scatter_rad=width)
    rings = rings_to_fold(optics, measured, resolution)
    if surfaces is not None:
        cones = surfaces.cone_errors
        families, weight = families_with(rings, resolution.ladder, cones, progress)
    else:
        alone = len({one.distance_mm for one in measured}) == 1
        every = (*ALIKE, *EITHER) if alone else ALIKE
        families = fitted_families(rings, resolution.ladder, progress, kinds or every)
        weight = likelihoods(families, _lumps(optics, rings))
    folded = Folded(
        optics=optics,
        measured=tuple(measured),
        resolution=resolution,
        families=families,
        weight=weight,
        given=surfaces,
    )
    all_tried = surfaces is None and kinds is None
    if not all_tried and not folded.accepted:
        return fold(optics, measured, progress)
    return folded


def _lumps(optics: Optics, rings: Sequence[MeasuredRings]) -> float:
    """χ² a degree of freedom of errors that each reflector has of its own.

    The photons of one reflector come together. Spread over the rings evenly, they raise
    the variance of each by what one of them sends there. Reflectors are built as four
    quadrants, as usual.
    """
    first, last = optics.open_rad or (0.0, 2 * np.pi)
    reflectors = len(optics.prescription.nestings) * 4 * (last - first) / (2 * np.pi)
    photons = sum(one.photons.sum() for one in rings) / len(rings)
    number = sum(one.photons.size for one in rings) / len(rings)
    return 1 + float(photons / max(reflectors, 1.0) / number)


def folded_apart(folded: Folded) -> tuple[Folded, ...]:
    """Fold each detector distance alone; nothing where there is only one."""
    distances = sorted({one.distance_mm for one in folded.measured})
    if len(distances) < 2:
        return ()
    alone = [
        [one for one in folded.measured if one.distance_mm == distance_mm]
        for distance_mm in distances
    ]
    return tuple(fold(folded.optics, measured, surfaces=folded.given) for measured in alone)
