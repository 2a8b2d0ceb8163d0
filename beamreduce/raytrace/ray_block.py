"""Compiled steps on a block of rays that are all in one opening.

A block is a flat array of rows of ``RAYS`` numbers, one row for each thing known of a ray.
Each step is one plain loop over rays without branches, which compiles to instructions that
handle several rays at once. That works only because all rows are parts of one array at
distances known when compiling; a row is therefore named by a constant and never passed.

A ray is a straight line ``(x + slope_x z, y + slope_y z)`` in the frame of the part that
it meets. The outward normal of a cone that narrows downstream is
``(outward cos, sin)`` of its half-angle.
"""

import math

import numpy as np
from numba import njit

from beamreduce.raytrace.fates import (
    BACK_AT_ENTRANCE,
    BACK_AT_EXIT,
    BACK_AT_MIDDLE,
    BAR,
    INTO_SURFACE,
    PRE_COLLIMATOR,
    SECONDARY_EDGE,
)

RAYS = 256
X = 0 * RAYS  # of the line at z = 0
Y = 1 * RAYS
SLOPE_X = 2 * RAYS
SLOPE_Y = 3 * RAYS
Z = 4 * RAYS  # where it meets the surface
OUT_X = 5 * RAYS  # unit vector away from the axis there
OUT_Y = 6 * RAYS
HIT = 7 * RAYS  # 1 or 0
GRAZING = 8 * RAYS  # angle to the facet
TILT = 9 * RAYS  # of the facet in the plane of reflection; positive is steeper
ACROSS = 10 * RAYS
SCATTERED = 11 * RAYS  # 1 or 0
CHANCE = 12 * RAYS  # that this ray was chosen to be mirrored, or scattered
FATE = 13 * RAYS
ROWS = 14

# What is kept of each stage for the end: rows of an array (2, KEPT, RAYS).
KEPT_HIT, KEPT_GRAZING, KEPT_SCATTERED, KEPT_CHANCE, KEPT = 0, 1, 2, 3, 4

_step = njit(
    cache=True, nogil=True, error_model="numpy", fastmath={"contract", "nsz", "reassoc"}
)


@_step
def _small_angle(angle: float) -> tuple[float, float]:
    """Cosine and sine by their series, better than 1e-9 within 0.1 rad."""
    q = angle * angle
    return 1.0 - q * (0.5 - q / 24), angle * (1.0 - q * (1 / 6 - q / 120))


@_step
def _within_45_degrees(angle: float) -> tuple[float, float]:
    """Cosine and sine by their series, better than 1e-15 within 45°."""
    q = angle * angle
    cosine = 1 + q * (-1 / 2 + q * (1 / 24 + q * (-1 / 720 + q * (1 / 40320 + q * (
        -1 / 3628800 + q * (1 / 479001600 - q / 87178291200))))))  # fmt: skip
    sine = 1 + q * (-1 / 6 + q * (1 / 120 + q * (-1 / 5040 + q * (1 / 362880 + q * (
        -1 / 39916800 + q / 6227020800)))))  # fmt: skip
    return cosine, angle * sine


@_step
def _facet(
    cone: tuple[float, float], tilt: float, across: float
) -> tuple[float, float, float]:
    """Normal of a facet: its parts away from the axis, around it, and along z."""
    cos_tilt, sin_tilt = _small_angle(tilt)
    cos_across, sin_across = _small_angle(across)
    away = cone[0] * cos_tilt - cone[1] * sin_tilt
    along = cone[1] * cos_tilt + cone[0] * sin_tilt
    return away * cos_across, sin_across, along * cos_across


@_step
def _distance2(x: float, y: float, sx: float, sy: float, z: float) -> float:
    """Squared distance from the axis of a line at z."""
    x, y = x + sx * z, y + sy * z
    return x * x + y * y


