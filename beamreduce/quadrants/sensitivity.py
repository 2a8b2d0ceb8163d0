"""What each adjuster does to the image of its quadrant, from the ray trace."""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from beamreduce.campaign.adjusters import Adjuster
from beamreduce.infinity.view import center_of_points, growth_of_points
from beamreduce.raytrace import Light, MirrorState, Placement, TracePlan, trace

_RAYS = 200_000
_SEED = 20260411
# Small beside what clips rays, large beside rounding: mm, rad.
_TRIED = {"shift": 0.05, "tilt": 1e-5}
_STEP_MM = 0.005


@dataclass(frozen=True, kw_only=True)
class Effect:
    """What one adjuster does.

    Parameters
    ----------
    adjuster
        Which.
    per_unit_mm
        Move of the image of its quadrant, x and y in the frame of the mirror's azimuths,
        mm for a mm or a rad of the adjuster, shape (2,).
    error_mm
        Standard error of that from independent parts of the trace, shape (2,).
    hpd_change_rad
        Change of the quadrant's half-power diameter with the adjuster at the end of its
        travel that makes the larger change.
    flux_per_unit
        Relative change of the quadrant's flux for a mm or a rad.
    """

    adjuster: Adjuster
    per_unit_mm: np.ndarray
    error_mm: np.ndarray
    hpd_change_rad: float
    flux_per_unit: float

    @property
    def per_step_mm(self) -> np.ndarray:
        """Move of the image for one step, shape (2,)."""
        return self.per_unit_mm * self.adjuster.step


def effects_of(
    adjusters: Sequence[Adjuster],
    mirror: MirrorState,
    light: Light,
    detector_mm: float,
) -> tuple[Effect, ...]:
    """Trace each quadrant with each of its adjusters moved a little either way.

    The same rays are used with and without a move, so that chance drops out of the
    difference.

    Parameters
    ----------
    adjusters
        Which.
    mirror
        The mirror, with errors that are known.
    light
        The source.
    detector_mm
        Detector behind the reference plane.
    """
    alone = {one.quadrant: mirror.behind_aperture(one.quadrant) for one in adjusters}
    sizes = {name: _hpd_rad(one, light, detector_mm) for name, one in alone.items()}
    return tuple(
        _effect(one, (alone[one.quadrant], sizes[one.quadrant]), light, detector_mm)
        for one in adjusters
    )


def moved(mirror: MirrorState, adjuster: Adjuster, amount: float) -> MirrorState:
    """Return the mirror with one adjuster moved, mm or rad."""
    quadrants = tuple(
        quadrant
        if quadrant.name != adjuster.quadrant
        else replace(
            quadrant,
            **{
                stage: placed(getattr(quadrant, stage), adjuster, amount)
                for stage in ("primary", "secondary")
                if adjuster.stage in (stage, "both")
            },
        )
        for quadrant in mirror.quadrants
    )
    return replace(mirror, quadrants=quadrants)


def placed(placement: Placement, adjuster: Adjuster, amount: float) -> Placement:
    """Return a placement with an adjuster's motion added.

    A tilt about a pivot is a lean about the reference plane and a shift that keeps the
    pivot where it is: a point at z moves sideways by ``tilt (z - pivot)``.
    """
    x, y, z = placement.shift_mm
    lean_x, lean_y = placement.lean_rad
    if adjuster.direction_rad is None:
        # Turned about the axis a figure of revolution stays as it is.
        along = amount if adjuster.motion == "shift" else 0.0
        return replace(placement, shift_mm=(x, y, z + along))
    cosine, sine = math.cos(adjuster.direction_rad), math.sin(adjuster.direction_rad)
    if adjuster.motion == "shift":
        return replace(placement, shift_mm=(x + amount * cosine, y + amount * sine, z))
    back = -amount * adjuster.pivot_mm
    return Placement(
        shift_mm=(x + back * cosine, y + back * sine, z),
        lean_rad=(lean_x + amount * cosine, lean_y + amount * sine),
    )


def _effect(
    adjuster: Adjuster,
    quadrant: tuple[MirrorState, float],
    light: Light,
    detector_mm: float,
) -> Effect:
    """Trace one adjuster; ``quadrant``: the mirror with only it open, and its HPD."""
    alone, here = quadrant
    number = [q.name for q in alone.quadrants].index(adjuster.quadrant)
    size = _TRIED[adjuster.motion]
    plan = TracePlan(distances_mm=np.array([detector_mm]), list_rays=True)
    places, fluxes = [], []
    for amount in (size, -size):
        rng = np.random.default_rng(_SEED)
        traced = trace(moved(alone, adjuster, amount), light, plan, rays=_RAYS, rng=rng)
        places.append(
            [
                (part.at(detector_mm) @ part.area_mm2[0]) / part.area_mm2[0].sum()
                for part in traced.ray_parts
            ]
        )
        fluxes.append(float(traced.quadrant_area_mm2[number, 0]))
    ends = [
        _hpd_rad(moved(alone, adjuster, amount), light, detector_mm) - here
        for amount in (adjuster.travel_min, adjuster.travel_max)
    ]
    parts = (np.array(places[0]) - np.array(places[1])) / (2 * size)
    return Effect(
        adjuster=adjuster,
        per_unit_mm=parts.mean(axis=0),
        error_mm=parts.std(axis=0, ddof=1) / math.sqrt(len(parts)),
        hpd_change_rad=max(ends, key=abs),
        flux_per_unit=(fluxes[0] - fluxes[1]) / (2 * size) / np.mean(fluxes),
    )


def _hpd_rad(mirror: MirrorState, light: Light, detector_mm: float) -> float:
    """Half-power diameter of all light, about its own center."""
    plan = TracePlan(distances_mm=np.array([detector_mm]), list_rays=True)
    rng = np.random.default_rng(_SEED)
    parts = trace(mirror, light, plan, rays=_RAYS, rng=rng).ray_parts
    x, y = np.concatenate([part.at(detector_mm) for part in parts], axis=1)
    area = np.concatenate([part.area_mm2[0] for part in parts]).astype(float)
    points = x - area @ x / area.sum(), y - area @ y / area.sum(), area
    center = center_of_points(points, math.inf, _STEP_MM)
    away = np.hypot(points[0] - center[0], points[1] - center[1])
    radii, growth = growth_of_points(away, area, _STEP_MM)
    return 2 * float(np.interp(growth[-1] / 2, growth, radii)) / detector_mm
