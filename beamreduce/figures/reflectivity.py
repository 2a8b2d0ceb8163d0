"""Figure of what a coating reflects, by grazing angle or by energy."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from astropy.units import Quantity

from beamreduce.errors import SettingsError
from beamreduce.figures.style import FIRST, SECOND, THIRD, legend_below

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.lines import Line2D

_STROKES = (FIRST, SECOND, THIRD)


@dataclass(frozen=True, kw_only=True)
class ReflectivityCurves:
    """Reflectivities of one reflection over one axis.

    Parameters
    ----------
    at
        Grazing angles or energies, shape (points,), in the unit to be drawn in.
    axis
        What that is, such as ``grazing angle``.
    values
        Share of the incident light by name of the curve, each of shape (points,).
    """

    at: Quantity
    axis: str
    values: Mapping[str, np.ndarray]

    def __post_init__(self) -> None:
        if not 0 < len(self.values) <= len(_STROKES):
            raise SettingsError(
                f"1 to {len(_STROKES)} reflectivity curves can be told apart; "
                f"got {len(self.values)}"
            )


def draw_reflectivity(
    ax: "Axes", curves: ReflectivityCurves, *, title: str = ""
) -> "tuple[Line2D, ...]":
    """Draw curves of reflectivity; returns their lines in the order given."""
    lines = []
    for (name, values), stroke in zip(curves.values.items(), _STROKES, strict=False):
        lines += ax.plot(
            curves.at.value, values, color=stroke.color, ls=stroke.line, label=name
        )
    ax.set(
        title=title,
        xlabel=f"{curves.axis} ({curves.at.unit})",
        ylabel="reflectivity of one reflection",
        xlim=(curves.at.value[0], curves.at.value[-1]),
        ylim=(0, 1.0),
    )
    legend_below(ax, lines)
    return tuple(lines)
