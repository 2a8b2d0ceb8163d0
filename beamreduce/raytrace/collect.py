"""What a trace fills: rings, images and totals, at every detector distance and energy."""

import math
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numba import njit

from beamreduce.errors import SettingsError
from beamreduce.raytrace.fates import (
    BEHIND_THE_MIRROR,
    FATES,
    FOCUSED,
    PRIMARY_ONLY,
    SECONDARY_ONLY,
    STRAIGHT,
)
from beamreduce.raytrace.ray_block import (
    FATE,
    KEPT_CHANCE,
    KEPT_GRAZING,
    KEPT_HIT,
    KEPT_SCATTERED,
    RAYS,
    SLOPE_X,
    SLOPE_Y,
    X,
    Y,
)
from beamreduce.raytrace.ray_list import add_rows, empty_rows

_LOOKUP = 4096  # equal steps of squared radius that tell about which ring is meant


@dataclass(frozen=True, kw_only=True)
class ImageGrid:
    """Square pixels in the detector plane.

    Parameters
    ----------
    pixel_mm
        Side of a pixel.
    shape
        Rows (along y) and columns (along x).
    center_xy
        Pixel coordinates of the beam through the middle of the mirror (of the mirror's
        axis when the source is shifted); the first pixel has its center at (0, 0).
    """

    pixel_mm: float
    shape: tuple[int, int]
    center_xy: tuple[float, float]

    def __post_init__(self) -> None:
        if not 0 < self.pixel_mm < math.inf or min(self.shape) < 1:
            raise SettingsError(
                f"an image must have pixels of a size above zero, and at least one; "
                f"got {self.shape} of {self.pixel_mm} mm"
            )


@dataclass(frozen=True, kw_only=True)
class TracePlan:
    """Where rays are counted.

    Parameters
    ----------
    distances_mm
        From the reference plane to the detectors, shape (distances,).
    ring_radii_mm
        Outer radii of rings, rising from above zero, shape (rings,) or, when they differ,
        (distances, rings); None counts no rings.
    centers_mm
        Center of the rings in the detector plane, x and y, shape (2,), (distances, 2) or
        (distances, quadrants, 2). A center of its own for a quadrant shifts its image by
        the opposite.
    image
        Pixels to fill; None fills no image.
    fates
        Which rays are counted: ``"focused"``, and of stray light ``"primary_only"``,
        ``"secondary_only"``, ``"straight"``.
    shifts
        Independent parts that the rays are divided into, for the error; at least 2.
    list_rays
        True lists every counted ray; memory then grows with their number.
    """

    distances_mm: np.ndarray
    ring_radii_mm: np.ndarray | None = None
    centers_mm: np.ndarray | tuple[float, float] = (0.0, 0.0)
    image: ImageGrid | None = None
    fates: tuple[str, ...] = ("focused",)
    shifts: int = 8
    list_rays: bool = False

    def __post_init__(self) -> None:
        distances = np.atleast_1d(np.asarray(self.distances_mm, dtype=float))
        if (
            distances.ndim != 1
            or not np.isfinite(distances).all()
            or np.any(distances <= 0)
        ):
            raise SettingsError(f"distances_mm must be above zero; got {self.distances_mm}")
        object.__setattr__(self, "distances_mm", distances)
        unknown = [fate for fate in self.fates if fate not in BEHIND_THE_MIRROR]
        if unknown or not self.fates:
            raise SettingsError(
                f"fates must be among {', '.join(BEHIND_THE_MIRROR)}; got {self.fates}"
            )
        if self.shifts < 2:
            raise SettingsError(f"shifts must be at least 2; got {self.shifts}")
        self.ring_edges()

    def ring_edges(self) -> np.ndarray:
        """Return the outer radii of the rings, shape (distances, rings), maybe no ring."""
        if self.ring_radii_mm is None:
            return np.zeros((self.distances_mm.size, 0))
        radii = np.atleast_1d(np.asarray(self.ring_radii_mm, dtype=float))
        try:
            radii = np.broadcast_to(radii, (self.distances_mm.size, radii.shape[-1]))
        except ValueError:
            raise SettingsError(
                f"ring_radii_mm must be one list, or one a distance; got {radii.shape}"
            ) from None
        if np.any(radii[:, 0] <= 0) or np.any(np.diff(radii, axis=1) <= 0):
            raise SettingsError("ring_radii_mm must rise from above zero")
        return radii

    def centers(self, quadrants: int) -> np.ndarray:
        """Return the centers, shape (distances, quadrants, 2)."""
        center = np.asarray(self.centers_mm, dtype=float)
        if center.ndim == 2:
            center = center[:, np.newaxis, :]
        try:
            center = np.broadcast_to(center, (self.distances_mm.size, quadrants, 2))
        except ValueError:
            raise SettingsError(
                f"centers_mm must be x and y, for all or each distance or each distance "
                f"and quadrant; got shape {center.shape}"
            ) from None
        if not np.isfinite(center).all():
            raise SettingsError("centers_mm must be finite")
        return np.ascontiguousarray(center)

    @property
    def whole_openings(self) -> bool:
        """True when rays are wanted that miss the primary."""
        return not {"secondary_only", "straight"}.isdisjoint(self.fates)


