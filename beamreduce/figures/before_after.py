"""Figures of a comparison: all differences against their margins, and curves."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from beamreduce.figures.style import (
    BAND_OPACITY,
    FIRST,
    NO_DATA,
    REFERENCE,
    SECOND,
    THIRD,
    Stroke,
    legend_below,
)

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.collections import FillBetweenPolyCollection
    from matplotlib.container import ErrorbarContainer
    from matplotlib.figure import Figure
    from matplotlib.lines import Line2D
    from matplotlib.patches import Rectangle

VERDICT_STROKES: dict[str, Stroke] = {
    "unchanged": FIRST,
    "changed": SECOND,
    "undecided": THIRD,
}
_ROW_CM = 0.62
_COLUMN_ROWS = 40  # of the forest plot, on a printed page
_BEYOND = 3.2  # margins; what lies further out is drawn at the edge, with an arrow


@dataclass(frozen=True, kw_only=True)
class MarginRow:
    """One quantity of the forest plot, in units of its margin.

    Parameters
    ----------
    label
        What it is.
    group
        Rows of one group follow each other; a line parts it from the next.
    difference, low, high
        Difference and its interval, over the margin.
    verdict
        ``unchanged``, ``changed`` or ``undecided``.
    """

    label: str
    group: str
    difference: float
    low: float
    high: float
    verdict: str


@dataclass(frozen=True, kw_only=True)
class CurveChange:
    """Difference of two encircled-energy curves.

    Parameters
    ----------
    radius_arcsec, difference, uncertainty, band
        Shape (radii,): after less before, standard uncertainty, and half-width of the
        band for all radii together.
    margin
        Largest change that does not matter.
    confidence
        Of the band.
    """

    radius_arcsec: np.ndarray
    difference: np.ndarray
    uncertainty: np.ndarray
    band: np.ndarray
    margin: float
    confidence: float


class ForestArtists(NamedTuple):
    """What :func:`draw_forest` drew."""

    margin: "Rectangle"
    rows: "tuple[ErrorbarContainer, ...]"


class CurveChangeArtists(NamedTuple):
    """What :func:`draw_curve_change` drew."""

    line: "Line2D"
    bands: "tuple[FillBetweenPolyCollection, FillBetweenPolyCollection]"
    margins: "tuple[Line2D, Line2D]"


def forest_columns(rows: Sequence[MarginRow]) -> tuple[tuple[MarginRow, ...], ...]:
    """Return the rows in columns that a page can hold; groups stay together if they fit."""
    groups: dict[str, list[MarginRow]] = {}
    for row in rows:
        groups.setdefault(row.group, []).append(row)
    columns: list[list[MarginRow]] = [[]]
    wanted = len(rows) / math.ceil(len(rows) / _COLUMN_ROWS) if rows else 0
    for group in groups.values():
        # Half a group more is nearer to even columns than half a group less.
        if columns[-1] and len(columns[-1]) + len(group) / 2 > wanted:
            columns.append([])
        columns[-1] += group
    return tuple(tuple(column) for column in columns)


def draw_forests(
    figure: "Figure", rows: Sequence[MarginRow], confidence: float
) -> tuple[ForestArtists, ...]:
    """Draw every difference on an empty figure, in as many columns as needed."""
    columns = forest_columns(rows)
    axes = np.ravel(figure.subplots(1, len(columns)))
    drawn = tuple(
        draw_forest(ax, column, confidence)
        for ax, column in zip(axes, columns, strict=True)
    )
    longest = max(len(column) for column in columns)
    for ax in axes:  # rows are as far apart in a shorter column
        ax.set_ylim(longest - 0.4, -0.6)
    return drawn


def forest_size_cm(rows: Sequence[MarginRow]) -> tuple[float, float]:
    """Return width and height at which all rows can be read."""
    columns = forest_columns(rows)
    longest = max((len(column) for column in columns), default=0)
    return 18.0 * len(columns), 4.2 + _ROW_CM * longest


def draw_forest(ax: "Axes", rows: Sequence[MarginRow], confidence: float) -> ForestArtists:
    """Draw every difference in units of its margin, the first row at the top.

    Parameters
    ----------
    ax
        Axes to draw on.
    rows
        What was compared.
    confidence
        Of the intervals.
    """
    margin = ax.axvspan(-1, 1, color=NO_DATA, alpha=0.45, lw=0, label="within the margin")
    ax.axvline(0, color=REFERENCE.color, ls=REFERENCE.line, lw=1.0)
    drawn, shown = [], {}
    for place, row in enumerate(rows):
        stroke = VERDICT_STROKES[row.verdict]
        middle = float(np.clip(row.difference, -_BEYOND, _BEYOND))
        low, high = (float(np.clip(end, -_BEYOND, _BEYOND)) for end in (row.low, row.high))
        bar = ax.errorbar(
            [middle],
            [place],
            xerr=[[max(middle - low, 0.0)], [max(high - middle, 0.0)]],
            color=stroke.color,
            marker=_marker(row, stroke),
            ls="none",
            capsize=2.5,
            label=row.verdict,
        )
        if place and rows[place - 1].group != row.group:
            ax.axhline(place - 0.5, color=NO_DATA, lw=0.8)
        drawn.append(bar)
        shown.setdefault(row.verdict, bar)
    ax.set(
        xlim=(-_BEYOND * 1.06, _BEYOND * 1.06),
        ylim=(len(rows) - 0.4, -0.6),
        xlabel=f"difference / margin, bars {confidence:.0%}",
    )
    ax.set_yticks(range(len(rows)), [row.label for row in rows])
    ax.tick_params(axis="y", length=0)
    # Above, flush right: names of rows leave no room below the axes.
    ax.legend(
        handles=[margin, *shown.values()],
        loc="lower right",
        bbox_to_anchor=(1.0, 1.0),
        ncols=2,
    )
    return ForestArtists(margin=margin, rows=tuple(drawn))


def draw_curve_change(ax: "Axes", change: CurveChange) -> CurveChangeArtists:
    """Draw the difference of two encircled-energy curves with its band and margins.

    Parameters
    ----------
    ax
        Axes to draw on.
    change
        The difference, over the radius in arcsec.
    """
    at, middle = change.radius_arcsec, change.difference
    bands = tuple(
        ax.fill_between(
            at, middle - half, middle + half, color=FIRST.color, alpha=alpha, lw=0,
            label=label,
        )
        for half, alpha, label in (
            (change.band, BAND_OPACITY / 2, f"{change.confidence:.0%}, all radii at once"),
            (change.uncertainty, BAND_OPACITY, "±1σ at each radius"),
        )
    )  # fmt: skip
    (line,) = ax.plot(at, middle, color=FIRST.color, label="after − before")
    margins = tuple(
        ax.axhline(
            sign * change.margin, color=SECOND.color, ls=SECOND.line, lw=1.2,
            label=f"margin ±{change.margin:g}",
        )
        for sign in (-1, 1)
    )  # fmt: skip
    ax.axhline(0, color=REFERENCE.color, ls=REFERENCE.line, lw=1.0)
    ax.set(
        xlabel="radius (arcsec)",
        ylabel="difference of encircled energy fraction",
        xlim=(0, at[-1]),
    )
    legend_below(ax, [line, margins[1], bands[1], bands[0]])
    return CurveChangeArtists(line=line, bands=bands, margins=margins)


def _marker(row: MarginRow, stroke: Stroke) -> str:
    """Return an arrow where the difference itself is off the plot."""
    if row.difference > _BEYOND:
        return ">"
    return "<" if row.difference < -_BEYOND else stroke.marker