@_step
def launch(
    block: np.ndarray, rays: int, opening: np.ndarray, at: np.ndarray, step: np.ndarray
) -> None:
    """Spread rays evenly over an opening; numbers 0 and 1 of the sequence."""
    inner2, span = opening.inner2_mm2, opening.span_mm2
    cos_middle, sin_middle = math.cos(opening.azimuth), math.sin(opening.azimuth)
    width, front = opening.width, opening.front_mm
    source_x, source_y = opening.source_x, opening.source_y
    height, slope_x, slope_y = opening.inverse_height, opening.slope_x, opening.slope_y
    at0, step0, at1, step1 = at[0], step[0], at[1], step[1]
    for j in range(rays):
        place = at0 + j * step0
        radius = math.sqrt(inner2 + span * (place - math.floor(place)))
        place = at1 + j * step1
        angle = width * (place - math.floor(place) - 0.5)
        cosine, sine = _within_45_degrees(angle)
        x = radius * (cosine * cos_middle - sine * sin_middle)
        y = radius * (cosine * sin_middle + sine * cos_middle)
        sx = slope_x + (x - source_x) * height
        sy = slope_y + (y - source_y) * height
        block[X + j] = x - sx * front
        block[Y + j] = y - sy * front
        block[SLOPE_X + j] = sx
        block[SLOPE_Y + j] = sy
        block[FATE + j] = 0.0


@_step
def from_disc(
    block: np.ndarray, rays: int, opening: np.ndarray, at: np.ndarray, step: np.ndarray
) -> None:
    """Move the start of each ray over an evenly bright disc; two numbers of a point."""
    height, front = opening.inverse_height, opening.front_mm
    xx, xy = opening.disc_xx * height, opening.disc_xy * height
    yx, yy = opening.disc_yx * height, opening.disc_yy * height
    for j in range(rays):
        place = at[0] + j * step[0]
        radius = math.sqrt(place - math.floor(place))
        place = at[1] + j * step[1]
        # A quarter of the angle, doubled twice.
        cosine, sine = _within_45_degrees(math.pi / 2 * (place - math.floor(place) - 0.5))
        cosine, sine = cosine * cosine - sine * sine, 2 * sine * cosine
        along = radius * (cosine * cosine - sine * sine)
        aside = radius * 2 * sine * cosine
        sx = xx * along + xy * aside
        sy = yx * along + yy * aside
        # Every ray still goes through its place in the opening.
        block[X + j] += sx * front
        block[Y + j] += sy * front
        block[SLOPE_X + j] -= sx
        block[SLOPE_Y + j] -= sy


@_step
def pass_blades(block: np.ndarray, rays: int, opening: np.ndarray) -> None:
    """Stop rays that cross a blade: they pass its far end on the wrong side of it."""
    z, inner2, outer2 = opening.blade_mm, opening.blade_inner2, opening.blade_outer2
    for j in range(rays):
        x = block[X + j] + block[SLOPE_X + j] * z
        y = block[Y + j] + block[SLOPE_Y + j] * z
        r2 = x * x + y * y
        fate = block[FATE + j]
        stopped = (fate == 0.0) & ((r2 <= inner2) | (r2 >= outer2))
        block[FATE + j] = PRE_COLLIMATOR if stopped else fate


@_step
def pass_bar(
    block: np.ndarray, rays: int, bar: np.ndarray, z: float, half_width: float
) -> None:
    """Stop rays that are behind a bar at z."""
    cosine, sine = bar[0], bar[1]
    for j in range(rays):
        x = block[X + j] + block[SLOPE_X + j] * z
        y = block[Y + j] + block[SLOPE_Y + j] * z
        aside = abs(y * cosine - x * sine)
        along = x * cosine + y * sine
        fate = block[FATE + j]
        stopped = (fate == 0.0) & (aside <= half_width) & (along > 0.0)
        block[FATE + j] = BAR if stopped else fate


@_step
def draw_tilt(
    block: np.ndarray, rays: int, law: np.ndarray, place: tuple[float, float],
    scale: tuple[float, float],
) -> None:  # fmt: skip
    """Draw the tilt of facets: ``scale[0]`` times the law, plus ``scale[1]``."""
    at, step = place
    factor, mean = scale
    steps = law.size - 1
    for j in range(rays):
        where = at + j * step
        share = (where - math.floor(where)) * steps
        k = np.uint32(share)
        part = share - k
        block[TILT + j] = factor * (law[k] + (law[k + 1] - law[k]) * part) + mean


