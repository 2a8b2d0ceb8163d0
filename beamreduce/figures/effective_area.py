"""Figures of areas: against energy, off the axis, and the monitor they rest on."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from beamreduce.figures.style import (
    BAND_OPACITY,
    FIRST,
    IMAGE_MAP,
    REFERENCE,
    SECOND,
    THIRD,
    Stroke,
)
from beamreduce.record import Uncertain

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.container import ErrorbarContainer
    from matplotlib.image import AxesImage
    from matplotlib.lines import Line2D


@dataclass(frozen=True, kw_only=True)
class AreasByEnergy:
    """Areas of the whole mirror on the axis at the measured lines, cm².

    Parameters
    ----------
    energy_kev
        Rising, shape (lines,).
    measured, infinity
        As measured, and for a star.
    predicted
        The model's own area for a star.
    beam_over_star
        The model's area with the diverging beam over that for a star.
    """

    energy_kev: np.ndarray
    measured: Sequence[Uncertain]
    infinity: Sequence[Uncertain]
    predicted: Sequence[Uncertain]
    beam_over_star: np.ndarray


class AreaArtists(NamedTuple):
    """What :func:`draw_areas` drew."""

    measured: "ErrorbarContainer"
    infinity: "ErrorbarContainer"
    ratio: "ErrorbarContainer"


def draw_areas(axes: "tuple[Axes, Axes]", areas: AreasByEnergy) -> AreaArtists:
    """Draw area against energy, and below it measured over predicted.

    Parameters
    ----------
    axes
        Of the areas and of their ratio to the model, above each other.
    areas
        At the measured lines. Between them nothing is drawn: what the area is there takes
        a curve through them.
    """
    top, below = axes
    measured = _bars(top, areas.energy_kev, areas.measured, FIRST, "measured")
    infinity = _bars(top, areas.energy_kev, areas.infinity, SECOND, "for a star")
    for energy, star, part in zip(
        areas.energy_kev, areas.predicted, areas.beam_over_star, strict=True
    ):
        for factor, label in ((1.0, "model, ±1σ"), (part, None)):
            _tick(
                top,
                energy,
                star.scaled(factor),
                label if energy == areas.energy_kev[0] else None,
            )
    ratios = [
        m.value / p.value for m, p in zip(areas.infinity, areas.predicted, strict=True)
    ]
    sizes = [
        np.hypot(m.uncertainty / m.value, p.uncertainty / p.value) * r
        for m, p, r in zip(areas.infinity, areas.predicted, ratios, strict=True)
    ]
    below.axhline(1.0, color=REFERENCE.color, ls=REFERENCE.line, lw=1.0)
    ratio = below.errorbar(
        areas.energy_kev, ratios, yerr=sizes, color=SECOND.color, marker=SECOND.marker,
        ls="none", capsize=3,
    )  # fmt: skip
    top.set(ylabel="effective area (cm²)", ylim=(0, None))
    top.tick_params(labelbottom=False)
    below.set(xlabel="photon energy (keV)", ylabel="measured /\nmodel")
    reach = max(abs(r - 1) + s for r, s in zip(ratios, sizes, strict=True)) * 1.2
    below.set_ylim(1 - reach, 1 + reach)
    handles, labels = top.get_legend_handles_labels()
    below.figure.legend(handles, labels, loc="outside lower center", ncols=3)
    return AreaArtists(measured, infinity, ratio)


def _bars(
    ax: "Axes", x: np.ndarray, values: Sequence[Uncertain], stroke: Stroke, name: str
) -> "ErrorbarContainer":
    """Points with all of their uncertainty, the statistical part thicker."""
    y = [v.value for v in values]
    ax.errorbar(x, y, yerr=[v.statistical for v in values], color=stroke.color, ls="none",
                elinewidth=3.0)  # fmt: skip
    return ax.errorbar(
        x, y, yerr=[v.uncertainty for v in values], color=stroke.color, ls="none",
        marker=stroke.marker, capsize=3, label=f"{name}, ±1σ",
    )  # fmt: skip


def _tick(ax: "Axes", energy: float, value: Uncertain, label: str | None) -> None:
    """A short band at a line: the model says something only there."""
    width = 0.15
    ax.fill_between(
        [energy - width, energy + width],
        value.value - value.uncertainty,
        value.value + value.uncertainty,
        color=THIRD.color,
        alpha=2 * BAND_OPACITY,
        linewidth=0,
        label=label,
        zorder=0,
    )


@dataclass(frozen=True, kw_only=True)
class VignettingPoints:
    """Areas over that on the axis, measured at some azimuth.

    Parameters
    ----------
    azimuth_deg
        Where the source was.
    angle_arcmin
        How far off the axis.
    normalised
        Area over the mean on the axis.
    """

    azimuth_deg: float
    angle_arcmin: np.ndarray
    normalised: Sequence[Uncertain]


@dataclass(frozen=True, kw_only=True)
class VignettingPanel:
    """One of the two curves: at the beamline, or for a star.

    Parameters
    ----------
    title
        Over the panel.
    angle_arcmin, model
        The model's curve, 1 on the axis.
    points
        Measured, by azimuth.
    """

    title: str
    angle_arcmin: np.ndarray
    model: np.ndarray
    points: Sequence[VignettingPoints]


def draw_vignetting(
    axes: "tuple[Axes, Axes]", panels: tuple[VignettingPanel, VignettingPanel]
) -> "tuple[Line2D, ...]":
    """Draw vignetting at the beamline and for a star, side by side on one scale."""
    lines = []
    for ax, panel in zip(axes, panels, strict=True):
        (line,) = ax.plot(panel.angle_arcmin, panel.model, color=REFERENCE.color, ls="-",
                          lw=1.2, label="model")  # fmt: skip
        lines.append(line)
        marks = (FIRST, SECOND, THIRD)
        for k, some in enumerate(panel.points):
            stroke = marks[k % len(marks)]
            # Points of one angle stand beside each other.
            aside = (k - (len(panel.points) - 1) / 2) * 0.02 * panel.angle_arcmin[-1]
            ax.errorbar(
                some.angle_arcmin + aside,
                [p.value for p in some.normalised],
                yerr=[p.uncertainty for p in some.normalised],
                color=stroke.color, marker=stroke.marker, ls="none", capsize=3,
                label=f"azimuth {some.azimuth_deg:g}°",
            )  # fmt: skip
        ax.set(title=panel.title, xlabel="off axis (arcmin)")
    low = min(ax.get_ylim()[0] for ax in axes)
    high = max(ax.get_ylim()[1] for ax in axes)
    for ax in axes:
        ax.set_ylim(max(low, 0.0), high)
    axes[0].set_ylabel("area / area on the axis")
    axes[1].tick_params(labelleft=False)
    handles, labels = axes[1].get_legend_handles_labels()
    axes[0].figure.legend(handles, labels, loc="outside lower center", ncols=3)
    return tuple(lines)


@dataclass(frozen=True, kw_only=True)
class VignettingMap:
    """A star's vignetting over the field, and where it was measured.

    Parameters
    ----------
    reach_arcmin
        Half the side of the map.
    normalised
        Area over that on the axis, shape (rows, columns); NaN beyond the field.
    points_arcmin
        Directions measured, shape (points, 2).
    axis_arcmin
        Optical axis, (x, y) with uncertainty; None where it is not known.
    """

    reach_arcmin: float
    normalised: np.ndarray
    points_arcmin: np.ndarray
    axis_arcmin: tuple[Uncertain, Uncertain] | None


def draw_vignetting_map(ax: "Axes", field: VignettingMap) -> "AxesImage":
    """Draw the model's map for a star, directions measured, and the optical axis."""
    reach = field.reach_arcmin
    image = ax.imshow(
        field.normalised, origin="lower", extent=(-reach, reach, -reach, reach),
        cmap=IMAGE_MAP, vmin=0.0 if np.nanmin(field.normalised) < 0.2 else None, vmax=1.0,
    )  # fmt: skip
    bar = ax.figure.colorbar(image, ax=ax, location="right", shrink=0.8)
    bar.set_label("area / area on the axis, for a star")
    ax.plot(*field.points_arcmin.T, marker="o", ls="none", mfc="white", mec="black",
            label="measured directions")  # fmt: skip
    if field.axis_arcmin is not None:
        x, y = field.axis_arcmin
        ax.errorbar(
            x.value, y.value, xerr=x.uncertainty, yerr=y.uncertainty, color=SECOND.color,
            marker="+", ms=10, mew=2, ls="none", zorder=4, label="optical axis, ±1σ",
        )  # fmt: skip
    ax.set(xlabel="towards azimuth 0° (arcmin)", ylabel="towards azimuth 90° (arcmin)")
    ax.figure.legend(*ax.get_legend_handles_labels(), loc="outside lower center", ncols=2)
    return image


