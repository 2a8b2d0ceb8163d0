"""The focus curve and that of a star, read from their artists."""

from dataclasses import replace

import numpy as np
import pytest

from beamreduce.figures import FocusCurve, draw_focus_curve, new_figure, report_style
from beamreduce.record import Uncertain
from tests.figures.made_curves import curve, legend_texts

FOCUS = FocusCurve(
    distances_mm=np.array([5520.0, 5540.0, 5560.0]),
    hpd_arcsec=[Uncertain(value=v, statistical=0.5) for v in (60.0, 42.0, 55.0)],
    model=curve(9, 1.0, np.linspace(5510, 5570, 31)),
    star=curve(9, 2.0, np.linspace(5180, 5240, 31)),
    best_focus_mm=Uncertain(value=5543.0, statistical=0.3),
    star_best_focus_mm=Uncertain(value=5211.0, statistical=0.3, model=0.4),
    focal_length_mm=5200.0,
)


@pytest.fixture
def figure():
    with report_style():
        yield new_figure()


def test_focus_curve_stands_beside_that_of_a_star(figure):
    beamline, sky = axes = figure.subplots(1, 2)
    drawn = draw_focus_curve(axes, FOCUS)
    points, _, (bars,) = drawn.measured.lines
    np.testing.assert_allclose(points.get_xdata(), FOCUS.distances_mm)
    assert np.ptp(bars.get_segments()[1][:, 1]) == pytest.approx(1.0)
    np.testing.assert_allclose(drawn.star.get_xdata(), FOCUS.star.at)
    assert drawn.best_focus.get_xdata()[0] == 5543.0
    assert beamline.get_ylim() == sky.get_ylim()
    assert beamline.get_ylim()[0] == 0
    (legend,) = figure.legends
    texts = legend_texts(legend)
    assert "a star's best focus\n5211.00 ± 0.50 mm" in texts
    assert "focal length 5200 mm" in texts


def test_focus_curve_without_a_best_focus(figure):
    without = replace(FOCUS, best_focus_mm=None, star_best_focus_mm=None)
    drawn = draw_focus_curve(figure.subplots(1, 2), without)
    assert drawn.best_focus is None
    assert not any("best focus" in t for t in legend_texts(figure.legends[0]))