@_step
def turn_across(block: np.ndarray, rays: int, mean: float) -> None:
    """Take the tilt drawn last as one across the plane of reflection."""
    for j in range(rays):
        block[ACROSS + j] = block[TILT + j]
        block[TILT + j] = mean


@_step
def lay_flat(block: np.ndarray, rays: int, mean: float) -> None:
    """Give all facets the cone-angle error, and nothing across."""
    for j in range(rays):
        block[TILT + j] = mean
        block[ACROSS + j] = 0.0


@_step
def meet(block: np.ndarray, rays: int, stage: np.ndarray) -> None:
    """Find where rays meet a cone, and at which angle to the facet there.

    ``|start + slope z|² = (R - k z)²``, the root that stays finite for a parallel ray.
    """
    radius, steepness = stage.radius, stage.steepness
    cone = (stage.cosine, stage.sine)
    start, end = stage.start, stage.end
    for j in range(rays):
        x, y = block[X + j], block[Y + j]
        sx, sy = block[SLOPE_X + j], block[SLOPE_Y + j]
        slope2 = sx * sx + sy * sy
        a = slope2 - steepness * steepness
        b = x * sx + y * sy + radius * steepness
        c = x * x + y * y - radius * radius
        root = b * b - a * c
        z = -c / (b + math.sqrt(abs(root)))
        hit = (root >= 0.0) & (z >= start) & (z <= end)
        inverse = 1.0 / (radius - steepness * z)
        ox, oy = (x + sx * z) * inverse, (y + sy * z) * inverse
        away, around, along = _facet(cone, block[TILT + j], block[ACROSS + j])
        against = (sx * ox + sy * oy) * away + (sy * ox - sx * oy) * around + along
        against /= math.sqrt(1.0 + slope2)
        block[Z + j] = z
        block[OUT_X + j] = ox
        block[OUT_Y + j] = oy
        block[HIT + j] = 1.0 if hit else 0.0
        q = against * against  # arcsine by its series, better than 1e-8 within 0.07
        block[GRAZING + j] = against * (1.0 + q * (1 / 6 + q * 0.075))
        block[SCATTERED + j] = 0.0
        block[CHANCE + j] = 1.0


@_step
def scatter(
    block: np.ndarray, rays: int, choice: tuple[np.ndarray, float],
    law: tuple[np.ndarray, float], place: tuple[float, float],
) -> None:  # fmt: skip
    """Choose which rays are scattered, and turn their facet by half the angle.

    ``choice``: the chance to choose scattering by grazing angle, and the step of those
    angles; weights make up for any difference from the share that is scattered.
    ``law``: of the angle, and a factor.
    """
    chances, inverse_step = choice[0], 1.0 / choice[1]
    angles, factor = law
    at, step = place
    last, steps = chances.size - 1, angles.size - 1
    for j in range(rays):
        where = at + j * step
        number = where - math.floor(where)
        index = max(block[GRAZING + j], 0.0) * inverse_step + 1.0
        chance = chances[np.uint32(min(index, float(last)))]
        chosen = (number < chance) & (block[HIT + j] > 0.0)
        share = min(number / max(chance, 1e-300), 0.9999999999) * steps
        k = np.uint32(share)
        turn = angles[k] + (angles[k + 1] - angles[k]) * (share - k)
        block[TILT + j] += factor * turn if chosen else 0.0
        block[SCATTERED + j] = 1.0 if chosen else 0.0
        block[CHANCE + j] = chance if chosen else 1.0 - chance


