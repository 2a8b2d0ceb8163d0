"""Where an image is least: half-power diameter against the distance of the detector."""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy.interpolate import CubicSpline

from beamreduce.encircled_energy import HALF_POWER
from beamreduce.infinity.answer import TRACED
from beamreduce.infinity.families import Family
from beamreduce.infinity.folded import LIKELY, Folded
from beamreduce.infinity.optics import Optics, tables_of, view_of
from beamreduce.infinity.replicates import bias_of, replicate_weights
from beamreduce.infinity.star import (
    StarCurves,
    about_own_center,
    axis_crossing_mm,
    mixture_growths,
    pair_growths,
    star_radii,
)
from beamreduce.record import Uncertain

_PLANES, _FEWER_PLANES = 11, 5
_FINE = 4000
_RADII = 120
_REPEATS = 200
_TURNING = 1e-3  # of the cone angle: a mean error below changes no HPD by more than that
_ROOM = 1.25
_COUNTS = 0.01  # weight of a family whose best focus matters
_PER_TURN = 0.4  # step of planes about the least, of the length in which the HPD turns
_MOST_PLANES = 25


@dataclass(frozen=True, kw_only=True)
class FocusScan:
    """Half-power diameters in planes about the best focus, as angles.

    Parameters
    ----------
    distance_mm
        Planes, shape (planes,), rising.
    by_family
        HPD by the mixtures of the families that count, (families, planes), rad.
    family_weight
        Their weights, sum 1.
    repeats
        HPD by repeats of the exposures in the best family, (repeats, planes), rad. What
        they show the fit to do to one side is taken off them and the families' own.
    crossing_mm
        Where mean rays cross the axis, by family: the focal length of the cones for a
        star.
    """

    distance_mm: np.ndarray
    by_family: np.ndarray
    family_weight: np.ndarray
    repeats: np.ndarray
    crossing_mm: np.ndarray

    @property
    def found(self) -> bool:
        """False when the image of a family that counts is least at an end of the scan."""
        least = self.by_family[self.family_weight > _COUNTS].argmin(axis=1)
        return bool(np.all((least > 0) & (least < self.distance_mm.size - 1)))

    @property
    def best_mm(self) -> Uncertain:
        """Distance of the least image."""
        return self._quantity(0)

    @property
    def least_rad(self) -> Uncertain:
        """Half-power diameter there."""
        found = self._quantity(1)
        return replace(found, model=math.hypot(found.model, TRACED * found.value))

    @property
    def crossing(self) -> Uncertain:
        """Where mean rays cross the axis; what repeats would change is in the families."""
        value = float(self.family_weight @ self.crossing_mm)
        spread = self.family_weight @ (self.crossing_mm - value) ** 2
        return Uncertain(value=value, statistical=0.0, model=math.sqrt(float(spread)))

    def curve(self, points: int) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Return even distances, the HPD there, and its statistical and model uncertainty.

        Smooth curves through the planes.
        """
        value = self.family_weight @ self.by_family
        spread = self.family_weight @ (self.by_family - value) ** 2
        variance = spread + self.repeats.var(axis=0, ddof=1)
        fine, hpd = _smooth(self.distance_mm, value, points)
        return fine, hpd, np.interp(fine, self.distance_mm, np.sqrt(variance))

    def depth_mm(self, growth: float = 0.05) -> tuple[float, float]:
        """Return first and last distance where the HPD is at most so much above its least.

        An end of the scan where it has not grown that much by there.
        """
        distance, hpd = _smooth(self.distance_mm, self.family_weight @ self.by_family)
        inside = np.flatnonzero(hpd <= (1 + growth) * hpd.min())
        return float(distance[inside[0]]), float(distance[inside[-1]])

    def _quantity(self, which: int) -> Uncertain:
        families = np.array([least_of(self.distance_mm, row) for row in self.by_family])
        repeats = np.array([least_of(self.distance_mm, row) for row in self.repeats])
        values = families[:, which]
        value = float(self.family_weight @ values)
        spread = float(self.family_weight @ (values - value) ** 2)
        return Uncertain(
            value=value,
            statistical=float(repeats[:, which].std(ddof=1)),
            model=math.sqrt(spread),
        )


def scan_distances(folded: Folded, nominal_mm: float) -> np.ndarray:
    """Return planes about a nominal image distance that hold the focus of every family.

    Cone blur puts the best focus up to about ℓ/8 behind it; a mean slope error ``m``
    moves it by ``2 m D²/r``.
    """
    nestings = folded.optics.prescription.nestings
    length = nestings[0].primary_length_mm
    radius = min(n.radius_mm for n in nestings)
    mean = max(abs(f.mean_rad) for f in folded.counting[0])
    moved = _ROOM * 2 * mean * nominal_mm**2 / radius
    # An image of slope errors alone is flat over its own size times the focal ratio.
    flat = 0.25 * folded.resolution.hpd_rad * nominal_mm**2 / radius
    before, behind = max(0.5 * length, flat) + moved, max(0.75 * length, flat) + moved
    return np.linspace(nominal_mm - before, nominal_mm + behind, _PLANES)


def near_distances(scan: FocusScan) -> np.ndarray:
    """Return fewer planes about the best focus of another energy, which is much alike."""
    reach = max(0.2 * float(np.ptp(scan.distance_mm)), 3 * scan.best_mm.uncertainty)
    return scan.best_mm.value + reach * np.linspace(-1.0, 1.0, _FEWER_PLANES)


def scan_focus(
    folded: Folded,
    distances_mm: Sequence[float],
    *,
    star: bool,
    energy: int,
    rng: np.random.Generator,
) -> FocusScan:
    """Work out the half-power diameter in many planes, of a star or of the beamline.

    Parameters
    ----------
    folded
        What describes the configuration.
    distances_mm
        Planes, rising; more are put where the image is least.
    star
        For a parallel beam, or with the source where it was.
    energy
        Which of the energies.
    rng
        For repeats of the exposures.
    """
    families, weight = _most_likely(*folded.counting)
    best = folded.best.described
    fits = np.vstack([best.mixture.weights, replicate_weights(best, _REPEATS, rng)])
    optics = folded.optics.for_star() if star else folded.optics
    look = _Look(folded, optics.at_energies([energy]), families, fits)
    planes = look.at(np.asarray(distances_mm, dtype=float))
    between = _near_least(look, planes, weight)
    if between.size:
        planes = planes.joined(look.at(between))
    fit, *drawn = planes.by_fit.T
    repeats = np.array(drawn)
    bias = bias_of(repeats, fit)
    return FocusScan(
        distance_mm=planes.distance_mm,
        by_family=planes.by_family.T - bias,
        family_weight=weight,
        repeats=repeats - bias,
        crossing_mm=planes.crossing_mm,
    )


@dataclass(frozen=True)
class _Planes:
    """Half-power diameters (rad) in planes, shape (planes, families).

    ``by_fit``: those of the best family, by its fit and the fits of repeats.
    """

    distance_mm: np.ndarray
    by_family: np.ndarray
    by_fit: np.ndarray
    crossing_mm: np.ndarray

    def joined(self, other: "_Planes") -> "_Planes":
        """Put further planes where they belong; mean rays cross where these say."""
        distance = np.append(self.distance_mm, other.distance_mm)
        order = np.argsort(distance)
        return _Planes(
            distance[order],
            np.concatenate([self.by_family, other.by_family])[order],
            np.concatenate([self.by_fit, other.by_fit])[order],
            self.crossing_mm,
        )


@dataclass(frozen=True)
class _Look:
    """What looks into planes: the mirror's light, families, and the best one's fits."""

    folded: Folded
    optics: Optics
    families: tuple[Family, ...]
    fits: np.ndarray

    def at(self, distances_mm: np.ndarray) -> _Planes:
        """Trace and measure planes."""
        resolution = self.folded.resolution.coarser()
        grid = resolution.grid(float(distances_mm.max()))
        nestings = self.optics.prescription.nestings
        least = min(n.primary_angle_rad for n in nestings)
        turned = any(abs(f.size_rad) > _TURNING * least for f in self.families)
        tables = tables_of(
            self.optics, list(distances_mm), resolution.errors, grid, turned=turned
        )
        views = [
            view_of(self.optics, tables, (d, 0, float(mm)), 0.0)
            for d, mm in enumerate(distances_mm)
        ]
        mixtures = [
            (f.described.ladder, f.described.mixture.weights) for f in self.families
        ]
        best = self.folded.best.described
        reference = max(one.reference_rad for one in self.folded.measured)
        by_family, by_fit = [], []
        for distance_mm, view in zip(distances_mm, views, strict=True):
            half = resolution.hpd_rad / 4 * distance_mm
            radii = star_radii(half, reference * distance_mm, _RADII)
            growth = mixture_growths(view, radii, mixtures)
            by_family.append(_hpd_rad(radii, growth, distance_mm))
            own = about_own_center(view, radii[-1], best.ladder, best.mixture.weights)
            growth = self.fits @ pair_growths(own, radii, best.ladder).T
            by_fit.append(_hpd_rad(radii, growth, distance_mm))
        ends = [(float(distances_mm[k]), views[k]) for k in (0, -1)]
        crossing = np.array([axis_crossing_mm(*ends, *mixture) for mixture in mixtures])
        return _Planes(distances_mm, np.array(by_family), np.array(by_fit), crossing)


def _near_least(look: _Look, planes: _Planes, weight: np.ndarray) -> np.ndarray:
    """Return planes close enough to show how flat the image is about its least.

    Out of focus the HPD grows by 2 r/D² a length, in focus it is flat: it turns within
    HPD · D²/2r. A smooth curve through planes further apart than that is several per
    cent too low.
    """
    families = planes.by_family.T[weight > _COUNTS]
    found = np.array([least_of(planes.distance_mm, row)[0] for row in families])
    radius = max(n.radius_mm for n in look.optics.prescription.nestings)
    turning = float(families.min()) * float(found.mean()) ** 2 / (2 * radius)
    first = max(found.min() - turning, planes.distance_mm[0])
    last = min(found.max() + turning, planes.distance_mm[-1])
    step = _PER_TURN * turning
    count = min(math.ceil((last - first) / step) + 1, _MOST_PLANES)
    near = np.linspace(first, last, count)
    apart = np.abs(near[:, None] - planes.distance_mm).min(axis=1)
    return near[apart > step / 4]


def _most_likely(
    families: tuple[Family, ...], weight: np.ndarray
) -> tuple[tuple[Family, ...], np.ndarray]:
    """Leave out families that can hardly change a mean or a spread."""
    kept = np.flatnonzero(weight > LIKELY * weight.max())
    return tuple(families[k] for k in kept), weight[kept] / weight[kept].sum()


def _hpd_rad(radii: np.ndarray, growth: np.ndarray, distance_mm: float) -> np.ndarray:
    curves = StarCurves(radii_mm=radii, growth=growth)
    return curves.diameter_mm(HALF_POWER, radii[-1]) / distance_mm


def least_of(distance_mm: np.ndarray, hpd: np.ndarray) -> tuple[float, float]:
    """Return where a smooth curve through diameters in some planes is least, and it."""
    distance, smooth = _smooth(distance_mm, hpd)
    k = int(np.argmin(smooth))
    return float(distance[k]), float(smooth[k])


def _smooth(
    distance_mm: np.ndarray, hpd: np.ndarray, points: int = _FINE + 1
) -> tuple[np.ndarray, np.ndarray]:
    fine = np.linspace(distance_mm[0], distance_mm[-1], points)
    return fine, CubicSpline(distance_mm, hpd)(fine)
