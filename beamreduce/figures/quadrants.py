"""Figures of quadrants: images, places against targets, rounds, focus, alignment bars."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from beamreduce.figures.style import (
    FIRST,
    IMAGE_MAP,
    REFERENCE,
    SECOND,
    THIRD,
    Stroke,
    legend_below,
)
from beamreduce.record import Uncertain

if TYPE_CHECKING:
    from matplotlib.axes import Axes

# One for each quadrant; told apart by marker too.
QUADRANT_STROKES = (FIRST, SECOND, THIRD, Stroke("#000000", "-", "D"))


@dataclass(frozen=True, kw_only=True)
class QuadrantPicture:
    """The core of one quadrant's image.

    Parameters
    ----------
    name
        Of the quadrant.
    photons
        Net photons a pixel, (rows, columns).
    corner_px
        Pixel (x, y) of the first.
    center_px, radius_px
        Center and half-power radius.
    wanted_px
        Where the center should be, relative to the other quadrants; None when unknown.
    """

    name: str
    photons: np.ndarray
    corner_px: tuple[int, int]
    center_px: tuple[float, float]
    radius_px: float
    wanted_px: tuple[float, float] | None


@dataclass(frozen=True, kw_only=True)
class QuadrantPath:
    """Displacement of one quadrant's image, round by round, and what is planned.

    Parameters
    ----------
    name
        Of the quadrant.
    places_mm, errors_mm
        Displacement from the target, NaN where not measured, (rounds, 2), and its
        standard uncertainties.
    planned_mm
        Where the next moves should bring it; None without a plan.
    """

    name: str
    places_mm: np.ndarray
    errors_mm: np.ndarray
    planned_mm: tuple[float, float] | None


def draw_quadrant_image(ax: "Axes", picture: QuadrantPicture) -> None:
    """Draw the core of an image with its center, half-power circle and target."""
    from matplotlib.patches import Circle  # noqa: PLC0415 - slow import

    x0, y0 = picture.corner_px
    rows, columns = picture.photons.shape
    extent = (x0 - 0.5, x0 + columns - 0.5, y0 - 0.5, y0 + rows - 0.5)
    # Square roots show wings beside a core; noise about zero is not shown as negative.
    ax.imshow(
        np.sqrt(np.maximum(picture.photons, 0.0)),
        origin="lower",
        extent=extent,
        cmap=IMAGE_MAP,
        interpolation="nearest",
    )
    ax.add_patch(
        Circle(picture.center_px, picture.radius_px, fill=False, color="white", lw=1.4)
    )
    ax.plot(*picture.center_px, "+", color="white", ms=11, mew=1.8, ls="none")
    if picture.wanted_px is not None:
        ax.plot(*picture.wanted_px, "x", color=SECOND.color, ms=10, mew=2.6, ls="none")
    ax.set(title=picture.name, xlim=extent[:2], ylim=extent[2:])


def draw_displacements(ax: "Axes", paths: Sequence[QuadrantPath]) -> None:
    """Draw the way of each quadrant's image to its target, which is the origin."""
    handles = []
    for stroke, path in zip(_strokes(len(paths)), paths, strict=True):
        places = path.places_mm
        (line,) = ax.plot(
            places[:, 0],
            places[:, 1],
            color=stroke.color,
            ls="-",
            lw=1.0,
            marker=stroke.marker,
            label=path.name,
        )
        ax.errorbar(
            places[:, 0],
            places[:, 1],
            xerr=path.errors_mm[:, 0],
            yerr=path.errors_mm[:, 1],
            color=stroke.color,
            ls="none",
            lw=1.0,
        )
        handles.append(line)
        if path.planned_mm is not None:
            last = places[np.isfinite(places[:, 0])][-1]
            ax.annotate(
                "",
                path.planned_mm,
                last,
                arrowprops={"arrowstyle": "->", "color": stroke.color, "ls": "--"},
            )
    for number in range(len(paths[0].places_mm)):
        for path in paths:
            x, y = path.places_mm[number]
            if np.isfinite(x):
                ax.annotate(str(number), (x, y), xytext=(6, 4), textcoords="offset points")
    target = ax.plot(0, 0, "+", color=REFERENCE.color, ms=14, mew=1.5, label="target")
    ax.axhline(0, color="#cccccc", lw=0.8, zorder=0)
    ax.axvline(0, color="#cccccc", lw=0.8, zorder=0)
    ax.margins(0.15)
    ax.set(
        xlabel="off target towards azimuth 0° (mm)",
        ylabel="off target towards azimuth 90° (mm)",
        aspect="equal",
    )
    ax.set_adjustable("datalim")
    legend_below(ax, [*handles, *target])


