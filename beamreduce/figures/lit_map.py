"""Figure of the lit part of the mirror: every nesting along the axis."""

from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from beamreduce.figures.style import legend_below
from beamreduce.infinity.exercised import PIECES, Exercised, Pieces

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.collections import PolyCollection
    from matplotlib.lines import Line2D

# Relative luminances 0.05, 0.45, 0.29, 0.72: told apart in grey print, and by hatching.
_LOOKS = (
    ("#1b3a8c", None),
    ("#e8a33d", "////"),
    ("#2f9ec0", "...."),
    ("#dcdcdc", None),
)

_THINNEST = 1e-3  # of the whole length; less is thinner than a printed line


class LitMapArtists(NamedTuple):
    """What :func:`draw_lit_map` drew: a collection for each kind of piece there is."""

    pieces: "dict[str, PolyCollection]"
    reference_plane: "Line2D"


def draw_lit_map(ax: "Axes", lit: Exercised) -> LitMapArtists:
    """Draw which part of every reflector the beam and a star light.

    The same at all azimuths, since the source is on the axis. Light comes from the left;
    primaries are left of the reference plane, secondaries right of it.

    Parameters
    ----------
    ax
        Axes to draw on.
    lit
        The lit stretches.
    """
    pieces, (low, high) = lit.pieces(), _bands(lit.radius_mm)
    drawn = {}
    reach = lit.secondary.ends_mm.max() - lit.primary.ends_mm.min()
    seen = pieces.end_mm - pieces.start_mm > _THINNEST * reach
    for kind, (name, look) in enumerate(zip(PIECES, _LOOKS, strict=True)):
        chosen = seen & (pieces.kind == kind)
        if chosen.any():
            drawn[name] = _fill(ax, _boxes(pieces, chosen, low, high), name, look)
    plane = ax.axvline(0.0, color="black", lw=1.2, label="reference plane")
    ends = np.concatenate([lit.primary.ends_mm, lit.secondary.ends_mm])
    ax.set(
        xlabel="along the axis from the reference plane (mm)",
        ylabel="radius of the nesting (mm)",
        xlim=(ends.min(), ends.max()),
        ylim=(low[0], high[-1]),
    )
    _name_stages(ax, lit)
    title = f"source at {lit.source_distance_mm / 1000:.4g} m, on the axis; no slope errors"
    legend_below(ax, [*drawn.values(), plane], title=title)
    return LitMapArtists(drawn, plane)


def _bands(radius_mm: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Heights at which each nesting is drawn: half-way to its neighbours."""
    if radius_mm.size == 1:
        return radius_mm - 0.5, radius_mm + 0.5
    middle = 0.5 * (radius_mm[1:] + radius_mm[:-1])
    first = 2 * radius_mm[0] - middle[0]
    last = 2 * radius_mm[-1] - middle[-1]
    return np.append(first, middle), np.append(middle, last)


def _boxes(
    pieces: Pieces, chosen: np.ndarray, low: np.ndarray, high: np.ndarray
) -> np.ndarray:
    """Corners of the chosen pieces, shape (pieces, 4, 2)."""
    start, end = pieces.start_mm[chosen], pieces.end_mm[chosen]
    bottom, top = (edge[pieces.nesting[chosen]] for edge in (low, high))
    x = np.stack([start, end, end, start], axis=1)
    y = np.stack([bottom, bottom, top, top], axis=1)
    return np.stack([x, y], axis=-1)


def _fill(
    ax: "Axes", boxes: np.ndarray, name: str, look: tuple[str, str | None]
) -> "PolyCollection":
    from matplotlib.collections import PolyCollection  # noqa: PLC0415

    color, hatch = look
    filled = PolyCollection(
        boxes,
        facecolor=color,
        edgecolor="black" if hatch else color,
        linewidth=0.0,
        hatch=hatch,
        label=name,
    )
    return ax.add_collection(filled)


def _name_stages(ax: "Axes", lit: Exercised) -> None:
    for stage, part, side in (
        ("primaries", lit.primary_exercised_fraction, 0.25),
        ("secondaries", lit.secondary_exercised_fraction, 0.75),
    ):
        text = f"{stage}\n{100 * part:.1f} % of length lit"
        ax.text(side, 1.02, text, transform=ax.transAxes, ha="center", va="bottom")
