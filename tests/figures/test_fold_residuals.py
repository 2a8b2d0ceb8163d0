"""The strips of residuals, read from their artists."""

import numpy as np
import pytest

from beamreduce.errors import SettingsError
from beamreduce.figures import (
    FoldQuality,
    draw_fold_residuals,
    fold_residuals_height_cm,
    new_figure,
    report_style,
    save_figure,
)
from tests.figures.made_curves import band_height, legend_texts, residuals


@pytest.fixture
def ax():
    with report_style():
        yield new_figure().add_subplot()


def test_every_measurement_has_a_strip_of_its_own(ax):
    rings = [residuals("near", [0.5, -1.2, 7.0]), residuals("far", [0.1, 0.2, -0.3])]
    quality = FoldQuality(chi_square=50.8, degrees_of_freedom=3, accepted=False)
    drawn = draw_fold_residuals(ax, rings, quality)
    first, second = drawn.points
    names = [tick.get_text() for tick in ax.get_yticklabels()]
    levels = dict(zip(names, ax.get_yticks(), strict=True))
    np.testing.assert_allclose(first.get_ydata() - levels["near"], [0.5, -1.2])
    np.testing.assert_allclose(second.get_ydata() - levels["far"], [0.1, 0.2, -0.3])
    assert levels["near"] > levels["far"]
    # Seven sigmas stay in their own strip, as another mark.
    (out,) = drawn.beyond[0].get_ydata() - levels["near"]
    assert 2 < out < (levels["near"] - levels["far"]) / 2
    assert drawn.beyond[1].get_xdata().size == 0
    heights = [band_height(band, 0.0) for band in drawn.bands[:2]]
    assert heights == pytest.approx([2, 4])
    title = ax.get_legend().get_title().get_text()
    assert title == "all rings: χ² 51 for 3 degrees of freedom, NOT accepted"
    assert "χ² 51\n3 rings" in [text.get_text() for text in ax.texts]


def test_marks_beyond_are_explained_only_where_there_are_some(ax):
    quality = FoldQuality(chi_square=1.0, degrees_of_freedom=1, accepted=True)
    draw_fold_residuals(ax, [residuals("near", [0.5, 1.0])], quality)
    assert legend_texts(ax.get_legend()) == ["ring", "±1σ", "±2σ"]
    assert "degrees of freedom, accepted" in ax.get_legend().get_title().get_text()


@pytest.mark.parametrize("count", [0, 17])
def test_strips_that_do_not_fit_are_refused(ax, count):
    quality = FoldQuality(chi_square=1.0, degrees_of_freedom=1, accepted=True)
    with pytest.raises(SettingsError, match=rf"got {count}; draw them in parts"):
        draw_fold_residuals(ax, [residuals("a", [1.0])] * count, quality)


def test_files_are_the_same_byte_for_byte(tmp_path):
    quality = FoldQuality(chi_square=50.8, degrees_of_freedom=3, accepted=True)
    written = []
    for name in ("first", "second"):
        with report_style():
            figure = new_figure(height_cm=fold_residuals_height_cm(1))
            rings = [residuals("near", [0.5, 9.0])]
            draw_fold_residuals(figure.add_subplot(), rings, quality)
        paths = save_figure(figure, tmp_path / name)
        written.append([path.read_bytes() for path in paths])
    assert written[0] == written[1]
