"""Figure of the half-power diameters of a whole campaign, side by side."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from beamreduce.figures.style import FIRST, SECOND, legend_below
from beamreduce.record import Uncertain

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.container import ErrorbarContainer

_FAR = 1.3  # times the least diameter; larger ones are written at the edge


@dataclass(frozen=True, kw_only=True)
class DiameterRow:
    """Both half-power diameters of one measurement, arcsec; None where absent."""

    name: str
    measured: Uncertain | None
    infinity: Uncertain | None


class DiameterArtists(NamedTuple):
    """What :func:`draw_diameters` drew."""

    measured: "ErrorbarContainer"
    infinity: "ErrorbarContainer"


def diameters_height_cm(measurements: int) -> float:
    """Return a height at which that many rows read well."""
    return 4.5 + 0.62 * measurements


def draw_diameters(ax: "Axes", rows: Sequence[DiameterRow]) -> DiameterArtists:
    """Draw one row a measurement: HPD as measured and for a star, with error bars.

    Parameters
    ----------
    ax
        Axes to draw on.
    rows
        Measurements, from top to bottom.
    """
    places = np.arange(len(rows))
    drawn = []
    for key, stroke, words, shift in (
        ("measured", FIRST, "measured", -0.13),
        ("infinity", SECOND, "at infinity", 0.13),
    ):
        found = [(k, q) for k, row in enumerate(rows) if (q := getattr(row, key))]
        drawn.append(
            ax.errorbar(
                [q.value for _, q in found],
                [k + shift for k, _ in found],
                xerr=[q.uncertainty for _, q in found],
                fmt=stroke.marker,
                color=stroke.color,
                markersize=4.5,
                capsize=2.5,
                label=f"{words}, ±1σ",
            )
        )
    _limit(ax, rows)
    ax.set_yticks(places, [row.name for row in rows])
    ax.set_ylim(len(rows) - 0.5, -0.5)
    ax.set_xlabel("half-power diameter (arcsec)")
    ax.grid(axis="x", alpha=0.4)
    legend_below(ax, drawn)
    return DiameterArtists(*drawn)


def _limit(ax: "Axes", rows: Sequence[DiameterRow]) -> None:
    """Show what lies near the least diameter; write what is far out at the edge."""
    found = [
        (k, q, stroke)
        for k, row in enumerate(rows)
        for q, stroke in ((row.measured, FIRST), (row.infinity, SECOND))
        if q
    ]
    if not found:
        return
    least = min(q.value for _, q, _ in found)
    near = [q for _, q, _ in found if q.value <= _FAR * least]
    low = min(q.value - q.uncertainty for q in near)
    high = max(q.value + q.uncertainty for q in near)
    pad = max(0.08 * (high - low), 0.01 * high)
    ax.set_xlim(low - pad, high + 2 * pad)
    for k, q, stroke in found:
        if q.value > _FAR * least:
            ax.annotate(
                f"{q.value:.4g} →",
                (0.985, k),
                xycoords=("axes fraction", "data"),
                ha="right",
                va="center",
                color=stroke.color,
            )