class Targets(NamedTuple):
    """The plan in a kernel's words."""

    distances: np.ndarray
    ring_edges2: np.ndarray  # (distances, rings)
    first_ring: np.ndarray  # (distances, lookup)
    centers: np.ndarray  # (distances, quadrants, 2)
    pixels: np.ndarray  # 1/size, column and row of the beam
    wanted: np.ndarray  # (fates,)


class Tallies(NamedTuple):
    """What a kernel adds to; areas in mm² of beam, times reflectivities."""

    area: np.ndarray  # (quadrants, energies)
    moments: np.ndarray  # (quadrants, energies, 4): of x, y, slope x, slope y
    rings: np.ndarray  # (distances, rings + 1, energies); the last is all beyond
    image: np.ndarray  # (distances, rows, columns, energies)
    rays: np.ndarray  # (openings, fates)
    listed: tuple[np.ndarray, np.ndarray]  # a row a ray, maybe none; rows in use, (1,)


def targets_of(plan: TracePlan, quadrants: int) -> Targets:
    """Prepare a plan for the kernel."""
    edges2 = plan.ring_edges() ** 2
    lookup = np.zeros((len(edges2), _LOOKUP + 1), dtype=np.int32)
    for row, edges in zip(lookup, edges2, strict=True):
        if edges.size:
            row[:-1] = np.searchsorted(edges, np.arange(_LOOKUP) / _LOOKUP * edges[-1])
            row[-1] = edges.size
    image = plan.image
    pixels = (
        np.zeros(3)
        if image is None
        else np.array([1 / image.pixel_mm, *image.center_xy], dtype=float)
    )
    return Targets(
        distances=plan.distances_mm,
        ring_edges2=np.ascontiguousarray(edges2),
        first_ring=lookup,
        centers=plan.centers(quadrants),
        pixels=pixels,
        wanted=np.array([fate in plan.fates for fate in FATES]),
    )


def empty_tallies(
    plan: TracePlan, counts: tuple[int, int, int], *, rays: int = 0
) -> Tallies:
    """Return tallies with nothing in them, for numbers of openings, quadrants, energies.

    ``rays``: how many there will be at most, when the plan lists them.
    """
    openings, quadrants, energies = counts
    distances, rings = plan.ring_edges().shape
    shape = plan.image.shape if plan.image else (0, 0)
    return Tallies(
        area=np.zeros((quadrants, energies)),
        moments=np.zeros((quadrants, energies, 4)),
        rings=np.zeros((distances, rings + 1, energies)),
        image=np.zeros((distances, *shape, energies)),
        rays=np.zeros((openings, len(FATES)), dtype=np.int64),
        listed=(
            empty_rows(rays if plan.list_rays else 0, energies),
            np.zeros(1, dtype=np.int64),
        ),
    )


_compiled = njit(cache=True, nogil=True, error_model="numpy")


@_compiled
def collect(
    block: np.ndarray, rays: int, kept: np.ndarray, opening: tuple[float, int, int],
    coating: tuple[np.ndarray, float], targets: Targets, tallies: Tallies,
) -> None:  # fmt: skip
    """Weigh the rays of a block and count them at every detector distance.

    ``opening``: area that one ray stands for, quadrant, number. ``coating``: shares of
    shape (angles, 2, energies), mirrored and scattered, and the step of the angles.
    """
    weights = np.empty((RAYS, tallies.area.shape[1]))
    chosen = np.empty(RAYS, dtype=np.int64)
    number = _choose(block, rays, kept, targets.wanted, tallies.rays[opening[2]], chosen)
    _weigh(weights, number, opening[0], chosen, kept, coating[0], coating[1])
    _add_totals(
        block, number, chosen, weights, tallies.area[opening[1]],
        tallies.moments[opening[1]],
    )  # fmt: skip
    if tallies.listed[0].shape[0] > 0:
        add_rows(block, chosen[:number], weights, kept, tallies.listed)
    for d in range(targets.distances.size):
        z = targets.distances[d]
        if targets.ring_edges2.shape[1] > 0:
            _count_rings(
                block, number, chosen, weights, z, targets.centers[d, opening[1]],
                (targets.ring_edges2[d], targets.first_ring[d]), tallies.rings[d],
            )  # fmt: skip
        if tallies.image.shape[1] > 0:
            _count_pixels(
                block, number, chosen, weights, z, targets.pixels, tallies.image[d]
            )


