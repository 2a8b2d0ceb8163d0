"""Figures of a set of response files, and the tables behind those that have no other."""

from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

import astropy.units as u
import numpy as np

from beamreduce.figures.responses import (
    AREA_CURVE_HEIGHT_CM,
    MATRIX_HEIGHT_CM,
    AreaCurvePicture,
    draw_area_curve,
    draw_area_ratio,
    draw_line_profiles,
    draw_matrix,
)
from beamreduce.figures.style import (
    CURVE_HEIGHT_CM,
    new_figure,
    report_style,
    save_figure,
)
from beamreduce.record import write_table_whole
from beamreduce.reduction.responses_content import ResponseSet
from beamreduce.response.area_set import NamedCurve

if TYPE_CHECKING:
    from astropy.table import QTable
    from matplotlib.figure import Figure

Progress = Callable[[str, int, int], None]
_MOST_PROFILES = 6
_MOST_ROWS = 400  # of the matrix in the picture


def area_picture(one: NamedCurve) -> AreaCurvePicture:
    """Return what is drawn of a curve and the lines that it was fitted to."""
    curve = one.curve
    return AreaCurvePicture(
        energy_kev=curve.energy_kev,
        area_cm2=curve.area_cm2,
        uncertainty_cm2=curve.uncertainty_cm2(),
        model_cm2=curve.model_cm2,
        line_kev=np.array([line.energy_kev for line in curve.lines]),
        line_cm2=np.array([line.area_cm2 for line in curve.lines]),
        line_relative=curve.fit.relative,
        residual=curve.fit.residual,
        valid_kev=(curve.lowest_kev, curve.highest_kev),
    )


def area_figure(one: NamedCurve) -> "Figure":
    """Return area against energy over the ratio of lines and curve."""
    picture = area_picture(one)
    figure = new_figure(height_cm=AREA_CURVE_HEIGHT_CM, width_cm=15.0)
    upper, lower = figure.subplots(2, sharex=True, height_ratios=(3, 2))
    drawn = draw_area_curve(upper, picture)
    upper.set_title(f"{one.words}, for a star")
    draw_area_ratio(lower, picture, drawn)
    return figure


def profiles_table(content: ResponseSet) -> "QTable":
    """Return the spectra that the measured lines leave, a column each."""
    from astropy.table import QTable  # noqa: PLC0415 - slow import

    matrix = content.matrix
    edges = matrix.channel_edges_kev
    table = QTable({"energy": (edges[1:] + edges[:-1]) / 2 * u.keV})
    lines = np.unique([line.energy_kev for line in content.curves[0].curve.lines])
    for energy in lines[:: max(-(-lines.size // _MOST_PROFILES), 1)]:
        row = int(np.argmin(np.abs(content.grid.centers_kev - energy)))
        table[f"line_{energy:g}_keV"] = matrix.matrix[row]
    return table


def matrix_figure(content: ResponseSet) -> "Figure":
    """Return a picture of the matrix."""
    figure = new_figure(height_cm=MATRIX_HEIGHT_CM, width_cm=15.0)
    step = max(content.grid.bins // _MOST_ROWS, 1)
    rows = np.arange(0, content.grid.bins, step)
    edges = np.append(content.grid.edges_kev[rows], content.grid.edges_kev[-1])
    matrix = content.matrix
    draw_matrix(figure.subplots(), edges, matrix.channel_edges_kev, matrix.matrix[rows])
    return figure


def profiles_figure(table: "QTable") -> "Figure":
    """Return the spectra of the measured lines."""
    figure = new_figure(height_cm=CURVE_HEIGHT_CM, width_cm=15.0)
    profiles = {
        name.removeprefix("line_").replace("_", " "): np.asarray(table[name])
        for name in table.colnames[1:]
    }
    draw_line_profiles(figure.subplots(), table["energy"].to_value(u.keV), profiles)
    return figure


def draw_responses(folder: Path, content: ResponseSet, tell: Progress) -> None:
    """Write all figures as PNG and SVG, and ``line_profiles.ecsv``."""
    table = profiles_table(content)
    write_table_whole(folder / "line_profiles.ecsv", table)
    figures = (
        ("area_curve", lambda: area_figure(content.curves[0])),
        ("redistribution", lambda: matrix_figure(content)),
        ("line_profiles", lambda: profiles_figure(table)),
    )
    for done, (name, make) in enumerate(figures):
        tell("figures", done, len(figures))
        with report_style():
            save_figure(make(), folder / name)
    tell("figures", len(figures), len(figures))
