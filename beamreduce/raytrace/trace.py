"""Send rays through the mirror: source, primary, secondary, detectors.

One compiled kernel makes the rays, follows them and fills rings and images as it goes, so
memory does not depend on the number of rays. Rays are straight lines between surfaces; a
foil absorbs what falls on its back or its edges.
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from beamreduce.errors import GeometryError, SettingsError
from beamreduce.mirror import junction_focal_length_mm
from beamreduce.raytrace.collect import (
    Tallies,
    TracePlan,
    empty_tallies,
    targets_of,
)
from beamreduce.raytrace.error_law import STEPS, ErrorLaw
from beamreduce.raytrace.fates import FATES
from beamreduce.raytrace.kernel import (
    ACROSS,
    AZIMUTH,
    DISC,
    NUMBERS,
    RADIUS,
    SCATTER,
    TILT,
    Openings,
    Setup,
    trace_part,
)
from beamreduce.raytrace.mirror_state import MirrorState
from beamreduce.raytrace.ray_list import RayList, list_of
from beamreduce.raytrace.rays import Light, spread_points
from beamreduce.raytrace.strata import cut_into_strata

_MOSTSCATTERED = 0.5  # chance; more would make the mirrored rays too few


@dataclass(frozen=True, kw_only=True)
class Traced:
    """What came of a trace.

    Areas are in mm²: a beam of one photon a mm² at the reference plane, square to it,
    would send that many photons there.

    Parameters
    ----------
    plan
        Where rays were counted.
    energy_kev
        Photon energies, shape (energies,); NaN for a mirror that reflects everything.
    area_mm2, area_error_mm2
        Effective area and its standard error from independent parts, shape (energies,).
    quadrant_area_mm2
        By quadrant, shape (quadrants, energies).
    ring_parts_mm2
        Area that lands in each ring, by independent part: shape (shifts, distances,
        energies, rings); :attr:`rings_mm2` is their mean.
    beyond_mm2
        Area that lands outside all rings, shape (distances, energies).
    image_mm2
        Area that lands in each pixel, shape (distances, energies, rows, columns); None
        where no image was asked for.
    rays_by_fate, opening_by_fate_mm2
        Number of rays, and area of the beam that falls into the openings of the mirror,
        by what became of them; each adds up to the whole.
    moments_mm
        Mean of x, y, slope x and slope y by quadrant and energy, (quadrants, energies, 4).
    ray_parts
        The rays of each independent part, whose areas by themselves add up to the whole
        (see ``rays_by_fate`` for those that are not among them); empty unless asked for.
    """

    plan: TracePlan
    energy_kev: np.ndarray
    area_mm2: np.ndarray
    area_error_mm2: np.ndarray
    quadrant_area_mm2: np.ndarray
    ring_parts_mm2: np.ndarray
    beyond_mm2: np.ndarray
    image_mm2: np.ndarray | None
    rays_by_fate: Mapping[str, int]
    opening_by_fate_mm2: Mapping[str, float]
    moments_mm: np.ndarray
    ray_parts: tuple[RayList, ...] = ()

    @property
    def rays(self) -> int:
        """All rays that were followed."""
        return sum(self.rays_by_fate.values())

    @property
    def rings_mm2(self) -> np.ndarray:
        """Area that lands in each ring, shape (distances, energies, rings)."""
        return self.ring_parts_mm2.mean(axis=0)

    @property
    def enclosed_mm2(self) -> np.ndarray:
        """Area that lands within each radius, shape (distances, energies, rings)."""
        return np.cumsum(self.rings_mm2, axis=-1)

    @property
    def enclosed_error_mm2(self) -> np.ndarray:
        """Standard error of :attr:`enclosed_mm2` from the independent parts."""
        return _standard_error(np.cumsum(self.ring_parts_mm2, axis=-1))

    def centroid_mm(self, distance_mm: float) -> np.ndarray:
        """Return the mean place of all light at a distance, (quadrants, energies, 2).

        NaN for a quadrant through which nothing comes.
        """
        return self.moments_mm[..., :2] + distance_mm * self.moments_mm[..., 2:]


def trace(
    mirror: MirrorState,
    light: Light,
    plan: TracePlan,
    *,
    rays: int,
    rng: np.random.Generator,
) -> Traced:
    """Trace rays through a mirror.

    Parameters
    ----------
    mirror
        The mirror, with its errors and coatings.
    light
        The source.
    plan
        Detector distances, rings, pixels.
    rays
        About how many to send into the openings between foils: every opening has at
        least one in each of the independent parts.
    rng
        Chooses where the sequences of points start; the same generator, the same result.

    Raises
    ------
    GeometryError
        When nothing is open, the source is inside the mirror, or no ray comes through.
    SettingsError
        When there are fewer rays than independent parts, or rays fall on the mirror more
        steeply than the coatings' tables reach.

    Notes
    -----
    A near source shines alike in all directions, so its flux falls a little towards the
    rim of the mirror; areas refer to the flux in the middle. Facets are met in proportion
    to the area of the mean surface, not of their own slope.
    """
    if rays < plan.shifts:
        raise SettingsError(
            f"rays must be at least the number of shifts, {plan.shifts}; got {rays}"
        )
    _check_steepness(mirror, light)
    strata = cut_into_strata(mirror, light, whole=plan.whole_openings)
    area = strata.openings["area_mm2"]
    counts = np.maximum(np.rint(rays / plan.shifts * area / area.sum()), 1).astype(np.int64)
    openings = Openings(
        strata.openings, strata.stages, strata.moves, strata.moved, strata.bars, counts
    )
    setup, numbers = _setup_of(mirror, light)
    points = spread_points(len(numbers), plan.shifts, rng)
    quadrants = len(mirror.quadrants)
    sizes = (len(counts), quadrants, mirror.energy_kev.size)
    targets = targets_of(plan, quadrants)
    step = np.zeros(NUMBERS, dtype=np.uint64)
    step[numbers] = points.step
    parts, listed = [], []
    image = empty_tallies(plan, sizes).image
    for begin in points.start:
        start = np.zeros(NUMBERS, dtype=np.uint64)
        start[numbers] = begin
        tallies = empty_tallies(plan, sizes, rays=int(counts.sum()))
        tallies = tallies._replace(image=image)  # the largest, and needed only in sum
        trace_part(openings, setup, (start, step), targets, tallies)
        if plan.list_rays:
            rows, used = tallies.listed
            listed.append(list_of(rows[: used[0]]))
        parts.append(tallies._replace(listed=()))
    traced = _traced(mirror, light, plan, (parts, area / counts))
    return replace(traced, ray_parts=tuple(listed))


def _setup_of(mirror: MirrorState, light: Light) -> tuple[Setup, np.ndarray]:
    """Return the set-up and which numbers of a point are in use."""
    figure = mirror.figure
    scatters = mirror.scatters
    laws = (
        figure.primary,
        figure.secondary,
        figure.primary_across,
        figure.secondary_across,
        mirror.scatter or ErrorLaw.none(),
    )
    drawn = np.array([not law.is_zero for law in laws[:4]] + [scatters])
    disc = light.source_diameter_mm > 0 and not light.parallel
    used = {RADIUS, AZIMUTH}
    used |= {DISC, DISC + 1} if disc else set()
    number = (TILT, TILT + 1, ACROSS, ACROSS + 1)
    used |= {number[k] for k in range(4) if drawn[k]}
    used |= {SCATTER, SCATTER + 1} if scatters else set()
    shares, chances, step = _coating_arrays(mirror)
    setup = Setup(
        laws=np.array([law.quantiles_rad for law in laws]).reshape(5, STEPS + 1),
        drawn=drawn,
        disc=disc,
        blades=mirror.pre_collimator_mm > 0,
        half_bar_mm=mirror.bars.width_mm / 2 if mirror.bars else 0.0,
        shares=shares,
        chances=chances,
        angle_step_rad=step,
    )
    return setup, np.array(sorted(used))


def _coating_arrays(mirror: MirrorState) -> tuple[np.ndarray, np.ndarray, float]:
    """Shares by coating, angle, way and energy; chances to choose the scattered way."""
    coatings = mirror.coatings
    if not coatings:
        everything = np.zeros((1, 2, 2, 1))
        everything[:, :, 0] = 1.0
        return everything, np.zeros((1, 2)), math.pi
    ways = np.array([[c.specular, c.scattered] for c in coatings])
    total = ways.sum(axis=1)
    part = np.divide(ways[:, 1], total, out=np.zeros_like(total), where=total > 0)
    # As large as at the energy that scatters most, so that no weight is large.
    chances = np.minimum(part.max(axis=1), _MOSTSCATTERED)
    shares = np.ascontiguousarray(ways.transpose(0, 3, 1, 2))
    return shares, chances, coatings[0].angle_step_rad


def _check_steepness(mirror: MirrorState, light: Light) -> None:
    if not mirror.coatings:
        return
    outer = mirror.prescription.nestings[-1]
    steepest = outer.primary_angle_rad + light.off_axis_rad
    if not light.parallel:
        steepest += outer.radius_mm / light.source_distance_mm
    reach = mirror.coatings[0].steepest_rad
    if steepest > reach:
        raise SettingsError(
            f"rays fall on the mirror at up to {steepest:.4g} rad, the coatings' tables "
            f"end at {reach:.4g} rad; make them with a larger steepest angle"
        )


def _traced(
    mirror: MirrorState,
    light: Light,
    plan: TracePlan,
    counted: tuple[list[Tallies], np.ndarray],
) -> Traced:
    """Put independent parts together; the array is the area of a ray by opening."""
    parts, area_of_ray = counted
    by_opening = sum(part.rays for part in parts)
    rays = by_opening.sum(axis=0)
    fates = area_of_ray @ by_opening / len(parts)
    by_quadrant = np.array([part.area for part in parts])
    area = by_quadrant.sum(axis=1)
    if not area.any():
        raise GeometryError(_nothing_through(mirror, light, rays))
    rings = np.array([part.rings for part in parts]).transpose(0, 1, 3, 2)
    image = parts[0].image.transpose(0, 3, 1, 2) / len(parts)
    lit = by_quadrant.mean(axis=0)
    moments = np.mean([part.moments for part in parts], axis=0)
    unlit = np.full_like(moments, math.nan)
    return Traced(
        plan=plan,
        energy_kev=mirror.energy_kev,
        area_mm2=area.mean(axis=0),
        area_error_mm2=_standard_error(area),
        quadrant_area_mm2=lit,
        ring_parts_mm2=rings[..., :-1],
        beyond_mm2=rings[..., -1].mean(axis=0),
        image_mm2=np.ascontiguousarray(image) if plan.image else None,
        rays_by_fate={name: int(n) for name, n in zip(FATES, rays, strict=True)},
        opening_by_fate_mm2={name: float(a) for name, a in zip(FATES, fates, strict=True)},
        moments_mm=np.divide(
            moments, lit[..., np.newaxis], out=unlit, where=lit[..., np.newaxis] > 0
        ),
    )


def _standard_error(parts: np.ndarray) -> np.ndarray:
    """Standard error of the mean over the first axis."""
    return parts.std(axis=0, ddof=1) / math.sqrt(len(parts))


def _nothing_through(mirror: MirrorState, light: Light, rays: np.ndarray) -> str:
    """Say why no ray comes through, as far as the fates of the rays tell."""
    most = FATES[int(rays.argmax())].replace("_", " ")
    text = f"no ray of {rays.sum()} comes through the mirror as asked (most end as: {most})"
    nearest = min(
        n.radius_mm / math.tan(n.primary_angle_rad)
        for n in mirror.prescription.nestings
        if n.primary_angle_rad > 0
    )
    if light.source_distance_mm < 1.05 * nearest:
        focal = junction_focal_length_mm(mirror.prescription.nestings[0])
        return (
            f"{text}: the source at {light.source_distance_mm / 1000:.4g} m is too near; "
            f"it must be well beyond {nearest / 1000:.4g} m, about four times the focal "
            f"length of {focal / 1000:.4g} m, for any ray to meet a secondary"
        )
    return f"{text}; check the prescription, errors and off-axis angle, or send more rays"