@_compiled
def _choose(
    block: np.ndarray, rays: int, kept: np.ndarray, wanted: np.ndarray,
    counts: np.ndarray, chosen: np.ndarray,
) -> int:  # fmt: skip
    """Count rays by what became of them, and list those that are wanted."""
    number = 0
    for j in range(rays):
        fate = int(block[FATE + j])
        if fate == 0:
            first, second = kept[0, KEPT_HIT, j] > 0.0, kept[1, KEPT_HIT, j] > 0.0
            if first:
                fate = FOCUSED if second else PRIMARY_ONLY
            else:
                fate = SECONDARY_ONLY if second else STRAIGHT
        counts[fate] += 1
        chosen[number] = j
        number += 1 if wanted[fate] else 0
    return number


@_compiled
def _weigh(
    weights: np.ndarray, number: int, area: float, chosen: np.ndarray, kept: np.ndarray,
    shares: np.ndarray, step: float,
) -> None:  # fmt: skip
    """Area that each ray stands for times what both stages reflect, at every energy."""
    inverse, last = 1.0 / step, shares.shape[0] - 2
    for n in range(number):
        j = chosen[n]
        weights[n, :] = area
        for stage in range(2):
            if kept[stage, KEPT_HIT, j] == 0.0:
                continue
            place = kept[stage, KEPT_GRAZING, j] * inverse
            k = min(np.uint32(place), last)
            part = place - k
            way = np.uint32(kept[stage, KEPT_SCATTERED, j])
            more = 1.0 / kept[stage, KEPT_CHANCE, j] if part <= 1.0 else 0.0
            for e in range(weights.shape[1]):
                low, high = shares[k, way, e], shares[k + 1, way, e]
                weights[n, e] *= (low + (high - low) * part) * more


@_compiled
def _add_totals(
    block: np.ndarray, number: int, chosen: np.ndarray, weights: np.ndarray,
    area: np.ndarray, moments: np.ndarray,
) -> None:  # fmt: skip
    for e in range(weights.shape[1]):
        total = x = y = slope_x = slope_y = 0.0
        for n in range(number):
            j, w = chosen[n], weights[n, e]
            total += w
            x += w * block[X + j]
            y += w * block[Y + j]
            slope_x += w * block[SLOPE_X + j]
            slope_y += w * block[SLOPE_Y + j]
        area[e] += total
        moments[e, 0] += x
        moments[e, 1] += y
        moments[e, 2] += slope_x
        moments[e, 3] += slope_y


@_compiled
def _count_rings(
    block: np.ndarray, number: int, chosen: np.ndarray, weights: np.ndarray, z: float,
    center: np.ndarray, rings: tuple[np.ndarray, np.ndarray], counts: np.ndarray,
) -> None:  # fmt: skip
    """Count rays in the rings of one detector; the last count is of all beyond."""
    edges2, first_ring = rings
    number_of_rings = edges2.size
    center_x, center_y = center[0], center[1]
    scale = (first_ring.size - 1) / edges2[number_of_rings - 1]
    for n in range(number):
        j = chosen[n]
        dx = block[X + j] + block[SLOPE_X + j] * z - center_x
        dy = block[Y + j] + block[SLOPE_Y + j] * z - center_y
        r2 = dx * dx + dy * dy
        ring = number_of_rings
        if r2 <= edges2[number_of_rings - 1]:
            ring = first_ring[np.uint32(r2 * scale)]
            while ring > 0 and edges2[ring - 1] >= r2:
                ring -= 1
            while edges2[ring] < r2:
                ring += 1
        for e in range(weights.shape[1]):
            counts[ring, e] += weights[n, e]


@_compiled
def _count_pixels(
    block: np.ndarray, number: int, chosen: np.ndarray, weights: np.ndarray, z: float,
    pixels: np.ndarray, image: np.ndarray,
) -> None:  # fmt: skip
    rows, columns = image.shape[0], image.shape[1]
    for n in range(number):
        j = chosen[n]
        x = block[X + j] + block[SLOPE_X + j] * z
        y = block[Y + j] + block[SLOPE_Y + j] * z
        column = math.floor(x * pixels[0] + pixels[1] + 0.5)
        row = math.floor(y * pixels[0] + pixels[2] + 0.5)
        if 0 <= column < columns and 0 <= row < rows:
            for e in range(weights.shape[1]):
                image[row, column, e] += weights[n, e]