@_step
def mirror(block: np.ndarray, rays: int, stage: np.ndarray, first: bool) -> None:
    """Reflect the rays that meet a cone, and stop those that a foil is in the way of.

    Direction after reflection ``d - 2 (d·n) n``, whatever the length of d. The back of
    the neighbour's foil is nearest at its two ends: between them it is straight, and the
    distance of a ray from the axis bends by less than a thousandth of a mm.
    """
    cone = (stage.cosine, stage.sine)
    upper, upper2 = stage.upper, stage.upper_back2
    lower, lower2 = stage.lower, stage.lower_back2
    own, own2 = stage.own_end, stage.own_outer2
    at_upper = float(BACK_AT_ENTRANCE if first else BACK_AT_MIDDLE)
    at_lower = float(BACK_AT_MIDDLE if first else BACK_AT_EXIT)
    for j in range(rays):
        x, y = block[X + j], block[Y + j]
        sx, sy = block[SLOPE_X + j], block[SLOPE_Y + j]
        z, ox, oy = block[Z + j], block[OUT_X + j], block[OUT_Y + j]
        hit = block[HIT + j] > 0.0
        away, around, along = _facet(cone, block[TILT + j], block[ACROSS + j])
        nx, ny = away * ox - around * oy, away * oy + around * ox
        twice = 2.0 * (sx * nx + sy * ny + along)
        inverse = 1.0 / (1.0 - twice * along)
        vx, vy = (sx - twice * nx) * inverse, (sy - twice * ny) * inverse
        vx, vy = vx if hit else sx, vy if hit else sy
        new_x = x + (sx - vx) * z if hit else x
        new_y = y + (sy - vy) * z if hit else y
        below = (vx * ox + vy * oy) * cone[0] + cone[1] >= 0.0
        below = hit & (below | (block[GRAZING + j] <= 0.0))
        before = _distance2(x, y, sx, sy, upper)
        after = _distance2(new_x, new_y, vx, vy, upper)
        upper_blocks = (after if z < upper else before) <= upper2
        before = _distance2(x, y, sx, sy, lower)
        after = _distance2(new_x, new_y, vx, vy, lower)
        lower_blocks = (after if z < lower else before) <= lower2
        outside = (not hit) & (_distance2(x, y, sx, sy, own) >= own2)
        stop = float(SECONDARY_EDGE) if outside else 0.0
        stop = at_lower if lower_blocks else stop
        stop = float(INTO_SURFACE) if below else stop
        stop = at_upper if upper_blocks else stop
        fate = block[FATE + j]
        block[FATE + j] = stop if fate == 0.0 else fate
        block[X + j], block[Y + j] = new_x, new_y
        block[SLOPE_X + j], block[SLOPE_Y + j] = vx, vy


@_step
def move(block: np.ndarray, rays: int, matrix: np.ndarray) -> None:
    """Describe rays in another frame: rotation and shift, shape (3, 4)."""
    xx, xy, xz, xt = matrix[0, 0], matrix[0, 1], matrix[0, 2], matrix[0, 3]
    yx, yy, yz, yt = matrix[1, 0], matrix[1, 1], matrix[1, 2], matrix[1, 3]
    zx, zy, zz, zt = matrix[2, 0], matrix[2, 1], matrix[2, 2], matrix[2, 3]
    for j in range(rays):
        x, y = block[X + j], block[Y + j]
        sx, sy = block[SLOPE_X + j], block[SLOPE_Y + j]
        inverse = 1.0 / (zx * sx + zy * sy + zz)
        vx = (xx * sx + xy * sy + xz) * inverse
        vy = (yx * sx + yy * sy + yz) * inverse
        height = zx * x + zy * y + zt
        block[X + j] = xx * x + xy * y + xt - vx * height
        block[Y + j] = yx * x + yy * y + yt - vy * height
        block[SLOPE_X + j] = vx
        block[SLOPE_Y + j] = vy


@_step
def keep(block: np.ndarray, rays: int, kept: np.ndarray) -> None:
    """Keep what the end has to know of a stage, shape (KEPT, RAYS)."""
    for j in range(rays):
        kept[KEPT_HIT, j] = block[HIT + j]
        kept[KEPT_GRAZING, j] = block[GRAZING + j]
        kept[KEPT_SCATTERED, j] = block[SCATTERED + j]
        kept[KEPT_CHANCE, j] = block[CHANCE + j]
