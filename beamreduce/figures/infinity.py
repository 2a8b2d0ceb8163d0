"""Figure of the encircled energy as measured and as of a star."""

from dataclasses import dataclass
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from beamreduce.figures.style import BAND_OPACITY, FIRST, SECOND, Stroke, legend_below
from beamreduce.record import Uncertain, rounded

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.collections import FillBetweenPolyCollection
    from matplotlib.container import ErrorbarContainer
    from matplotlib.lines import Line2D


@dataclass(frozen=True, kw_only=True)
class BandedCurve:
    """A curve with its standard uncertainty, over one axis.

    Parameters
    ----------
    at
        Places, shape (points,); the unit is the figure's.
    values, uncertainty
        Shape (points,).
    """

    at: np.ndarray
    values: np.ndarray
    uncertainty: np.ndarray


@dataclass(frozen=True, kw_only=True)
class SeenFromInfinity:
    """Encircled energy of one measurement and of a star.

    Parameters
    ----------
    measured, infinity
        Over the radius in arcsec; combined standard uncertainties.
    hpd_measured_arcsec, hpd_infinity_arcsec
        Diameters to point out; None where they cannot be had.
    reference_arcsec
        Where both curves are 1.
    """

    measured: BandedCurve
    infinity: BandedCurve
    hpd_measured_arcsec: Uncertain | None
    hpd_infinity_arcsec: Uncertain | None
    reference_arcsec: float


class SeenFromInfinityArtists(NamedTuple):
    """What :func:`draw_seen_from_infinity` drew."""

    measured: "Line2D"
    infinity: "Line2D"
    bands: "tuple[FillBetweenPolyCollection, FillBetweenPolyCollection]"
    marks: "tuple[ErrorbarContainer, ...]"


def draw_seen_from_infinity(ax: "Axes", seen: SeenFromInfinity) -> SeenFromInfinityArtists:
    """Draw the encircled energy as measured and as of a star, with bands and HPDs.

    Parameters
    ----------
    ax
        Axes to draw on.
    seen
        Both curves, over the radius in arcsec.
    """
    lines, bands, marks, handles = [], [], [], []
    for curve, hpd, stroke, name in (
        (seen.measured, seen.hpd_measured_arcsec, FIRST, "measured"),
        (seen.infinity, seen.hpd_infinity_arcsec, SECOND, "at infinity"),
    ):
        line, band = draw_banded(ax, curve, stroke, name)
        lines.append(line)
        bands.append(band)
        handles += [line, band]
        if hpd is not None:
            marks.append(_half_power(ax, hpd, stroke, name))
            handles.append(marks[-1])
    ax.set(
        xlabel="radius (arcsec)",
        ylabel="encircled energy fraction",
        xlim=(0, seen.reference_arcsec),
        ylim=(0, 1.05),
    )
    title = f"EEF is 1 at the reference radius, {seen.reference_arcsec:.4g} arcsec"
    legend_below(ax, handles, title=title)
    return SeenFromInfinityArtists(*lines, tuple(bands), tuple(marks))


def draw_banded(
    ax: "Axes", curve: BandedCurve, stroke: Stroke, label: str
) -> "tuple[Line2D, FillBetweenPolyCollection]":
    """Draw a curve and its band; returns both."""
    band = ax.fill_between(
        curve.at,
        curve.values - curve.uncertainty,
        curve.values + curve.uncertainty,
        color=stroke.color,
        alpha=BAND_OPACITY,
        linewidth=0,
        label="±1σ",
    )
    (line,) = ax.plot(
        curve.at, curve.values, color=stroke.color, ls=stroke.line, label=label
    )
    return line, band


def _half_power(
    ax: "Axes", hpd: Uncertain, stroke: Stroke, name: str
) -> "ErrorbarContainer":
    radius = hpd.value / 2
    ax.plot([radius, radius], [0.5, 0], color=stroke.color, ls=stroke.line, lw=1.1)
    return ax.errorbar(
        [radius],
        [0.5],
        xerr=[hpd.uncertainty / 2],
        color=stroke.color,
        ls="none",
        marker=stroke.marker,
        capsize=3,
        label=f"HPD {name}\n{rounded(hpd)} arcsec",
    )