def draw_off_axis_hpd(
    ax: "Axes",
    angle_arcmin: np.ndarray,
    sizes: tuple[Sequence[Uncertain | None], Sequence[Uncertain | None]],
) -> "tuple[ErrorbarContainer, ...]":
    """Draw HPD against angle, as measured and for a star, in the same plane."""
    drawn = []
    for values, stroke, name, aside in (
        (sizes[0], FIRST, "as measured, ±1σ", -1),
        (sizes[1], SECOND, "for a star, ±1σ", 1),
    ):
        known = [(x, v) for x, v in zip(angle_arcmin, values, strict=True) if v is not None]
        if not known:
            continue
        shift = 0.006 * aside * max(float(np.max(angle_arcmin)), 1.0)
        drawn.append(
            ax.errorbar(
                [x + shift for x, _ in known],
                [v.value for _, v in known],
                yerr=[v.uncertainty for _, v in known],
                color=stroke.color, marker=stroke.marker, ls="none", capsize=3, label=name,
            )
        )  # fmt: skip
    ax.set(xlabel="off axis (arcmin)", ylabel="HPD (arcsec)")
    ax.margins(y=0.3)
    ax.figure.legend(*ax.get_legend_handles_labels(), loc="outside lower center", ncols=2)
    return tuple(drawn)


@dataclass(frozen=True, kw_only=True)
class MonitorRates:
    """The monitor's rate in exposures of one kind and energy, relative to their mean."""

    name: str
    place: np.ndarray
    relative: np.ndarray
    uncertainty: np.ndarray


def draw_monitor(
    ax: "Axes", sets: Sequence[MonitorRates]
) -> "tuple[ErrorbarContainer, ...]":
    """Draw how the source drifted, exposure by exposure, in the order of the table."""
    strokes = (FIRST, SECOND, THIRD)
    drawn = []
    ax.axhline(1.0, color=REFERENCE.color, ls=REFERENCE.line, lw=1.0)
    for k, one in enumerate(sets):
        stroke = strokes[k // 2 % len(strokes)]
        drawn.append(
            ax.errorbar(
                one.place, one.relative, yerr=one.uncertainty, color=stroke.color,
                marker=stroke.marker, ls="none", ms=4, capsize=2,
                mfc="white" if k % 2 else stroke.color, label=one.name,
            )
        )  # fmt: skip
    ax.set(
        xlabel="exposure, in the order of exposures.ecsv",
        ylabel="net monitor rate / mean of its set",
    )
    ax.figure.legend(*ax.get_legend_handles_labels(), loc="outside lower center", ncols=2)
    return tuple(drawn)
