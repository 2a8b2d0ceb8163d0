"""Figures of response files: area against energy with its lines, and the matrix."""

from dataclasses import dataclass
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
    legend_below,
)

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.collections import FillBetweenPolyCollection, QuadMesh
    from matplotlib.container import ErrorbarContainer
    from matplotlib.lines import Line2D

AREA_CURVE_HEIGHT_CM = 15.0
MATRIX_HEIGHT_CM = 12.5
_DARKEST = 1e-5  # share of a photon in a channel that is told from nothing


@dataclass(frozen=True, kw_only=True)
class AreaCurvePicture:
    """A curve of area with what it was fitted to, cm² and keV.

    Parameters
    ----------
    energy_kev, area_cm2, uncertainty_cm2, model_cm2
        Shape (energies,): curve, its standard uncertainty, and the model before the
        factor.
    line_kev, line_cm2, line_relative, residual
        Shape (lines,): measured areas, their relative standard uncertainty, and measured
        over curve less one.
    valid_kev
        From where to where measured lines support the curve.
    """

    energy_kev: np.ndarray
    area_cm2: np.ndarray
    uncertainty_cm2: np.ndarray
    model_cm2: np.ndarray
    line_kev: np.ndarray
    line_cm2: np.ndarray
    line_relative: np.ndarray
    residual: np.ndarray
    valid_kev: tuple[float, float]


class AreaCurveArtists(NamedTuple):
    """What :func:`draw_area_curve` drew."""

    curve: "Line2D"
    model: "Line2D"
    band: "FillBetweenPolyCollection"
    lines: "ErrorbarContainer"


class RatioArtists(NamedTuple):
    """What :func:`draw_area_ratio` drew."""

    band: "FillBetweenPolyCollection"
    lines: "ErrorbarContainer"


def draw_area_curve(ax: "Axes", picture: AreaCurvePicture) -> AreaCurveArtists:
    """Draw area against energy with its band, the model, and the measured lines."""
    energy, area = picture.energy_kev, picture.area_cm2
    (model,) = ax.plot(
        energy, picture.model_cm2, color=SECOND.color, ls=SECOND.line, lw=1.2,
        label="model as declared, perfect surfaces",
    )  # fmt: skip
    (curve,) = ax.plot(energy, area, color=FIRST.color, label="model scaled through lines")
    band = ax.fill_between(
        energy, area - picture.uncertainty_cm2, area + picture.uncertainty_cm2,
        color=FIRST.color, alpha=BAND_OPACITY, lw=0, label="±1 standard uncertainty",
    )  # fmt: skip
    lines = ax.errorbar(
        picture.line_kev, picture.line_cm2, picture.line_relative * picture.line_cm2,
        fmt="o", color=REFERENCE.color, capsize=2.5, lw=1.1, ms=4.5,
        label="measured, taken to infinity",
    )  # fmt: skip
    _grey_beyond(ax, picture)
    ax.set(ylabel="effective area (cm²)", xlim=(energy[0], energy[-1]))
    ax.set_ylim(bottom=0)
    return AreaCurveArtists(curve=curve, model=model, band=band, lines=lines)


def draw_area_ratio(
    ax: "Axes", picture: AreaCurvePicture, above: AreaCurveArtists | None = None
) -> RatioArtists:
    """Draw lines over the curve, less one, with the curve's own band; legend of both."""
    percent = 100 * picture.uncertainty_cm2 / picture.area_cm2
    band = ax.fill_between(
        picture.energy_kev, -percent, percent, color=FIRST.color, alpha=BAND_OPACITY, lw=0
    )
    ax.axhline(0, color=FIRST.color, lw=1.0)
    # Lines of one energy would hide each other.
    beside = _beside(picture.line_kev, picture.energy_kev)
    lines = ax.errorbar(
        beside, 100 * picture.residual, 100 * picture.line_relative, fmt="o",
        color=REFERENCE.color, capsize=2.5, lw=1.1, ms=4.5,
    )  # fmt: skip
    _grey_beyond(ax, picture)
    reach = 1.25 * np.max(np.abs(100 * picture.residual) + 100 * picture.line_relative)
    reach = max(reach, 1.3 * float(np.median(percent)))
    ax.set(
        xlabel="energy (keV)",
        ylabel="lines / curve − 1 (%)",
        xlim=(picture.energy_kev[0], picture.energy_kev[-1]),
        ylim=(-reach, reach),
    )
    if above is not None:
        legend_below(ax, [above.curve, above.band, above.model, above.lines])
    return RatioArtists(band=band, lines=lines)


def draw_matrix(
    ax: "Axes", energy_edges_kev: np.ndarray, channel_edges_kev: np.ndarray,
    matrix: np.ndarray,
) -> "QuadMesh":  # fmt: skip
    """Draw the share of photons of an energy in each channel, on a logarithmic scale.

    Parameters
    ----------
    ax
        Axes to draw on.
    energy_edges_kev, channel_edges_kev
        Shapes (energies + 1,) and (channels + 1,).
    matrix
        Shape (energies, channels).
    """
    from matplotlib.colors import LogNorm  # noqa: PLC0415

    top = float(matrix.max())
    mesh = ax.pcolormesh(
        channel_edges_kev,
        energy_edges_kev,
        np.ma.masked_less(matrix, _DARKEST),
        norm=LogNorm(vmin=_DARKEST, vmax=top),
        cmap=IMAGE_MAP,
        rasterized=True,
    )
    ax.set(xlabel="channel, nominal energy (keV)", ylabel="photon energy (keV)")
    ax.set_facecolor("white")
    bar = ax.figure.colorbar(mesh, ax=ax)
    bar.set_label("share of photons in a channel")
    return mesh


def draw_line_profiles(
    ax: "Axes", channel_kev: np.ndarray, profiles: dict[str, np.ndarray]
) -> "tuple[Line2D, ...]":
    """Draw the spectrum that each of some lines leaves, by its name."""
    drawn = []
    strokes = (FIRST, SECOND, THIRD)
    for place, (name, profile) in enumerate(profiles.items()):
        stroke = strokes[place % 3]
        (line,) = ax.plot(
            channel_kev, np.where(profile >= _DARKEST, profile, np.nan),
            color=stroke.color, ls=stroke.line, label=name,
        )  # fmt: skip
        drawn.append(line)
    ax.set(
        xlabel="channel, nominal energy (keV)",
        ylabel="share of photons in a channel",
        yscale="log",
        xlim=(channel_kev[0], channel_kev[-1]),
    )
    legend_below(ax, drawn)
    return tuple(drawn)


def _beside(energy: np.ndarray, grid: np.ndarray) -> np.ndarray:
    step = 0.012 * (grid[-1] - grid[0])
    places = energy.astype(float).copy()
    for value in np.unique(energy):
        mine = np.flatnonzero(energy == value)
        places[mine] += step * (np.arange(mine.size) - (mine.size - 1) / 2)
    return places


def _grey_beyond(ax: "Axes", picture: AreaCurvePicture) -> None:
    low, high = picture.valid_kev
    first, last = picture.energy_kev[0], picture.energy_kev[-1]
    for start, end in ((first, low), (high, last)):
        if end > start:
            ax.axvspan(start, end, color=NO_DATA, alpha=0.45, lw=0)
