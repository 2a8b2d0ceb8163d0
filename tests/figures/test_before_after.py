"""Figures of comparisons: what is drawn is what was found."""

import numpy as np
import pytest
from matplotlib.figure import Figure

from beamreduce.figures import (
    CurveChange,
    MarginRow,
    draw_curve_change,
    draw_forest,
    forest_height_cm,
)


def row(difference=0.2, verdict="unchanged", group="focus"):
    return MarginRow(
        label=f"{group}: HPD", group=group, difference=difference,
        low=difference - 0.3, high=difference + 0.3, verdict=verdict,
    )  # fmt: skip


@pytest.fixture
def ax():
    return Figure().subplots()


def test_every_difference_has_its_bar_in_order(ax):
    rows = [row(), row(1.6, "changed"), row(-0.9, "undecided", "q1")]
    drawn = draw_forest(ax, rows, 0.9)
    for place, (one, bar) in enumerate(zip(rows, drawn.rows, strict=True)):
        assert bar.lines[0].get_xydata()[0] == pytest.approx((one.difference, place))
        (segment,) = bar.lines[2][0].get_segments()
        assert segment[:, 0] == pytest.approx((one.low, one.high))
    assert [label.get_text() for label in ax.get_yticklabels()] == [r.label for r in rows]
    assert ax.get_ylim()[0] > ax.get_ylim()[1]  # the first row is at the top
    colors = {bar.lines[0].get_color() for bar in drawn.rows}
    assert len(colors) == 3
    assert len(ax.get_legend().get_texts()) == 4
    assert "90%" in ax.get_xlabel()


@pytest.mark.parametrize(("difference", "marker"), [(9.0, ">"), (-9.0, "<"), (1.0, "s")])
def test_what_is_far_out_is_an_arrow_at_the_edge(ax, difference, marker):
    (bar,) = draw_forest(ax, [row(difference, "changed")], 0.9).rows
    assert bar.lines[0].get_marker() == marker
    low, high = ax.get_xlim()
    assert low < bar.lines[0].get_xdata()[0] < high


def test_more_rows_need_more_height():
    assert forest_height_cm(60) > forest_height_cm(6) + 30


def test_the_bands_are_those_given(ax):
    at = np.linspace(2, 100, 30)
    change = CurveChange(
        radius_arcsec=at, difference=np.sin(at / 20) / 100, uncertainty=np.full(30, 0.002),
        band=np.full(30, 0.006), margin=0.03, confidence=0.95,
    )  # fmt: skip
    drawn = draw_curve_change(ax, change)
    assert drawn.line.get_ydata() == pytest.approx(change.difference)
    for band, half in zip(drawn.bands, (0.006, 0.002), strict=True):
        y = band.get_paths()[0].vertices[:, 1]
        assert y.max() == pytest.approx(change.difference.max() + half)
        assert y.min() == pytest.approx(change.difference.min() - half)
    assert {line.get_ydata()[0] for line in drawn.margins} == {-0.03, 0.03}
    texts = [text.get_text() for text in ax.get_legend().get_texts()]
    assert any("all radii at once" in text for text in texts)
