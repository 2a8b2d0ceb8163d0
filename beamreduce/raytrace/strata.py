"""The mirror cut into openings that rays are spread over: a nesting and a sector each.

Each opening is the ring between a foil and the back of the next foil inward, at the front
of the foil, over the azimuths of one quadrant that the aperture leaves open. Rays are
spread evenly over it and followed in the frame of the part they meet, so that everything
a kernel needs is a list of numbers for each opening.
"""

import math
from dataclasses import dataclass

import numpy as np

from beamreduce.errors import GeometryError
from beamreduce.mirror import Nesting
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
    openings, stages, moves, bars = [], [], [], []
    for index, quadrant in enumerate(mirror.quadrants):
        moved = _moves(quadrant, light)
        for sector in sectors(mirror, quadrant):
            own_bars = _bars_in(mirror, sector)
            tags = (index, len(bars), len(bars) + len(own_bars))
            bars += own_bars
            for i in range(len(mirror.prescription.nestings)):
                opening = _opening(mirror, light, (i, quadrant.primary), sector)
                _keep_ring(opening, mirror, i, whole=whole)
                if opening["span_mm2"] <= 0:
                    continue
                opening["quadrant"], opening["first_bar"], opening["last_bar"] = tags
                openings.append(opening)
                stages.append(_both_stages(mirror, i, means[:, i, index]))
                moves.append(moved)
    if not openings:
        raise GeometryError(
            "nothing is open: no quadrant lies within the aperture, or each foil covers "
            "the opening of the next; check quadrants, open_rad and the prescription"
        )
    return Strata(
        openings=np.array(openings),
        stages=np.array(stages),
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


def _surface_mm(nesting: Nesting, z: float) -> float:
    """Radius of the reflecting surface at z."""
    angle = nesting.primary_angle_rad if z < 0 else nesting.secondary_angle_rad
    return nesting.radius_mm - math.tan(angle) * z


def _front_mm(nesting: Nesting) -> float:
    return -nesting.gap_mm / 2 - nesting.primary_length_mm


def _opening(
    mirror: MirrorState,
    light: Light,
    part: tuple[int, Placement],
    sector: tuple[float, float],
) -> np.ndarray:
    """Numbers of an opening but for its inner edge, in the frame of the primary."""
    i, placement = part
    nesting = mirror.prescription.nestings[i]
    opening = np.zeros((), OPENING)
    turn = _rotation(placement)
    opening["azimuth"], opening["width"] = sector[0] + sector[1] / 2, sector[1]
    opening["front_mm"] = front = _front_mm(nesting)
    number = mirror.coating_of_nesting
    opening["coating"] = 0 if number is None else number[i]
    direction = turn.T @ light.direction
    if light.parallel:
        opening["slope_x"], opening["slope_y"] = direction[:2] / direction[2]
    else:
        place = turn.T @ (light.place_mm - np.array(placement.shift_mm))
        height = front - place[2]
        if height <= mirror.pre_collimator_mm:
            raise GeometryError(
                f"the source must stand in front of the mirror; at "
                f"{light.source_distance_mm:g} mm from the reference plane it is inside"
            )
        opening["source_x"], opening["source_y"] = place[:2]
        opening["inverse_height"] = 1 / height
        # Height above the front of points of the disc differs by less than a millionth.
        disc = turn.T @ rotation_to(light.direction) * light.source_diameter_mm / 2
        opening["disc_xx"], opening["disc_yx"] = disc[:2, 0]
        opening["disc_xy"], opening["disc_yy"] = disc[:2, 1]
    opening["area_mm2"] = _beam_share(opening, _surface_mm(nesting, front), light)
    return opening


def _keep_ring(opening: np.ndarray, mirror: MirrorState, i: int, *, whole: bool) -> None:
    """Set the ring that rays are spread over, its area, and the blades in front of it."""
    nestings = mirror.prescription.nestings
    nesting, front = nestings[i], float(opening["front_mm"])
    outer = _surface_mm(nesting, front)
    outward = _steepest_outward(opening, outer, mirror)
    bottom = -nesting.gap_mm / 2
    # From further in no ray reaches the primary before its end.
    inner = max(_surface_mm(nesting, bottom) - outward * (bottom - front), 0.0)
    opening["blade_mm"] = front - mirror.pre_collimator_mm
    opening["blade_inner2"], opening["blade_outer2"] = _NEVER, outer**2
    if i > 0:
        neighbour = nestings[i - 1]
        start = max(_front_mm(neighbour), front)
        back = _surface_mm(neighbour, start) + neighbour.thickness_mm
        edge = max(back - outward * (start - front), 0.0)
        inner = edge if whole else max(inner, edge)
        rim = _surface_mm(neighbour, _front_mm(neighbour)) + neighbour.thickness_mm
        opening["blade_inner2"] = rim**2
    opening["inner2_mm2"] = inner**2
    opening["span_mm2"] = outer**2 - inner**2 if inner < outer else 0.0
    opening["area_mm2"] *= opening["width"] / 2 * opening["span_mm2"]


def _beam_share(opening: np.ndarray, radius: float, light: Light) -> float:
    """Area square to the beam at the middle of the mirror for one of an opening's.

    A source shines alike in all directions: an opening at height h above which it stands,
    d away, gets ``h/d³`` of its light per area, the middle of the mirror ``1/d0²``.
    """
    if light.parallel:
        return 1 / math.sqrt(1 + opening["slope_x"] ** 2 + opening["slope_y"] ** 2)
    height = 1 / opening["inverse_height"]
    across = np.hypot(
        radius * math.cos(opening["azimuth"]) - opening["source_x"],
        radius * math.sin(opening["azimuth"]) - opening["source_y"],
    )
    distance2 = height**2 + across**2
    return float((light.place_mm**2).sum() * height / distance2**1.5)


def _steepest_outward(opening: np.ndarray, outer: float, mirror: MirrorState) -> float:
    """Slope away from the axis that no incoming ray exceeds."""
    if opening["inverse_height"] == 0:
        return float(np.hypot(opening["slope_x"], opening["slope_y"]))
    disc = np.abs([opening[name] for name in ("disc_xx", "disc_xy", "disc_yx", "disc_yy")])
    reach = outer + np.hypot(opening["source_x"], opening["source_y"]) + disc.sum()
    return float(reach * opening["inverse_height"])


def _both_stages(mirror: MirrorState, i: int, means: np.ndarray) -> np.ndarray:
    """Numbers of primary and secondary of a nesting, records of shape (2,)."""
    nesting = mirror.prescription.nestings[i]
    neighbour = mirror.prescription.nestings[i - 1] if i else None
    half_gap = nesting.gap_mm / 2
    stages = np.zeros(2, STAGE)
    ends = (
        (_front_mm(nesting), -half_gap),
        (half_gap, half_gap + nesting.secondary_length_mm),
    )
    angles = (nesting.primary_angle_rad, nesting.secondary_angle_rad)
    for stage, angle, (start, end) in zip(stages, angles, ends, strict=True):
        stage["radius"], stage["steepness"] = nesting.radius_mm, math.tan(angle)
        stage["cosine"], stage["sine"] = math.cos(angle), math.sin(angle)
        stage["start"], stage["end"] = start, end
        stage["upper_back2"] = stage["lower_back2"] = _NEVER
        stage["own_outer2"] = math.inf
    stages["mean"] = means[0], -means[1]
    stages["own_end"][1] = half_gap
    stages["own_outer2"][1] = (nesting.radius_mm - stages["steepness"][1] * half_gap) ** 2
    if neighbour is not None:
        half = neighbour.gap_mm / 2
        planes = (
            (_front_mm(neighbour), -half),
            (half, half + neighbour.secondary_length_mm),
        )
        angles = (neighbour.primary_angle_rad, neighbour.secondary_angle_rad)
        for stage, angle, (upper, lower) in zip(stages, angles, planes, strict=True):
            back = neighbour.radius_mm + neighbour.thickness_mm
            stage["upper"], stage["lower"] = upper, lower
            stage["upper_back2"] = (back - math.tan(angle) * upper) ** 2
            stage["lower_back2"] = (back - math.tan(angle) * lower) ** 2
        if stages["upper"][0] <= stages["start"][0]:
            stages["upper_back2"][0] = _NEVER  # the opening itself ends there
    return stages
