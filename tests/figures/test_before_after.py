"""Figures of comparisons: what is drawn is what was found."""

import numpy as np
import pytest
from matplotlib.figure import Figure

from beamreduce.figures import (
    CurveChange,
    MarginRow,
    draw_curve_change,
    draw_forest,
    draw_forests,
    forest_columns,
    forest_size_cm,
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


def test_many_rows_stand_in_columns_and_groups_stay_together():
    rows = [row(k / 100, group=f"g{k // 9}") for k in range(63)]
    columns = forest_columns(rows)
    assert [one for column in columns for one in column] == rows
    assert [len(column) for column in columns] == [36, 27]
    width, height = forest_size_cm(rows)
    assert width == 2 * forest_size_cm(rows[:6])[0]
    assert forest_size_cm(rows[:6])[1] + 15 < height < 30
    figure = Figure()
    drawn = draw_forests(figure, rows, 0.9)
    assert [len(one.rows) for one in drawn] == [36, 27]
    # A row is as high in both columns.
    assert len({ax.get_ylim() for ax in figure.axes}) == 1


@pytest.mark.parametrize("count", [1, 30, 40])
def test_one_group_is_one_column(count):
    assert len(forest_columns([row() for _ in range(count)])) == 1


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
