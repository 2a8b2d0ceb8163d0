"""The figures of a quadrants folder, from what was found."""

import math
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from beamreduce.figures import CURVE_HEIGHT_CM, draw_and_save
from beamreduce.figures.quadrants import (
    QuadrantPath,
    QuadrantPicture,
    draw_bar_budget,
    draw_bar_effects,
    draw_displacements,
    draw_quadrant_image,
    draw_rounds,
    draw_whole_focus,
)
from beamreduce.mirror.bar_errors import BAR_ENDS
from beamreduce.reduction.quadrants_bars import radial_mm, tilt_mm
from beamreduce.reduction.quadrants_content import best_of, in_pixels
from beamreduce.reduction.quadrants_step import QuadrantsFound

if TYPE_CHECKING:
    from matplotlib.figure import Figure

_ARCSEC = math.degrees(1) * 3600


def draw_quadrants(folder: Path, found: QuadrantsFound) -> tuple[str, ...]:
    """Draw every figure that there are data for; returns their names."""
    drawn = []

    def save(name: str, height_cm: float, draw: "Callable[[Figure], object]") -> None:
        draw_and_save(folder / name, draw, height_cm=height_cm)
        drawn.append(name)

    save("images", 13.0, lambda figure: _images(figure, found))
    if any(one.displaced is not None for one in found.rounds):
        save(
            "displacements",
            13.0,
            lambda f: draw_displacements(f.subplots(), paths_of(found)),
        )
    if len(found.rounds) > 1:
        save("rounds", 12.0, lambda figure: _rounds(figure, found))
    if found.now_whole is not None:
        save("focus", CURVE_HEIGHT_CM, lambda figure: _focus(figure, found))
    save("bar_errors", 13.0, lambda figure: _bars(figure, found))
    if found.budget is not None:
        save("bar_budget", CURVE_HEIGHT_CM, lambda figure: _budget(figure, found))
    return tuple(drawn)


def paths_of(found: QuadrantsFound) -> list[QuadrantPath]:
    """Return the displacement of every quadrant's image, round by round."""
    paths = []
    for name in found.folded:
        places = np.full((len(found.rounds), 2), np.nan)
        errors = np.full((len(found.rounds), 2), np.nan)
        for k, one in enumerate(found.rounds):
            if one.displaced is not None and name in one.displaced.names:
                number = one.displaced.names.index(name)
                places[k] = np.array(one.displaced.of(name)) * found.detector_mm
                errors[k] = one.displaced.error_rad[number] * found.detector_mm
        planned = None
        if found.plan is not None and name in found.plan.after_rad:
            x, y = found.plan.after_rad[name]
            planned = (x * found.detector_mm, y * found.detector_mm)
        paths.append(
            QuadrantPath(name=name, places_mm=places, errors_mm=errors, planned_mm=planned)
        )
    return paths


def _images(figure: "Figure", found: QuadrantsFound) -> None:
    names = [
        n for n in found.folded if any(m.image.aperture == n for m in found.last.measured)
    ]
    rows = math.ceil(len(names) / 2)
    axes = figure.subplots(rows, 2, squeeze=False)
    for ax, name in zip(axes.flat, names, strict=False):
        own = [m for m in found.last.measured if m.image.aperture == name]
        one = best_of(found, own)
        wanted = None
        if found.last.displaced is not None:
            apart = in_pixels(found, one, found.last.displaced.of(name))
            wanted = tuple(one.image.center_px - apart)
        photons, corner = one.cut
        radius = (
            one.image.shape.radius_mm / 2 / one.image.pixel_mm if one.image.shape else 0
        )
        draw_quadrant_image(
            ax,
            QuadrantPicture(
                name=name,
                photons=photons,
                corner_px=corner,
                center_px=tuple(one.image.center_px),
                radius_px=radius,
                wanted_px=wanted,
            ),
        )
    for ax in axes.flat[len(names) :]:
        ax.set_visible(False)
    figure.supxlabel("x (pixel)")
    figure.supylabel("y (pixel)")


def _rounds(figure: "Figure", found: QuadrantsFound) -> None:
    apart = {p.name: np.hypot(*p.places_mm.T) for p in paths_of(found)}
    sizes = [np.nan if r.whole is None else r.whole.best[1] * _ARCSEC for r in found.rounds]
    goal = found.coincident
    draw_rounds(
        tuple(figure.subplots(2, 1, sharex=True)),
        np.array([one.round.number for one in found.rounds]),
        apart,
        (np.array(sizes), None if goal is None else goal.hpd_rad.scaled(_ARCSEC)),
    )


def _focus(figure: "Figure", found: QuadrantsFound) -> None:
    states = {f"round {r.round.number}": r.whole for r in found.rounds[-3:]}
    states["all on their targets"] = found.coincident_whole
    curves = {
        name: (whole.distance_mm, whole.hpd_rad * _ARCSEC)
        for name, whole in states.items()
        if whole is not None
    }
    draw_whole_focus(figure.subplots(), curves, found.detector_mm)


def _bars(figure: "Figure", found: QuadrantsFound) -> None:
    radius = np.array([one.radius_mm for one in found.bars])
    names = [bar.replace("_", " ") for bar in BAR_ENDS]
    radial, tilt = (
        {name: rows[:, k] / 1000 for k, name in enumerate(names)}
        for rows in (
            np.array([radial_mm(one, found.detector_mm) for one in found.bars]),
            np.array([tilt_mm(one, found.detector_mm) for one in found.bars]),
        )
    )
    draw_bar_effects(tuple(figure.subplots(2, 1, sharex=True)), radius, radial, tilt)


def _budget(figure: "Figure", found: QuadrantsFound) -> None:
    allowed = found.budget
    error = None if allowed.budget is None else allowed.budget.radial_um
    draw_bar_budget(
        figure.subplots(),
        allowed.error_um,
        allowed.hpd_arcsec,
        (allowed.target_arcsec, error),
    )
