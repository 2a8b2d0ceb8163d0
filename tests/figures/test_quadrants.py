"""Figures of quadrants, read from their artists."""

import numpy as np
import pytest

from beamreduce.figures import new_figure, report_style
from beamreduce.figures.quadrants import (
    QuadrantPath,
    QuadrantPicture,
    draw_bar_budget,
    draw_bar_effects,
    draw_displacements,
    draw_quadrant_image,
    draw_rounds,
    draw_whole_focus,
)
from beamreduce.record import Uncertain
from tests.figures.made_curves import legend_texts

NAMES = ("Q1", "Q2", "Q3", "Q4")


@pytest.fixture
def figure():
    with report_style():
        yield new_figure()


def test_images_show_center_circle_and_target(figure):
    ax = figure.subplots()
    picture = QuadrantPicture(
        name="Q2",
        photons=np.arange(12.0).reshape(3, 4),
        corner_px=(10, 20),
        center_px=(11.5, 21.0),
        radius_px=1.2,
        wanted_px=(12.0, 21.5),
    )
    draw_quadrant_image(ax, picture)
    assert ax.images[0].get_extent() == [9.5, 13.5, 19.5, 22.5]
    assert ax.patches[0].center == (11.5, 21.0)
    assert [tuple(line.get_xydata()[0]) for line in ax.lines] == [
        (11.5, 21.0),
        (12.0, 21.5),
    ]


def test_paths_lead_round_by_round_with_errors_and_arrows(figure):
    ax = figure.subplots()
    paths = [
        QuadrantPath(
            name=name,
            places_mm=np.array([[0.3, k], [0.1, k / 2]]),
            errors_mm=np.full((2, 2), 0.01),
            planned_mm=(0.0, 0.0),
        )
        for k, name in enumerate(NAMES)
    ]
    draw_displacements(ax, paths)
    lines = {line.get_label(): line for line in ax.lines}
    assert lines["Q3"].get_xydata().tolist() == [[0.3, 2.0], [0.1, 1.0]]
    assert legend_texts(ax.get_legend()) == [*NAMES, "target"]
    strokes = {(lines[n].get_color(), lines[n].get_marker()) for n in NAMES}
    assert len(strokes) == 4
    assert "(mm)" in ax.get_xlabel()


def test_rounds_stand_beside_their_goal(figure):
    axes = tuple(figure.subplots(2, 1, sharex=True))
    apart = {name: np.array([0.3, 0.01]) for name in NAMES}
    goal = Uncertain(value=38.0, statistical=0.3)
    draw_rounds(axes, np.array([0, 1]), apart, (np.array([44.0, 38.5]), goal))
    assert axes[1].lines[0].get_ydata().tolist() == [44.0, 38.5]
    assert axes[1].lines[1].get_ydata()[0] == 38.0
    assert axes[0].get_ylim()[0] == 0.0


def test_focus_and_bars_are_drawn_as_given(figure):
    curves = {"round 0": (np.array([1.0, 2.0, 3.0]), np.array([5.0, 4.0, 5.0]))}
    upper, middle, lower, last = figure.subplots(4, 1)
    draw_whole_focus(upper, curves, 2.2)
    assert upper.lines[0].get_ydata().tolist() == [5.0, 4.0, 5.0]
    assert legend_texts(upper.get_legend()) == ["round 0", "detector"]
    moves = {name: np.full(3, k) for k, name in enumerate(("a", "b", "c", "d"))}
    draw_bar_effects((middle, lower), np.array([70.0, 80.0, 90.0]), moves, moves)
    assert legend_texts(lower.get_legend()) == ["a", "b", "c", "d"]
    draw_bar_budget(last, np.array([0.0, 1.0]), np.array([40.0, 50.0]), (45.0, 0.5))
    assert legend_texts(last.get_legend()) == ["whole mirror", "to keep: 45″", "0.5 µm"]
