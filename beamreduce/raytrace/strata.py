"""The mirror cut into openings that rays are spread over: a nesting and a sector each.

Each opening is the ring between a foil and the back of the next foil inward, at the front
of the foil, over the azimuths of one quadrant that the aperture leaves open. Rays are
spread evenly over it and followed in the frame of the part they meet, so that everything
a kernel needs is a list of numbers for each opening.
"""

import math
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from beamreduce.errors import GeometryError
from beamreduce.raytrace.mirror_parts import TURN, Placement, Quadrant, range_width
from beamreduce.raytrace.mirror_state import MirrorState
from beamreduce.raytrace.rays import Light, rotation_to

_WIDEST = math.pi / 2 * (1 + 1e-12)  # the kernel's sine and cosine reach 45° either side
_SLIVER = 1e-12
_NEVER = -1.0  # a squared radius that no ray is inside of

OPENING = np.dtype(
    [
        (name, np.float64)
        for name in (
            "inner2_mm2", "span_mm2",  # squared inner radius, and what is added up to outer
            "azimuth", "width",  # of the middle, and of the whole sector, rad
            "front_mm",  # z of the entrance
            "area_mm2",  # of the beam at the reference plane that goes in
            "source_x", "source_y", "inverse_height",  # of a near source above the front
            "slope_x", "slope_y",  # of a parallel beam
            "disc_xx", "disc_xy", "disc_yx", "disc_yy",  # source disc, radii along x, y
            "blade_mm", "blade_inner2", "blade_outer2",  # pre-collimator
        )
    ]
    + [(name, np.int64) for name in ("quadrant", "coating", "first_bar", "last_bar")]
)  # fmt: skip
STAGE = np.dtype(
    [
        (name, np.float64)
        for name in (
            "radius", "steepness", "cosine", "sine",  # cone: radius - steepness z
            "start", "end",  # of the surface along z
            "mean",  # cone-angle error, the sign that makes the cone steeper
            "upper", "upper_back2",  # z, squared radius of the neighbour's back there
            "lower", "lower_back2",
            "own_end", "own_outer2",  # where a ray must be inside the foil if it missed it
        )
    ]
)  # fmt: skip


@dataclass(frozen=True, kw_only=True)
class Strata:
    """Openings of a lit mirror, as arrays for the kernel.

    Parameters
    ----------
    openings, stages
        Records of shape (openings,) and (openings, 2).
    moves
        Rigid moves of rays from the primary's frame to the secondary's, and from there to
        the detector's: rotation and shift, shape (openings, 2, 3, 4).
    moved
        Whether those moves do anything, shape (openings, 2).
    bars
        Cosine and sine of the azimuth of bars, shape (bars, 2), by opening.
    """

    openings: np.ndarray
    stages: np.ndarray
    moves: np.ndarray
    moved: np.ndarray
    bars: np.ndarray


def cut_into_strata(mirror: MirrorState, light: Light, *, whole: bool) -> Strata:
    """Cut a lit mirror into openings.

    Parameters
    ----------
    mirror, light
        What is lit, and by what.
    whole
        False leaves out the part of an opening from where no ray can meet the primary.

    Raises
    ------
    GeometryError
        When nothing is open, or the source stands inside the mirror.
    """
    means = mirror.figure.means_rad(
        len(mirror.prescription.nestings), len(mirror.quadrants)
    )
    cones = _cones_of(mirror)
    openings, stages, moves, bars = [], [], [], []
    for index, quadrant in enumerate(mirror.quadrants):
        moved = _moves(quadrant, light)
        from_here = _seen_from(quadrant.primary, mirror, light)
        both = _both_stages(cones, means[:, :, index])
        for sector in sectors(mirror, quadrant):
            own_bars = _bars_in(mirror, sector)
            opening = _openings(cones, from_here, sector, whole=whole)
            opening["blade_mm"] = opening["front_mm"] - mirror.pre_collimator_mm
            opening["quadrant"] = index
            opening["first_bar"] = len(bars)
            bars += own_bars
            opening["last_bar"] = len(bars)
            if mirror.coating_of_nesting is not None:
                opening["coating"] = mirror.coating_of_nesting
            lets_in = opening["span_mm2"] > 0
            openings.append(opening[lets_in])
            stages.append(both[lets_in])
            moves += [moved] * int(lets_in.sum())
    if not moves:
        raise GeometryError(
            "nothing is open: no quadrant lies within the aperture, or each foil covers "
            "the opening of the next; check quadrants, open_rad and the prescription"
        )
    return Strata(
        openings=np.concatenate(openings),
        stages=np.concatenate(stages),
        moves=np.array(moves),
        moved=np.any(np.array(moves) != np.eye(3, 4), axis=(2, 3)),
        bars=np.array(bars).reshape(-1, 2),
    )


