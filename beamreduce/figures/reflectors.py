"""Figures of reflectors: a map, spectra, yields, control charts, the filling plan."""

from collections.abc import Sequence
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from beamreduce.figures.style import (
    BAND_OPACITY,
    FIRST,
    IMAGE_MAP,
    NO_DATA,
    REFERENCE,
    SECOND,
    THIRD,
    decimal_text,
    legend_below,
)
from beamreduce.reflectors import (
    ControlChart,
    FillingPlan,
    GroupYield,
    HeightMap,
    MeanSpectrum,
)

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.collections import FillBetweenPolyCollection
    from matplotlib.container import ErrorbarContainer
    from matplotlib.image import AxesImage
    from matplotlib.lines import Line2D

_STROKES = (FIRST, SECOND, THIRD)
_ROW_CM = 0.55
_MOST_GROUPS = 30
GRADE_COLORS = {"flight": FIRST.color, "reserve": THIRD.color, "": SECOND.color}
GRADE_WORDS = {"flight": "flight", "reserve": "reserve", "": "empty"}


def draw_height_map(ax: "Axes", heights: HeightMap, *, title: str = "") -> "AxesImage":
    """Draw heights above the shape; masked and missing points are grey.

    The scale is even about zero and ends at the largest height.
    """
    rows, columns = heights.height_nm.shape
    reach = float(np.nanmax(np.abs(heights.height_nm)))
    shown = np.ma.masked_invalid(heights.height_nm)
    extent = (0, columns * heights.pixel_x_um, 0, rows * heights.pixel_y_um)
    image = ax.imshow(
        shown, cmap=IMAGE_MAP, origin="lower", extent=extent, vmin=-reach, vmax=reach
    )
    ax.set_facecolor(NO_DATA)
    ax.set(title=title, xlabel="x (µm)", ylabel="y (µm)")
    ax.figure.colorbar(
        image,
        ax=ax,
        orientation="horizontal",
        shrink=0.8,
        label="height (nm); grey: no height, or masked",
    )
    return image


class SpectraArtists(NamedTuple):
    """What :func:`draw_spectra` drew."""

    lines: "tuple[Line2D, ...]"
    bands: "tuple[FillBetweenPolyCollection, ...]"


def draw_spectra(ax: "Axes", spectra: Sequence[MeanSpectrum]) -> SpectraArtists:
    """Draw the median spectrum of each stage with the band that holds 68 % of the maps."""
    from matplotlib.ticker import (  # noqa: PLC0415 - slow import
        FuncFormatter,
        LogLocator,
        NullFormatter,
    )

    lines, bands = [], []
    for spectrum, stroke in zip(spectra, _STROKES, strict=False):
        x = spectrum.frequency_per_mm
        bands.append(
            ax.fill_between(
                x,
                spectrum.low_nm2_mm,
                spectrum.high_nm2_mm,
                color=stroke.color,
                alpha=BAND_OPACITY,
                lw=0,
            )
        )
        lines += ax.plot(
            x,
            spectrum.median_nm2_mm,
            color=stroke.color,
            ls=stroke.line,
            marker=stroke.marker,
            ms=3.5,
            label=f"{spectrum.name}, {spectrum.maps} maps",
        )
    ax.set(
        xscale="log",
        yscale="log",
        xlabel="spatial frequency along the light (1/mm)",
        ylabel="one-sided spectrum (nm² mm)",
    )
    for axis in (ax.xaxis, ax.yaxis):
        axis.set_major_locator(LogLocator(subs=(1, 2, 5)))
        axis.set_major_formatter(FuncFormatter(decimal_text))
        axis.set_minor_formatter(NullFormatter())
    legend_below(ax, lines, title="median, and where 68 % of the maps lie")
    return SpectraArtists(lines=tuple(lines), bands=tuple(bands))


def chosen_yields(yields: Sequence[GroupYield], kind: str) -> tuple[GroupYield, ...]:
    """Return the groups of a kind to draw: all, or the lowest where there are many."""
    own = [y for y in yields if y.kind == kind]
    if kind == "mandrel":  # batches and runs are in the order they were made
        own.sort(key=lambda y: y.name)
    if len(own) <= _MOST_GROUPS:
        return tuple(own)
    least = sorted(own, key=lambda y: (y.share, y.name))[:_MOST_GROUPS]
    return tuple(y for y in own if y in least)


def yields_height_cm(groups: int) -> float:
    """Return a height at which so many groups can be read."""
    return 4.4 + _ROW_CM * groups


