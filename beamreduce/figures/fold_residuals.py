"""Figure of how well a fold describes the rings of every measurement."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from beamreduce.errors import SettingsError
from beamreduce.figures.style import FIRST, REFERENCE, SECOND, legend_below

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.collections import FillBetweenPolyCollection
    from matplotlib.lines import Line2D

_STRIP = 8.0  # σ from one measurement's zero to the next
_SHOWN = 3.4  # σ; larger residuals are marked at this height
_MOST_STRIPS = 16


@dataclass(frozen=True, kw_only=True)
class RingResiduals:
    """How one measurement's rings differ from the fold.

    Parameters
    ----------
    name
        Measurement, as it shall be written.
    radius_arcsec
        Middle of each ring, shape (rings,).
    sigmas
        Independent residuals in standard deviations, shape (rings,).
    """

    name: str
    radius_arcsec: np.ndarray
    sigmas: np.ndarray

    @property
    def chi_square(self) -> float:
        """Sum of their squares."""
        return float(np.sum(self.sigmas**2))


@dataclass(frozen=True, kw_only=True)
class FoldQuality:
    """Chi-square of a fold over all its measurements, and whether it is accepted."""

    chi_square: float
    degrees_of_freedom: int
    accepted: bool


class FoldResidualsArtists(NamedTuple):
    """What :func:`draw_fold_residuals` drew, one of each a measurement."""

    points: "tuple[Line2D, ...]"
    beyond: "tuple[Line2D, ...]"
    bands: "tuple[FillBetweenPolyCollection, ...]"


def fold_residuals_height_cm(measurements: int) -> float:
    """Return a height at which the strips of that many measurements read well."""
    return 5.0 + 1.5 * measurements


def draw_fold_residuals(
    ax: "Axes", rings: Sequence[RingResiduals], quality: FoldQuality
) -> FoldResidualsArtists:
    """Draw the residuals of a fold, one strip a measurement, in standard deviations.

    Residuals beyond the strip are other marks at its edge.

    Parameters
    ----------
    ax
        Axes to draw on; see :func:`fold_residuals_height_cm`.
    rings
        Measurements that were folded together, drawn from the top down.
    quality
        Of the whole fold.

    Raises
    ------
    SettingsError
        When there are none, or too many for one figure.
    """
    if not 0 < len(rings) <= _MOST_STRIPS:
        raise SettingsError(
            f"residuals of 1 to {_MOST_STRIPS} measurements fit into one figure; "
            f"got {len(rings)}; draw them in parts"
        )
    reach = max(float(one.radius_arcsec[-1]) for one in rings) * 1.03
    levels = -_STRIP * np.arange(len(rings))
    drawn = [_strip(ax, *pair, reach) for pair in zip(rings, levels, strict=True)]
    ax.set(
        xlabel="radius (arcsec)",
        xlim=(0, reach),
        ylim=(levels[-1] - _STRIP / 2, _STRIP / 2),
    )
    for level in levels[:-1]:
        ax.axhline(level - _STRIP / 2, color=REFERENCE.color, lw=0.7)
    ax.set_yticks(levels, labels=[one.name for one in rings])
    ax.tick_params(axis="y", length=0)
    points, beyond, bands = zip(*drawn, strict=True)
    verdict = "accepted" if quality.accepted else "NOT accepted"
    title = (
        f"all rings: χ² {quality.chi_square:.0f} for {quality.degrees_of_freedom} degrees "
        f"of freedom, {verdict}"
    )
    outside = [marks for marks in beyond if marks.get_xdata().size]
    handles = [points[0], *outside[:1], *bands[0]]
    legend_below(ax, handles, title=title, columns=2 if outside else 3)
    return FoldResidualsArtists(points, beyond, tuple(b for pair in bands for b in pair))


def _strip(
    ax: "Axes", one: RingResiduals, level: float, reach: float
) -> "tuple[Line2D, Line2D, tuple[FillBetweenPolyCollection, ...]]":
    bands = tuple(
        ax.fill_between(
            [0, reach],
            level - size,
            level + size,
            color=grey,
            zorder=zorder,
            linewidth=0,
            label=f"±{size}σ",
        )
        # Opaque, so that the legend shows the greys of the strip; the narrow one in front.
        for size, grey, zorder in ((1, "0.76", 0.6), (2, "0.9", 0.5))
    )
    ax.axhline(level, color=REFERENCE.color, lw=0.7)
    inside = np.abs(one.sigmas) <= _SHOWN
    (points,) = ax.plot(
        one.radius_arcsec[inside],
        level + one.sigmas[inside],
        color=FIRST.color,
        ls="none",
        marker=FIRST.marker,
        ms=3.5,
        label="ring",
    )
    out = ~inside
    (beyond,) = ax.plot(
        one.radius_arcsec[out],
        level + np.sign(one.sigmas[out]) * _SHOWN,
        color=SECOND.color,
        ls="none",
        marker="D",
        ms=4.5,
        label=f"ring beyond ±{_SHOWN:g}σ",
    )
    ax.text(
        1.02,
        level,
        f"χ² {one.chi_square:.0f}\n{one.sigmas.size} rings",
        transform=ax.get_yaxis_transform(),
        va="center",
    )
    return points, beyond, bands
