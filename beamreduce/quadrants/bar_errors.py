"""What errors of alignment bars do to the image, nesting by nesting.

Radial bars hold the reflectors at the front and rear end of each stage. Where one is out by
a little, the reflector there is turned in the plane of reflection and moved, and its light
lands elsewhere along its own radius.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from beamreduce.mirror import Nesting, Prescription
from beamreduce.raytrace import (
    Light,
    MirrorState,
    Placement,
    Quadrant,
    TracePlan,
    trace,
)

BARS = ("primary_front", "primary_rear", "secondary_front", "secondary_rear")
_RAYS, _SEED = 4000, 20260415
_TRIED_MM, _SHIFTED_MM = 0.002, 0.05
_HALF_SECTOR_RAD = math.radians(0.25)  # so narrow that x is the radius
_NORMAL_HALVES = 1.3489795  # HPD of light spread normally along one line, over its sigma


@dataclass(frozen=True, kw_only=True)
class BarEffects:
    """Effects of errors of single bars on the light of one nesting.

    Parameters
    ----------
    nesting, radius_mm
        Number and radius at the reference plane.
    radial
        Move of the image outwards, mm for a mm that a bar is too far out, by
        :data:`BARS`, (4,).
    together
        The same with all four bars of one azimuth out alike: nearly a move of a lens.
    tilt_mm
        Move of the image, mm for a rad that a bar is turned in its own plane of reflection
        about its middle (its outer end towards the detector), (4,).
    """

    nesting: int
    radius_mm: float
    radial: np.ndarray
    together: float
    tilt_mm: np.ndarray

    def half_power_mm(self, bar_error_mm: float) -> float:
        """Return the HPD that independent normal errors of all bars alone would give."""
        return _NORMAL_HALVES * bar_error_mm * float(np.sqrt(np.sum(self.radial**2)))


def bar_effects(
    prescription: Prescription, light: Light, detector_mm: float
) -> tuple[BarEffects, ...]:
    """Trace every nesting with each of its bars out a little either way.

    Parameters
    ----------
    prescription
        The nest, from the inside out; bars reach from its first to its last nesting.
    light
        The source.
    detector_mm
        Detector behind the reference plane.

    Notes
    -----
    Each nesting is traced by itself: what its neighbour shades hardly changes where light
    lands. A bar that is turned in its plane of reflection moves what it holds along the
    axis by the angle times the distance from its middle; a cone moved along the axis is
    wider by the tangent of its angle times that. A bar turned about the mirror's axis moves
    nothing to first order, since the mirror is round about it.
    """
    nestings = prescription.nestings
    middle_mm = (nestings[0].radius_mm + nestings[-1].radius_mm) / 2
    return tuple(
        _effects(n, prescription, (light, detector_mm), middle_mm) for n in nestings
    )


def held_by(nesting: Nesting, bar: str, error_mm: float) -> tuple[str, Placement]:
    """Return which stage a bar's error moves, and how, at azimuth 0.

    One end goes out by the error, the other end of the stage stays.
    """
    stage, end = bar.split("_")
    half = nesting.gap_mm / 2
    if stage == "primary":
        front, rear = -half - nesting.primary_length_mm, -half
    else:
        front, rear = half, half + nesting.secondary_length_mm
    moved, stays = (front, rear) if end == "front" else (rear, front)
    lean = error_mm / (moved - stays)
    return stage, Placement(shift_mm=(-lean * stays, 0.0, 0.0), lean_rad=(lean, 0.0))


def _effects(
    nesting: Nesting,
    prescription: Prescription,
    beam: tuple[Light, float],
    middle_mm: float,
) -> BarEffects:
    held = [dict([held_by(nesting, bar, _TRIED_MM)]) for bar in BARS]
    out = Placement(shift_mm=(_SHIFTED_MM, 0.0, 0.0))
    alone = replace(prescription, nestings=(nesting,))
    moves = _moves_mm(alone, [*held, {"primary": out, "secondary": out}], beam)
    radial = moves[:-1] / _TRIED_MM
    angles = [nesting.primary_angle_rad] * 2 + [nesting.secondary_angle_rad] * 2
    return BarEffects(
        nesting=nesting.number,
        radius_mm=nesting.radius_mm,
        radial=radial,
        together=float(moves[-1]) / _SHIFTED_MM,
        tilt_mm=radial * np.tan(angles) * (nesting.radius_mm - middle_mm),
    )


def _moves_mm(
    alone: Prescription, cases: Sequence[Mapping[str, Placement]], beam: tuple[Light, float]
) -> np.ndarray:
    """Move of the image outwards in each case: half of that between it and its opposite.

    Every case, and its opposite, is a narrow sector of one mirror at its own azimuth.
    """
    light, detector_mm = beam
    sectors = [(stages, sign) for stages in cases for sign in (1.0, -1.0)]
    azimuths = 2 * math.pi * np.arange(len(sectors)) / len(sectors)
    quadrants = tuple(
        Quadrant(
            name=f"sector {number}",
            azimuth_rad=(azimuth - _HALF_SECTOR_RAD, azimuth + _HALF_SECTOR_RAD),
            **{name: _turned(place, azimuth, sign) for name, place in stages.items()},
        )
        for number, ((stages, sign), azimuth) in enumerate(
            zip(sectors, azimuths.tolist(), strict=True)
        )
    )
    mirror = MirrorState(prescription=alone, quadrants=quadrants)
    plan = TracePlan(distances_mm=np.array([detector_mm]), shifts=2)
    rays = _RAYS * len(sectors)
    traced = trace(mirror, light, plan, rays=rays, rng=np.random.default_rng(_SEED))
    x, y = traced.centroid_mm(detector_mm)[:, 0].T
    outward = (x * np.cos(azimuths) + y * np.sin(azimuths)).reshape(-1, 2)
    return (outward[:, 0] - outward[:, 1]) / 2


def _turned(place: Placement, azimuth: float, sign: float) -> Placement:
    """A placement along x, turned to an azimuth, or its opposite."""
    along = sign * np.array([math.cos(azimuth), math.sin(azimuth)])
    x, y = (float(part) for part in place.shift_mm[0] * along)
    lean = tuple(float(part) for part in place.lean_rad[0] * along)
    return Placement(shift_mm=(x, y, 0.0), lean_rad=lean)
