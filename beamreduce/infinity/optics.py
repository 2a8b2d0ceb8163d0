"""What the light of one configuration goes through: nest, source, open azimuths."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from beamreduce.infinity.ring_shares import OpenAzimuths, whole_turn
from beamreduce.infinity.slope_ladder import Plane
from beamreduce.infinity.view import View
from beamreduce.mirror import Prescription
from beamreduce.raytrace.meridian import (
    ErrorGrid,
    MeridianLight,
    MeridianTable,
    OffsetGrid,
    meridian_table,
)

_TURN = 2 * math.pi
_LARGEST = 40.0  # primary error that is told apart, in slope errors as measured
# So fine that arcs of a quadrant out of focus, seen from their middle, are no spokes: with
# 72 a focus series of a quadrant had a chi-square of 20 a degree of freedom.
_ON_AXIS_STEPS = 288
PIXEL_SHARE = 1 / 6  # of a pixel's area, in the variance an axis of exact ring sums


@dataclass(frozen=True, kw_only=True)
class Optics:
    """Nest and light of one configuration.

    Parameters
    ----------
    prescription
        The nest.
    light
        The source at its distance, and what each reflection does at every energy.
    source_diameter_mm
        Of an even disc.
    off_axis_rad, off_azimuth_rad
        Direction of the source from the mirror axis, azimuth as seen from the source.
    open_rad
        Open azimuth range, first and last; None for the whole turn.
    quadrant_shifts
        Azimuth range to displacement (x, y) of its image as an angle in rad: offset over
        detector distance, in the frame of the azimuths.
    off_axis_steps
        Steps of azimuth for a source off the axis, even: in pairs, since what is left and
        right of its azimuth is alike.
    """

    prescription: Prescription
    light: MeridianLight
    source_diameter_mm: float
    off_axis_rad: float = 0.0
    off_azimuth_rad: float = 0.0
    open_rad: tuple[float, float] | None = None
    quadrant_shifts: Mapping[tuple[float, float], tuple[float, float]] = field(
        default_factory=dict
    )
    off_axis_steps: int = 24

    @property
    def energies(self) -> int:
        """Number of photon energies."""
        return int(self.light.reflectivity.shape[1])

    def for_star(self) -> "Optics":
        """Return the same with a parallel beam."""
        light = replace(self.light, source_distance_mm=math.inf)
        return replace(self, light=light, source_diameter_mm=0.0)

    def at_energies(self, chosen: Sequence[int]) -> "Optics":
        """Return the same at some of the energies."""
        reflectivity = self.light.reflectivity[:, list(chosen)]
        return replace(self, light=replace(self.light, reflectivity=reflectivity))

    def blur_mm(self, distance_mm: float, pixel_mm: float) -> float:
        """Standard deviation an axis of pixel and source together, in the image."""
        source = 0.0
        if not math.isinf(self.light.source_distance_mm):
            source = self.source_diameter_mm / self.light.source_distance_mm / 4
        return math.sqrt(pixel_mm**2 * PIXEL_SHARE + (source * distance_mm) ** 2)


@dataclass(frozen=True, kw_only=True)
class AzimuthGroup:
    """Azimuths whose light looks alike in the plane through the axis.

    Parameters
    ----------
    away_rad
        How far they are from the direction that the source is off to.
    azimuths
        Where they are.
    """

    away_rad: float
    azimuths: OpenAzimuths


def azimuth_groups(optics: Optics, distance_mm: float) -> tuple[AzimuthGroup, ...]:
    """Cut the turn into azimuths of the same inward tilt, with their displacements."""
    if not optics.off_axis_rad:
        if optics.open_rad is None and not optics.quadrant_shifts:
            return (AzimuthGroup(away_rad=0.0, azimuths=whole_turn()),)
        middle = (np.arange(_ON_AXIS_STEPS) + 0.5) * _TURN / _ON_AXIS_STEPS
        azimuths = _opened(optics, middle, distance_mm)
        return (AzimuthGroup(away_rad=0.0, azimuths=azimuths),)
    groups = []
    steps = optics.off_axis_steps
    for k in range(steps // 2):
        away = (k + 0.5) * _TURN / steps
        middle = (optics.off_azimuth_rad + np.array([away, -away])) % _TURN
        azimuths = _opened(optics, middle, distance_mm, steps=steps)
        if azimuths.share.size:
            groups.append(AzimuthGroup(away_rad=away, azimuths=azimuths))
    return tuple(groups)


def _opened(
    optics: Optics, middle_rad: np.ndarray, distance_mm: float, steps: int = _ON_AXIS_STEPS
) -> OpenAzimuths:
    width = _TURN / steps
    share = np.full(middle_rad.size, 1 / steps)
    if optics.open_rad is not None:
        share *= _overlap(optics.open_rad, middle_rad, width)
    middle_rad, share = middle_rad[share > 0], share[share > 0]
    shift = np.zeros((middle_rad.size, 2))
    for between, angles in optics.quadrant_shifts.items():
        part = _overlap(between, middle_rad, width)
        shift += part[:, None] * np.array(angles) * distance_mm
    return OpenAzimuths(azimuth_rad=middle_rad, share=share, shift_mm=shift)


def _overlap(
    between: tuple[float, float], middle_rad: np.ndarray, width: float
) -> np.ndarray:
    """Share of each step of azimuth that lies in a range."""
    first, last = between
    reach = (last - first) % _TURN or _TURN
    start = (middle_rad - width / 2 - first) % _TURN
    inside = np.clip(reach - start, 0.0, width)
    again = np.clip(start + width - _TURN, 0.0, reach)  # a step that ends past the start
    return np.clip((inside + again) / width, 0.0, 1.0)


def tables_of(
    optics: Optics,
    distances_mm: Sequence[float],
    errors: ErrorGrid,
    grid: OffsetGrid,
    turned: bool = True,
) -> tuple[MeridianTable, ...]:
    """Integrate the light of every group of azimuths, all energies and distances.

    With the cones as designed and, where mean errors will be asked for, with each stage
    turned either way.
    """
    turns = turned_cones(errors) if turned else ()

    def table(away_rad: float, of: ErrorGrid) -> MeridianTable:
        return meridian_table(
            optics.prescription,
            optics.light.tilted(optics.off_axis_rad, away_rad),
            detector_distances_mm=np.asarray(distances_mm, dtype=float),
            errors=of,
            grid=grid,
        )

    return tuple(
        replace(
            table(group.away_rad, errors),
            turned=tuple(table(group.away_rad, of) for of in turns),
        )
        for group in azimuth_groups(optics, 0.0)
    )


def turned_cones(errors: ErrorGrid) -> tuple[ErrorGrid, ...]:
    """Return what to integrate with each stage turned either way.

    By about the size of slope errors; with half the intervals, since only what a turn
    changes is used.
    """
    half = np.append(errors.primary_rad[:-1:2], errors.primary_rad[-1])
    size = errors.primary_rad[-1] / _LARGEST
    turns = ((size, 0.0), (-size, 0.0), (0.0, size), (0.0, -size))
    return tuple(replace(errors, primary_rad=half, turn_rad=turn) for turn in turns)


def view_of(
    optics: Optics,
    tables: Sequence[MeridianTable],
    place: tuple[int, int, float],
    pixel_mm: float,
    center_mm: float = 0.0,
) -> View:
    """Return one image; ``place`` is number of the distance, of the energy, distance (mm).

    Nothing is blurred less than a bin, which would only show the bins.
    """
    distance, energy, distance_mm = place
    blur = math.hypot(optics.blur_mm(distance_mm, pixel_mm), center_mm)
    blur = max(blur, 0.5 * tables[0].grid.step_mm)
    return View(
        planes=tuple(Plane(table=t, distance=distance, energy=energy) for t in tables),
        azimuths=tuple(g.azimuths for g in azimuth_groups(optics, distance_mm)),
        blur_mm=blur,
    )
