"""The mirror of a made campaign, with everything that is wrong with it."""

from collections.abc import Sequence
from dataclasses import replace

import astropy.units as u
import numpy as np
from astropy.units import Quantity

from beamreduce.campaign import Setup
from beamreduce.mirror import nestings_from_design
from beamreduce.raytrace import (
    ErrorLaw,
    FigureErrors,
    MirrorState,
    Placement,
    four_quadrants,
    mirror_as_designed,
    quadrants_between,
)
from beamreduce.simulate.scenario_records import FigureAsMade

QUADRANT_NAMES = ("Q1", "Q2", "Q3", "Q4")
_LEAST_RAD = 1e-9  # slopes no smaller than this, where a mixture must have no zero


def make_mirror(
    setup: Setup, figure: FigureAsMade, energies: Quantity, rng: np.random.Generator
) -> MirrorState:
    """Make the mirror of a scenario.

    Parameters
    ----------
    setup
        Its campaign.toml: design, quadrants.
    figure
        Errors of surfaces and places.
    energies
        At which it will be lit, in rising or any other order.
    rng
        Draws the cone-angle error of every reflector.
    """
    prescription = nestings_from_design(setup.mirror)
    mirror = mirror_as_designed(
        setup.mirror,
        prescription,
        energies,
        scatter=ErrorLaw.lorentzian(_rad(figure.scatter_width)),
    )
    slopes = slope_law(figure)
    across = ErrorLaw.gaussian(_rad(figure.across_slope))
    fixed = draw_offsets(_rad(figure.reflector_offset), len(prescription.nestings), rng)
    errors = FigureErrors(
        primary=slopes,
        secondary=slopes,
        primary_across=across,
        secondary_across=across,
        primary_mean_rad=_rad(figure.primary_mean_slope) + fixed[..., 0],
        secondary_mean_rad=_rad(figure.secondary_mean_slope) + fixed[..., 1],
    )
    by_name = {name: setup.quadrants[name] for name in QUADRANT_NAMES if setup.quadrants}
    quadrants = quadrants_between(by_name) if by_name else four_quadrants()
    placed = []
    for quadrant in quadrants:
        place = _placement(figure, quadrant.name)
        placed.append(replace(quadrant, primary=place, secondary=place))
    return replace(mirror, figure=errors, quadrants=tuple(placed))


def slope_law(figure: FigureAsMade) -> ErrorLaw:
    """Return the law of slopes in the plane of reflection: a core and a wider tail."""
    shares = np.array([1 - figure.tail_share, figure.tail_share])
    slopes = np.array([_rad(figure.core_slope), _rad(figure.tail_slope)])
    present = shares > 0
    if not slopes[present].any():
        return ErrorLaw.none()
    return ErrorLaw.mixture(shares[present], np.maximum(slopes[present], _LEAST_RAD))


def draw_offsets(spread_rad: float, nestings: int, rng: np.random.Generator) -> np.ndarray:
    """Draw the cone-angle error of every reflector, shape (nestings, quadrants, stages)."""
    return spread_rad * rng.standard_normal((nestings, len(QUADRANT_NAMES), 2))


def _placement(figure: FigureAsMade, quadrant: str) -> Placement:
    shift: Sequence[Quantity] = getattr(figure, f"shift_{quadrant}")
    tilt: Sequence[Quantity] = getattr(figure, f"tilt_{quadrant}")
    x, y = (float(part.to_value(u.mm)) for part in shift)
    return Placement(shift_mm=(x, y, 0.0), lean_rad=(_rad(tilt[0]), _rad(tilt[1])))


def _rad(angle: Quantity) -> float:
    return float(angle.to_value(u.rad))