def draw_yields(
    ax: "Axes", groups: Sequence[GroupYield], *, overall: float, confidence: float
) -> "tuple[ErrorbarContainer, ...]":
    """Draw the yield of each group with its interval, the first at the top.

    Parameters
    ----------
    ax
        Axes to draw on.
    groups
        Of one kind.
    overall
        Yield of all together.
    confidence
        Of the intervals.
    """
    line = ax.axvline(
        overall, color=REFERENCE.color, ls=REFERENCE.line, label=f"all: {overall:.2f}"
    )
    drawn, shown = [], {}
    words = {"": "as the others", "low": "stands out, low", "high": "stands out, high"}
    strokes = {"": FIRST, "low": SECOND, "high": THIRD}
    for place, group in enumerate(groups):
        stroke = strokes[group.stands_out]
        bar = ax.errorbar(
            [group.share],
            [place],
            xerr=[[group.share - group.low], [group.high - group.share]],
            color=stroke.color,
            marker=stroke.marker,
            ls="none",
            capsize=2.5,
            label=words[group.stands_out],
        )
        drawn.append(bar)
        shown.setdefault(group.stands_out, bar)
    ax.set_yticks(range(len(groups)), [f"{g.name}  {g.good}/{g.formed}" for g in groups])
    ax.tick_params(axis="y", length=0)
    ax.set(
        xlim=(0, 1),
        ylim=(len(groups) - 0.4, -0.6),
        xlabel=f"yield of flight grade, intervals {confidence:.0%}",
    )
    legend_below(ax, [line, *(shown[key] for key in words if key in shown)])
    return tuple(drawn)


class ControlArtists(NamedTuple):
    """What :func:`draw_control_chart` drew."""

    means: "Line2D"
    limits: "tuple[Line2D, Line2D]"
    signals: "Line2D"


def draw_control_chart(ax: "Axes", chart: ControlChart) -> ControlArtists:
    """Draw the means of batches in their order, with their limits."""
    x = np.arange(len(chart.points))
    means = np.array([p.mean for p in chart.points])
    odd = np.array([bool(p.signal) for p in chart.points])
    (line,) = ax.plot(
        x, means, color=FIRST.color, marker="o", ms=3.5, lw=1.0, label="mean of a batch"
    )
    limits = tuple(
        ax.plot(
            x,
            [getattr(p, side) for p in chart.points],
            color=REFERENCE.color,
            ls="--",
            lw=1.0,
            drawstyle="steps-mid",
            label="3 standard deviations of a batch mean",
        )[0]
        for side in ("lower", "upper")
    )
    center = ax.axhline(
        chart.center, color=REFERENCE.color, ls=":", lw=1.0, label="mean of all"
    )
    (signals,) = ax.plot(
        x[odd],
        means[odd],
        color=SECOND.color,
        marker="s",
        ms=6,
        ls="none",
        label="beyond a limit, or nine on one side",
    )
    step = max(1, len(x) // 10)
    ax.set_xticks(x[::step], [p.name for p in chart.points[::step]], rotation=60)
    ax.set(title=chart.quantity, ylabel=f"{chart.quantity.split()[0]} (nm)")
    from matplotlib.transforms import ScaledTranslation  # noqa: PLC0415 - slow import

    down = ScaledTranslation(0, -0.62, ax.figure.dpi_scale_trans)
    ax.legend(
        handles=[line, signals, limits[0], center],
        loc="upper center",
        bbox_to_anchor=(0.5, 0.0),
        bbox_transform=ax.transAxes + down,
        ncols=1,
    )
    return ControlArtists(means=line, limits=limits, signals=signals)


class PlanArtists(NamedTuple):
    """What :func:`draw_filling_plan` drew."""

    slots: "dict[str, Line2D]"


def draw_filling_plan(ax: "Axes", plan: FillingPlan) -> PlanArtists:
    """Draw every slot: nestings across, quadrants and stages down, by grade."""
    rows = sorted({(e.slot.quadrant, e.slot.stage) for e in plan.filled})
    place = {row: number for number, row in enumerate(rows)}
    markers = {"flight": "|", "reserve": "s", "": "x"}
    sizes = {"flight": 8, "reserve": 5, "": 8}
    drawn = {}
    for grade, words in GRADE_WORDS.items():
        own = [e.slot for e in plan.filled if e.grade == grade]
        (drawn[grade],) = ax.plot(
            [slot.nesting for slot in own],
            [place[slot.quadrant, slot.stage] for slot in own],
            color=GRADE_COLORS[grade],
            marker=markers[grade],
            ms=sizes[grade],
            mew=1.6 if grade == "" else 1.0,
            ls="none",
            label=f"{words}: {len(own)}",
            zorder=3 if grade == "" else 2,
        )
    ax.set_yticks(range(len(rows)), [f"{quadrant} {stage}" for quadrant, stage in rows])
    ax.set(xlabel="nesting", ylim=(len(rows) - 0.4, -0.6))
    legend_below(ax, list(drawn.values()))
    return PlanArtists(slots=drawn)
