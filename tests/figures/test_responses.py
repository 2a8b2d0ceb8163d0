"""Figures of response files draw what they are given."""

import numpy as np
import pytest

from beamreduce.figures.responses import (
    AreaCurvePicture,
    draw_area_curve,
    draw_area_ratio,
    draw_line_profiles,
    draw_matrix,
)
from beamreduce.figures.style import new_figure, report_style

ENERGY = np.linspace(1, 9, 81)


def picture(valid=(1.4, 8.1)):
    area = 500 - 20 * ENERGY
    return AreaCurvePicture(
        energy_kev=ENERGY,
        area_cm2=area,
        uncertainty_cm2=0.01 * area,
        model_cm2=1.05 * area,
        line_kev=np.array([1.5, 4.5, 4.5, 8.0]),
        line_cm2=np.array([470.0, 410.0, 405.0, 340.0]),
        line_relative=np.full(4, 0.01),
        residual=np.array([0.0, 0.0, -0.012, 0.0]),
        valid_kev=valid,
    )


def test_curve_band_lines_and_ratio():
    with report_style():
        upper, lower = new_figure().subplots(2)
        drawn = draw_area_curve(upper, picture())
        ratio = draw_area_ratio(lower, picture(), drawn)
    np.testing.assert_allclose(drawn.curve.get_ydata(), 500 - 20 * ENERGY)
    np.testing.assert_allclose(drawn.model.get_ydata(), 1.05 * (500 - 20 * ENERGY))
    np.testing.assert_allclose(drawn.lines.lines[0].get_ydata(), picture().line_cm2)
    np.testing.assert_allclose(
        ratio.lines.lines[0].get_ydata(), [0, 0, -1.2, 0], atol=1e-12
    )
    places = ratio.lines.lines[0].get_xdata()
    assert np.unique(places).size == 4  # lines of one energy are drawn side by side
    assert lower.get_legend() is not None
    assert upper.get_ylabel() == "effective area (cm²)"


@pytest.mark.parametrize(("valid", "greys"), [((1.4, 8.1), 2), ((0.5, 9.5), 0)])
def test_what_no_line_supports_is_grey(valid, greys):
    with report_style():
        ax = new_figure().subplots()
        draw_area_curve(ax, picture(valid))
    assert len(ax.patches) == greys


def test_matrix_and_profiles():
    edges = np.linspace(1, 9, 41)
    matrix = np.eye(40) * 0.9
    middle = (edges[1:] + edges[:-1]) / 2
    with report_style():
        mesh = draw_matrix(new_figure().subplots(), edges, edges, matrix)
        lines = draw_line_profiles(new_figure().subplots(), middle, {"4 keV": matrix[15]})
    assert mesh.get_array().count() == 40  # what is next to nothing is left white
    assert np.isfinite(lines[0].get_ydata()).sum() == 1