def draw_rounds(
    axes: "tuple[Axes, Axes]",
    rounds: np.ndarray,
    apart_mm: Mapping[str, np.ndarray],
    hpd_arcsec: tuple[np.ndarray, Uncertain | None],
) -> None:
    """Draw how displacements and the HPD of the whole mirror come down.

    Parameters
    ----------
    axes
        Above for displacements, below for HPD.
    rounds
        Their numbers.
    apart_mm
        Distance from the target by quadrant, NaN where not measured.
    hpd_arcsec
        Of the whole at best focus in each round, and with every quadrant on its target.
    """
    above, below = axes
    handles = []
    for stroke, (name, apart) in zip(
        _strokes(len(apart_mm)), apart_mm.items(), strict=True
    ):
        (line,) = above.plot(
            rounds, apart, color=stroke.color, ls=stroke.line, marker=stroke.marker,
            label=name,
        )  # fmt: skip
        handles.append(line)
    above.set(ylabel="off target (mm)", ylim=(0, None))
    sizes, goal = hpd_arcsec
    (line,) = below.plot(rounds, sizes, color=FIRST.color, marker="o", label="whole mirror")
    handles_below = [line]
    if goal is not None:
        handles_below.append(
            below.axhline(
                goal.value, color=REFERENCE.color, ls=":", label="all on their targets"
            )
        )
        below.axhspan(
            goal.value - goal.uncertainty,
            goal.value + goal.uncertainty,
            color=REFERENCE.color,
            alpha=0.15,
            lw=0,
        )
    below.set(xlabel="round", ylabel="HPD at best\nfocus (arcsec)")
    for ax in axes:
        ax.set_xticks(rounds)
        ax.margins(x=0.08)
    above.legend(handles=handles, ncols=2)
    below.legend(handles=handles_below)


def draw_whole_focus(
    ax: "Axes", curves: Mapping[str, tuple[np.ndarray, np.ndarray]], detector_mm: float
) -> None:
    """Draw the HPD of the whole mirror against the detector's distance, by state."""
    lines = []
    for stroke, (name, (distance, hpd)) in zip(
        _strokes(len(curves)), curves.items(), strict=True
    ):
        (line,) = ax.plot(
            distance, hpd, color=stroke.color, ls=stroke.line, marker=stroke.marker,
            ms=4, label=name,
        )  # fmt: skip
        lines.append(line)
    here = ax.axvline(detector_mm, color=REFERENCE.color, ls=":", label="detector")
    ax.set(
        xlabel="detector behind the reference plane (mm)",
        ylabel="HPD of the whole mirror (arcsec)",
    )
    legend_below(ax, [*lines, here])


def draw_bar_effects(
    axes: "tuple[Axes, Axes]",
    radius_mm: np.ndarray,
    radial: Mapping[str, np.ndarray],
    tilt: Mapping[str, np.ndarray],
) -> None:
    """Draw how far the light of each nesting moves for errors of bars.

    Parameters
    ----------
    axes
        Above for a bar that is too far out (mm a µm), below for one that is turned in its
        plane of reflection (mm a mrad).
    radius_mm
        Of the nestings.
    radial, tilt
        Moves outwards by bar.
    """
    lines = []
    spacing = max(len(radius_mm) // 6, 1)
    for ax, moves in zip(axes, (radial, tilt), strict=True):
        for number, (name, move) in enumerate(moves.items()):
            stroke = QUADRANT_STROKES[number]
            # Markers at other radii for each bar: two of the lines lie on each other.
            (line,) = ax.plot(
                radius_mm, move, color=stroke.color, ls=stroke.line, label=name, lw=1.8,
                marker=stroke.marker, markevery=(number * spacing // 4, spacing),
            )  # fmt: skip
            lines.append(line)
        ax.axhline(0, color="#cccccc", lw=0.8, zorder=0)
    axes[0].set(ylabel="one bar end out\n(mm a µm)")
    axes[1].set(xlabel="radius of the nesting (mm)", ylabel="one bar turned\n(mm a mrad)")
    legend_below(axes[1], lines[: len(radial)])


def draw_bar_budget(
    ax: "Axes",
    error_um: np.ndarray,
    hpd_arcsec: np.ndarray,
    goal: tuple[float, float | None] | None,
) -> None:
    """Draw the HPD against the error of bars; ``goal``: HPD to keep, largest error."""
    (line,) = ax.plot(
        error_um, hpd_arcsec, color=FIRST.color, marker="o", label="whole mirror"
    )
    handles = [line]
    if goal is not None:
        kept, allowed = goal
        handles.append(
            ax.axhline(kept, color=SECOND.color, ls="--", label=f"to keep: {kept:.4g}″")
        )
        if allowed is not None:
            handles.append(
                ax.axvline(
                    allowed, color=REFERENCE.color, ls=":", label=f"{allowed:.3g} µm"
                )
            )
    ax.set(
        xlabel="radial error of every bar end, standard deviation (µm)",
        ylabel="HPD at best focus (arcsec)",
    )
    legend_below(ax, handles)


def _strokes(count: int) -> list[Stroke]:
    return [QUADRANT_STROKES[k % len(QUADRANT_STROKES)] for k in range(count)]
