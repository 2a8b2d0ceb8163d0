"""The compiled trace: blocks of rays through every opening, counted as they come out."""

from typing import NamedTuple

import numpy as np
from numba import njit

from beamreduce.raytrace.collect import Tallies, Targets, collect
from beamreduce.raytrace.ray_block import (
    KEPT,
    RAYS,
    ROWS,
    draw_tilt,
    from_disc,
    keep,
    launch,
    lay_flat,
    meet,
    mirror,
    move,
    pass_bar,
    pass_blades,
    scatter,
    turn_across,
)

# Numbers of a point of the sequence and what they are for; DISC, TILT, ACROSS and SCATTER
# are two each.
RADIUS, AZIMUTH, DISC, TILT, ACROSS, SCATTER, NUMBERS = 0, 1, 2, 4, 6, 8, 10
_TO_FRACTION = 2.0**-53


class Setup(NamedTuple):
    """What a kernel has to know of the whole mirror."""

    laws: np.ndarray  # (5, STEPS + 1): tilts of both stages, across of both, scatter
    drawn: np.ndarray  # (5,): which of them are not zero
    disc: bool
    blades: bool
    half_bar_mm: float
    shares: np.ndarray  # (coatings, angles, 2, energies): mirrored, scattered
    chances: np.ndarray  # (coatings, angles): of choosing the scattered way
    angle_step_rad: float


class Openings(NamedTuple):
    """Strata in a kernel's words, and how many rays each of them gets."""

    openings: np.ndarray
    stages: np.ndarray
    moves: np.ndarray
    moved: np.ndarray
    bars: np.ndarray
    rays: np.ndarray


@njit(cache=True, nogil=True, error_model="numpy")
def trace_part(
    mirrors: Openings, setup: Setup, points: tuple[np.ndarray, np.ndarray],
    targets: Targets, tallies: Tallies,
) -> None:  # fmt: skip
    """Trace one independent part; ``points``: start and step, fractions times 2⁶⁴."""
    start, step = points
    block = np.zeros(ROWS * RAYS)
    kept = np.zeros((2, KEPT, RAYS))
    at, ahead = np.empty(NUMBERS), np.empty(NUMBERS)
    for k in range(NUMBERS):
        ahead[k] = (step[k] >> np.uint64(11)) * _TO_FRACTION
    point = np.uint64(0)
    for i in range(mirrors.rays.size):
        area = mirrors.openings[i].area_mm2 / mirrors.rays[i]
        left = mirrors.rays[i]
        while left > 0:
            rays = min(left, RAYS)
            for k in range(NUMBERS):
                at[k] = ((start[k] + point * step[k]) >> np.uint64(11)) * _TO_FRACTION
            _follow(block, rays, i, mirrors, setup, (at, ahead), kept)
            coating = mirrors.openings[i].coating
            collect(
                block, rays, kept, (area, mirrors.openings[i].quadrant, i),
                (setup.shares[coating], setup.angle_step_rad), targets, tallies,
            )  # fmt: skip
            point += np.uint64(rays)
            left -= rays


@njit(cache=True, nogil=True, error_model="numpy")
def _follow(
    block: np.ndarray, rays: int, i: int, mirrors: Openings, setup: Setup,
    points: tuple[np.ndarray, np.ndarray], kept: np.ndarray,
) -> None:  # fmt: skip
    """Take a block of rays through one opening to the detector's frame."""
    at, ahead = points
    opening, stages = mirrors.openings[i], mirrors.stages[i]
    launch(block, rays, opening, at, ahead)
    if setup.disc:
        from_disc(block, rays, opening, at[DISC : DISC + 2], ahead[DISC : DISC + 2])
    if setup.blades:
        pass_blades(block, rays, opening)
    for k in range(opening.first_bar, opening.last_bar):
        pass_bar(block, rays, mirrors.bars[k], opening.front_mm, setup.half_bar_mm)
    for number in range(2):
        if number == 1 and mirrors.moved[i, 0]:
            move(block, rays, mirrors.moves[i, 0])
        _tilt_facets(block, rays, number, stages[number].mean, setup, points)
        meet(block, rays, stages[number])
        if setup.drawn[4]:
            k = SCATTER + number
            scatter(
                block, rays, (setup.chances[opening.coating], setup.angle_step_rad),
                (setup.laws[4], 0.5 if number == 0 else -0.5), (at[k], ahead[k]),
            )  # fmt: skip
        mirror(block, rays, stages[number], number == 0)
        keep(block, rays, kept[number])
    for k in range(opening.first_bar, opening.last_bar):
        pass_bar(block, rays, mirrors.bars[k], stages[1].end, setup.half_bar_mm)
    if mirrors.moved[i, 1]:
        move(block, rays, mirrors.moves[i, 1])


@njit(cache=True, nogil=True, error_model="numpy")
def _tilt_facets(
    block: np.ndarray, rays: int, number: int, mean: float, setup: Setup,
    points: tuple[np.ndarray, np.ndarray],
) -> None:  # fmt: skip
    """Give every ray the slope errors of the facet that it will meet."""
    at, ahead = points
    across, inside = 2 + number, number
    lay_flat(block, rays, mean)
    if setup.drawn[across]:
        place = (at[ACROSS + number], ahead[ACROSS + number])
        draw_tilt(block, rays, setup.laws[across], place, (1.0, 0.0))
        turn_across(block, rays, mean)
    if setup.drawn[inside]:
        # A positive error lands further out: a steeper primary, a flatter secondary.
        place = (at[TILT + number], ahead[TILT + number])
        sign = 1.0 if number == 0 else -1.0
        draw_tilt(block, rays, setup.laws[inside], place, (sign, mean))
