"""The measurements of one configuration, made ready to be folded together."""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from beamreduce.encircled_energy import HALF_POWER, NINETY, NetRings, crossing_diameters_mm
from beamreduce.infinity.coarse_rings import coarse_rings
from beamreduce.infinity.fold import MeasuredRings
from beamreduce.infinity.ladder_steps import error_grid, ladder_steps
from beamreduce.infinity.optics import Optics, tables_of, view_of
from beamreduce.infinity.slope_ladder import SlopeLadder
from beamreduce.infinity.view import View, seen_in_rings
from beamreduce.raytrace.meridian import ErrorGrid, OffsetGrid

# HPD of in-plane errors of one size on both stages, over that size (derived: 4 · 0.9538).
HPD_PER_SLOPE = 3.815
_BINS_PER_HPD = 100
_MOST_BINS = 6000


@dataclass(frozen=True, kw_only=True)
class Measured:
    """One measurement as the fold takes it.

    Parameters
    ----------
    id
        Its name.
    distance_mm
        Detector behind the reference plane.
    energy
        Which of the energies of the optics.
    net
        Net photons in rings out to the reference radius.
    pixel_mm
        Side of a pixel.
    center_mm
        Standard uncertainty an axis of the center that the rings are about: it blurs
        their innermost part as a displacement of either sign would.
    """

    id: str
    distance_mm: float
    energy: int
    net: NetRings
    pixel_mm: float
    center_mm: float = 0.0

    @property
    def sizes_rad(self) -> tuple[float, float]:
        """Half-power diameter and W90 as angles."""
        sizes = crossing_diameters_mm(
            self.net.radius_mm, self.net.growth, (HALF_POWER, NINETY)
        )[0]
        hpd, w90 = sizes / self.distance_mm
        return float(hpd), float(w90)

    @property
    def reference_rad(self) -> float:
        """Reference radius as an angle."""
        return float(self.net.radius_mm[-1] / self.distance_mm)


@dataclass(frozen=True, kw_only=True)
class Resolution:
    """How finely slope errors and offsets are told apart, as angles.

    Parameters
    ----------
    steps_rad
        Steps of the ladder.
    hpd_rad
        The smallest image.
    reach_rad
        Largest offset that is kept.
    intervals
        Number of intervals of primary error.
    scatter_rad
        Standard deviation of the angle of scattered light.
    turned
        Mean errors will be asked for.
    nesting_step
        Follow only one nesting of so many.
    """

    steps_rad: tuple[float, ...]
    hpd_rad: float
    reach_rad: float
    intervals: int = 240
    scatter_rad: float = 0.0
    turned: bool = True
    nesting_step: int = 1

    @property
    def errors(self) -> ErrorGrid:
        """Intervals and limits of slope error."""
        errors = error_grid(self.steps_rad, self.intervals)
        return replace(errors, nesting_step=self.nesting_step)

    def grid(self, distance_mm: float) -> OffsetGrid:
        """Return bins of signed offset at a distance."""
        bins = 2 * self.reach_rad / self.hpd_rad * _BINS_PER_HPD
        bins = 2 * math.ceil(min(max(bins, 800), _MOST_BINS) / 2)
        return OffsetGrid(reach_mm=self.reach_rad * distance_mm, bins=bins)

    def coarser(self) -> "Resolution":
        """Return half the resolution, for what is only compared with itself."""
        return replace(self, hpd_rad=2 * self.hpd_rad, intervals=self.intervals // 2)

    @property
    def ladder(self) -> SlopeLadder:
        """The ladder without mean errors."""
        return SlopeLadder(steps_rad=self.steps_rad, scatter_rad=self.scatter_rad)


def resolution_of(measured: Sequence[Measured]) -> Resolution:
    """Choose steps of slope error and bins by the smallest image of a configuration."""
    hpd = min(one.sizes_rad[0] for one in measured)
    reference = max(one.reference_rad for one in measured)
    return Resolution(
        steps_rad=ladder_steps(hpd / HPD_PER_SLOPE),
        hpd_rad=hpd,
        # Light beyond the reference radius comes back into it with the secondary's error.
        reach_rad=reference + 1.5 * hpd,
    )


def rings_to_fold(
    optics: Optics, measured: Sequence[Measured], resolution: Resolution
) -> tuple[MeasuredRings, ...]:
    """Trace every measured plane and cut the measurements into rings to be fitted."""
    rings = {}
    for distance_mm in sorted({one.distance_mm for one in measured}):
        here = [one for one in measured if one.distance_mm == distance_mm]
        energies = sorted({one.energy for one in here})
        tables = tables_of(
            optics.at_energies(energies),
            [distance_mm],
            resolution.errors,
            resolution.grid(distance_mm),
            turned=resolution.turned,
        )
        for one in here:
            place = (0, energies.index(one.energy), distance_mm)
            view = view_of(optics, tables, place, one.pixel_mm, one.center_mm)
            rings[one.id] = _rings(one, view, resolution.ladder)
    return tuple(rings[one.id] for one in measured)


def _rings(one: Measured, view: View, ladder: SlopeLadder) -> MeasuredRings:
    coarse = coarse_rings(one.net, one.pixel_mm)
    kinds = {"model": coarse.model_modes, "systematic": coarse.systematic_modes}
    modes = coarse.scale * np.concatenate(list(kinds.values()))
    return MeasuredRings(
        id=one.id,
        view=view,
        radii_mm=coarse.radius_mm,
        photons=coarse.photons,
        covariance=coarse.covariance + modes.T @ modes,
        # Of neighbouring rings that share pixels, too, each photon brings its own variance.
        poisson=np.clip(coarse.scale * coarse.photons, 0.0, coarse.covariance.diagonal()),
        modes=modes,
        mode_kinds=tuple(k for k, rows in kinds.items() for _ in rows),
        seen=seen_in_rings(view, coarse.radius_mm),
    )