def sectors(mirror: MirrorState, quadrant: Quadrant) -> list[tuple[float, float]]:
    """Return the open azimuths of a quadrant as (first, width), none wider than 90°."""
    first, width = quadrant.azimuth_rad[0], quadrant.width_rad
    pieces = [(first, width)]
    if mirror.open_rad is not None:
        pieces = []
        for opened in mirror.open_rad:
            start = first + (opened[0] - first) % TURN
            for begin in (start - TURN, start):
                low = max(first, begin)
                high = min(first + width, begin + range_width(opened))
                if high - low > _SLIVER:
                    pieces.append((low, high - low))
    cut = []
    for low, span in pieces:
        parts = math.ceil(span / _WIDEST)
        cut += [(low + k * span / parts, span / parts) for k in range(parts)]
    return cut


def _rotation(placement: Placement) -> np.ndarray:
    """Rotation from the frame of a part to the mirror's."""
    return rotation_to(np.array([*placement.lean_rad, 1.0]))


def _moves(quadrant: Quadrant, light: Light) -> np.ndarray:
    """Moves from primary to secondary and from secondary to detector, (2, 3, 4)."""
    first, second = quadrant.primary, quadrant.secondary
    middle = np.eye(3, 4)
    turn = _rotation(second)
    if first != second:
        shift = np.subtract(first.shift_mm, second.shift_mm)
        middle = np.column_stack([turn.T @ _rotation(first), turn.T @ shift])
    last = light.to_detector
    return np.stack(
        [middle, np.column_stack([last @ turn, last @ np.array(second.shift_mm)])]
    )


def _bars_in(mirror: MirrorState, sector: tuple[float, float]) -> list[tuple[float, float]]:
    """Directions of the bars that may shade a sector."""
    if mirror.bars is None:
        return []
    inner_mm = mirror.prescription.nestings[0].radius_mm / 2
    margin = math.asin(min(mirror.bars.width_mm / 2 / inner_mm, 1.0))
    first, width = sector[0] - margin, sector[1] + 2 * margin
    return [
        (math.cos(azimuth), math.sin(azimuth))
        for azimuth in mirror.bars.azimuths_rad
        if (azimuth - first) % TURN <= width
    ]


class _Cones(NamedTuple):
    """Numbers of all nestings, one row a nesting; of stages shape (nestings, 2)."""

    radius: np.ndarray
    thickness: np.ndarray
    angle: np.ndarray
    first: np.ndarray  # z of the upper end
    last: np.ndarray

    def back(self, stage: int, z: np.ndarray) -> np.ndarray:
        """Radius of the back of each foil at z."""
        return self.radius + self.thickness - np.tan(self.angle[:, stage]) * z


class _Seen(NamedTuple):
    """The beam as seen in the frame of the primaries of a quadrant."""

    slope: np.ndarray  # of a parallel beam, else zero
    place: np.ndarray  # of a near source, else zero
    distance2: float  # of a near source from the middle of the mirror, squared, or infinite
    disc: np.ndarray  # radii of the source along x and y, shape (2, 2)


def _cones_of(mirror: MirrorState) -> _Cones:
    rows = mirror.prescription.nestings
    half = [n.gap_mm / 2 for n in rows]
    ends = [
        (-h - n.primary_length_mm, -h, h, h + n.secondary_length_mm)
        for n, h in zip(rows, half, strict=True)
    ]
    return _Cones(
        radius=np.array([n.radius_mm for n in rows]),
        thickness=np.array([n.thickness_mm for n in rows]),
        angle=np.array([(n.primary_angle_rad, n.secondary_angle_rad) for n in rows]),
        first=np.array(ends)[:, [0, 2]],
        last=np.array(ends)[:, [1, 3]],
    )


def _seen_from(placement: Placement, mirror: MirrorState, light: Light) -> _Seen:
    """Describe the beam in the frame of a part."""
    turn = _rotation(placement)
    if light.parallel:
        direction = turn.T @ light.direction
        slope = direction[:2] / direction[2]
        return _Seen(slope, np.zeros(3), math.inf, np.zeros((2, 2)))
    place = turn.T @ (light.place_mm - np.array(placement.shift_mm))
    reach = max(n.primary_length_mm + n.gap_mm / 2 for n in mirror.prescription.nestings)
    if -place[2] <= reach + mirror.pre_collimator_mm:
        raise GeometryError(
            f"the source must stand in front of the mirror; at "
            f"{light.source_distance_mm:g} mm from the reference plane it is inside"
        )
    # Height above the front of points of the disc differs by less than a millionth.
    disc = turn.T @ rotation_to(light.direction) * light.source_diameter_mm / 2
    return _Seen(np.zeros(2), place, float(np.sum(light.place_mm**2)), disc[:2, :2])


