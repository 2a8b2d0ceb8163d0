"""The image of all quadrants together, as they are or as moves would leave them.

Each quadrant brings its own fitted slope errors and its own displacement. The half-power
diameter is that about the center of the whole, by the rule of images, in planes about the
best focus: in one plane alone a move inwards can make an image smaller, because it undoes
a distance from focus, and would make it worse at best focus.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from beamreduce.infinity.best_focus import least_of
from beamreduce.infinity.configuration import Resolution
from beamreduce.infinity.optics import Optics, tables_of, view_of
from beamreduce.infinity.slope_ladder import SlopeLadder
from beamreduce.infinity.view import center_of_points, growth_of_points, image_points

_PLANES = 9
_AROUND, _FINER, _MOST_FINE = 0.6, 0.25, 21  # of the step between first planes
_COARSER = 4  # of the offset bins, in joining points
Angles = Mapping[str, tuple[float, float]]


@dataclass(frozen=True, kw_only=True)
class QuadrantLight:
    """One quadrant and the slope errors that were found in it.

    Parameters
    ----------
    optics
        Its nest and light, open where the quadrant is.
    ladder, weights
        Mixture of slope errors.
    """

    optics: Optics
    ladder: SlopeLadder
    weights: np.ndarray


@dataclass(frozen=True, kw_only=True)
class WholeImage:
    """Half-power diameter of all quadrants together, in planes about the best focus.

    Parameters
    ----------
    distance_mm
        Planes, rising.
    hpd_rad
        HPD in each.
    area_mm2
        Light inside the reference radius in each: effective area, less the shadow of bars.
    """

    distance_mm: np.ndarray
    hpd_rad: np.ndarray
    area_mm2: np.ndarray

    @property
    def best(self) -> tuple[float, float]:
        """Distance and HPD (rad) where it is least."""
        return least_of(self.distance_mm, self.hpd_rad)

    @property
    def area_at_best_mm2(self) -> float:
        """Light inside the reference radius at best focus."""
        return float(np.interp(self.best[0], self.distance_mm, self.area_mm2))

    @property
    def found(self) -> bool:
        """False when the HPD is least at an end of the planes."""
        return 0 < int(self.hpd_rad.argmin()) < self.distance_mm.size - 1


@dataclass(frozen=True, kw_only=True)
class Quarters:
    """The light of every quadrant as points in planes, ready to be displaced.

    Parameters
    ----------
    distance_mm
        Planes.
    points
        By plane and quadrant: x, y (mm) and light (mm²).
    reference_rad
        Reference radius as an angle.
    step_rad
        Step of radii as an angle.
    steepness
        Slope of the light towards the axis, mean over the nestings.
    """

    distance_mm: np.ndarray
    points: tuple[Mapping[str, tuple[np.ndarray, np.ndarray, np.ndarray]], ...]
    reference_rad: float
    step_rad: float
    steepness: float

    def joined(self, other: "Quarters") -> "Quarters":
        """Return the same light in the planes of both."""
        distance = np.append(self.distance_mm, other.distance_mm)
        points = self.points + other.points
        order = np.argsort(distance)
        return replace(
            self, distance_mm=distance[order], points=tuple(points[k] for k in order)
        )

    def planes_near_best(self, states: Sequence[Angles]) -> np.ndarray:
        """Return planes close together about the best focus of every state.

        Where the focus is sharp, a smooth curve through planes far apart runs too low. A
        quarter of their step, or of the length in which a ring of defocus grows to the
        image's size; but not where planes are already.
        """
        best = [self.whole(state).best for state in states]
        step = float(np.diff(self.distance_mm).min())
        turn = min(hpd * at_mm for at_mm, hpd in best) / (2 * self.steepness)
        fine = _FINER * min(step, turn)
        places = [at_mm for at_mm, _ in best]
        first, last = min(places) - _AROUND * step, max(places) + _AROUND * step
        count = min(math.ceil((last - first) / fine) + 1, _MOST_FINE)
        planes = np.linspace(first, last, count)
        near = np.abs(planes[:, None] - self.distance_mm).min(axis=1)
        return planes[near > fine / 4]

    def whole(self, displaced: Angles) -> WholeImage:
        """Put all quadrants together.

        Parameters
        ----------
        displaced
            Displacement of each quadrant's image, offset over distance, rad.
        """
        sizes = [self.in_plane(k, displaced) for k in range(self.distance_mm.size)]
        return WholeImage(
            distance_mm=self.distance_mm,
            hpd_rad=np.array([size[0] for size in sizes]),
            area_mm2=np.array([size[1] for size in sizes]),
        )

    def in_plane(self, plane: int, displaced: Angles) -> tuple[float, float]:
        """Return HPD (rad) and light inside the reference radius (mm²) in one plane."""
        radii, growth = self.growth(plane, displaced)
        inside = float(np.interp(self.reference_rad, radii, growth))
        return 2 * float(np.interp(inside / 2, growth, radii)), inside

    def growth(self, plane: int, displaced: Angles) -> tuple[np.ndarray, np.ndarray]:
        """Return radii (rad) and the light (mm²) inside each, about the common center."""
        distance_mm = float(self.distance_mm[plane])
        parts = []
        for name, (x, y, light) in self.points[plane].items():
            dx, dy = displaced.get(name, (0.0, 0.0))
            parts.append((x + dx * distance_mm, y + dy * distance_mm, light))
        x, y, light = (np.concatenate(part) for part in zip(*parts, strict=True))
        reference, step = self.reference_rad * distance_mm, self.step_rad * distance_mm
        center = center_of_points((x, y, light), reference, step)
        away = np.hypot(x - center[0], y - center[1])
        radii, growth = growth_of_points(away, light, step)
        return radii / distance_mm, growth


def quarters_of(
    quadrants: Mapping[str, QuadrantLight],
    planes_mm: Sequence[float],
    resolution: Resolution,
    view: tuple[float, float],
) -> Quarters:
    """Trace every quadrant in some planes, at the one energy of its optics.

    Parameters
    ----------
    quadrants
        Their light; all of one nest.
    planes_mm
        Detector behind the reference plane, rising.
    resolution
        How finely errors and offsets are told apart.
    view
        Side of a pixel (mm), reference radius as an angle (rad).
    """
    pixel_mm, reference_rad = view
    grid = resolution.grid(max(planes_mm))
    first = next(iter(quadrants.values()))
    nestings = first.optics.prescription.nestings
    radius = float(np.mean([n.radius_mm for n in nestings]))
    turned = any(
        q.ladder.primary_mean_rad or q.ladder.secondary_mean_rad for q in quadrants.values()
    )
    # On the axis all quadrants have the same light, behind other openings.
    tables = tables_of(first.optics, planes_mm, resolution.errors, grid, turned=turned)
    points = []
    for number, distance_mm in enumerate(planes_mm):
        here = {}
        for name, light in quadrants.items():
            view_here = view_of(light.optics, tables, (number, 0, distance_mm), pixel_mm)
            found = image_points(view_here, light.ladder, light.weights)
            here[name] = _blurred(found, view_here.blur_mm)
        points.append(here)
    return Quarters(
        distance_mm=np.asarray(planes_mm, dtype=float),
        points=tuple(points),
        reference_rad=reference_rad,
        step_rad=_COARSER * grid.step_mm / max(planes_mm),
        steepness=radius / float(np.mean(planes_mm)),
    )


def planes_about(optics: Optics, size_rad: float, moved_rad: float) -> np.ndarray:
    """Return planes that hold the best focus at the beamline.

    Parameters
    ----------
    optics
        Nest and light.
    size_rad
        HPD: an image of slope errors is flat over its own size times the focal ratio.
    moved_rad
        Largest displacement of a quadrant; one outwards moves the focus.
    """
    nest = optics.prescription
    source = optics.light.source_distance_mm
    focal = nest.focal_length_mm
    nominal = focal if math.isinf(source) else focal * source / (source - focal)
    radius = float(np.mean([n.radius_mm for n in nest.nestings]))
    length = nest.nestings[0].primary_length_mm
    # A ring of a defocus dz has the radius r dz / D: by that a quadrant is out of place.
    reach = (0.25 * size_rad + moved_rad) * nominal**2 / radius
    before, behind = max(0.5 * length, reach), max(0.75 * length, reach)
    return np.linspace(nominal - before, nominal + behind, _PLANES)


def at_energy(optics: Optics, energy: int) -> Optics:
    """Return the optics of one energy, without displacements of quadrants."""
    return replace(optics.at_energies([energy]), quadrant_shifts={})


def _blurred(
    points: tuple[np.ndarray, np.ndarray, np.ndarray], blur_mm: float
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Four points for each: the second moments of a round blur, which is small."""
    x, y, light = points
    off = math.sqrt(2) * blur_mm
    return (
        np.concatenate([x + off, x - off, x, x]),
        np.concatenate([y, y, y + off, y - off]),
        np.tile(light / 4, 4),
    )