def _openings(
    cones: _Cones, seen: _Seen, sector: tuple[float, float], *, whole: bool
) -> np.ndarray:
    """Numbers of the opening in front of each primary, over one sector."""
    opening = np.zeros(cones.radius.size, OPENING)
    front, bottom = cones.first[:, 0], cones.last[:, 0]
    outer = cones.radius - np.tan(cones.angle[:, 0]) * front
    opening["azimuth"], opening["width"] = sector[0] + sector[1] / 2, sector[1]
    opening["front_mm"] = front
    opening["slope_x"], opening["slope_y"] = seen.slope
    opening["source_x"], opening["source_y"] = seen.place[:2]
    (xx, xy), (yx, yy) = seen.disc
    opening["disc_xx"], opening["disc_xy"] = xx, xy
    opening["disc_yx"], opening["disc_yy"] = yx, yy
    if math.isfinite(seen.distance2):
        opening["inverse_height"] = 1 / (front - seen.place[2])
    reach = outer + np.hypot(*seen.place[:2]) + np.abs(seen.disc).sum()
    outward = np.hypot(*seen.slope) + reach * opening["inverse_height"]
    # From further in no ray reaches the primary before its end.
    at_bottom = cones.radius - np.tan(cones.angle[:, 0]) * bottom
    inner = np.maximum(at_bottom - outward * (bottom - front), 0.0)
    opening["blade_inner2"], opening["blade_outer2"] = _NEVER, outer**2
    # From the second nesting on, the back of the foil inside bounds the opening, at its
    # front end or, when it reaches further, where this one begins.
    start = np.maximum(front[:-1], front[1:])
    edge = _Cones(*(part[:-1] for part in cones)).back(0, start)
    edge = np.maximum(edge - outward[1:] * (start - front[1:]), 0.0)
    inner[1:] = edge if whole else np.maximum(inner[1:], edge)
    opening["blade_inner2"][1:] = cones.back(0, front)[:-1] ** 2
    opening["inner2_mm2"] = inner**2
    opening["span_mm2"] = np.maximum(outer**2 - inner**2, 0.0)
    ring = sector[1] / 2 * opening["span_mm2"]
    opening["area_mm2"] = ring * _beam_share(opening, outer, seen)
    return opening


def _beam_share(opening: np.ndarray, radius: np.ndarray, seen: _Seen) -> np.ndarray:
    """Area square to the beam at the middle of the mirror for one of an opening's.

    A source shines alike in all directions: an opening at height h above which it stands,
    d away, gets ``h/d³`` of its light per area, the middle of the mirror ``1/d0²``.
    """
    if math.isinf(seen.distance2):
        return np.full(radius.shape, 1 / math.sqrt(1 + np.sum(seen.slope**2)))
    height = 1 / opening["inverse_height"]
    across = np.hypot(
        radius * np.cos(opening["azimuth"]) - seen.place[0],
        radius * np.sin(opening["azimuth"]) - seen.place[1],
    )
    return seen.distance2 * height / (height**2 + across**2) ** 1.5


def _both_stages(cones: _Cones, means: np.ndarray) -> np.ndarray:
    """Numbers of primary and secondary of each nesting, records of shape (nestings, 2)."""
    stages = np.zeros(cones.angle.shape, STAGE)
    stages["radius"] = cones.radius[:, np.newaxis]
    stages["steepness"] = np.tan(cones.angle)
    stages["cosine"], stages["sine"] = np.cos(cones.angle), np.sin(cones.angle)
    stages["start"], stages["end"] = cones.first, cones.last
    stages["mean"] = means.T * (1, -1)
    stages["own_outer2"] = math.inf
    rear = stages[:, 1]
    rear["own_end"] = cones.first[:, 1]
    rear["own_outer2"] = (cones.radius - rear["steepness"] * cones.first[:, 1]) ** 2
    stages["upper_back2"] = stages["lower_back2"] = _NEVER
    for number in range(2):
        stage = stages[1:, number]
        upper, lower = cones.first[:, number], cones.last[:, number]
        stage["upper"], stage["lower"] = upper[:-1], lower[:-1]
        stage["upper_back2"] = cones.back(number, upper)[:-1] ** 2
        stage["lower_back2"] = cones.back(number, lower)[:-1] ** 2
    # Where both foils begin together, the opening itself ends at that back.
    together = stages["upper"][:, 0] == stages["start"][:, 0]
    stages["upper_back2"][together, 0] = _NEVER
    return stages
