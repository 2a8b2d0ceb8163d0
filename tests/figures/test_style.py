"""The look that all figures share, and files that repeat byte for byte."""

import itertools
import os
import subprocess
import sys
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import matplotlib as mpl
import pytest
from matplotlib.colors import to_rgb
from matplotlib.container import ErrorbarContainer
from matplotlib.lines import Line2D
from matplotlib.text import Text

from beamreduce.errors import OutputError
from beamreduce.figures import new_figure, report_style, save_figure
from beamreduce.figures.style import FIRST, REFERENCE, SECOND, THIRD, decimal_text
from tests.figures.conftest import FIGURES, draw, figure_of

ROOT = Path(__file__).parents[2]


def luminance(color):
    """Relative luminance of an sRGB colour (W3C, WCAG 2.2, from memory; IEC 61966-2-1)."""
    linear = [
        c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in to_rgb(color)
    ]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def contrast(one, other):
    """Contrast ratio of two colours (same source)."""
    high, low = sorted((luminance(one), luminance(other)), reverse=True)
    return (high + 0.05) / (low + 0.05)


def test_contrast_of_black_and_white():
    assert contrast("white", "black") == pytest.approx(21)


def test_strokes_differ_in_luminance_line_style_and_marker():
    strokes = (REFERENCE, FIRST, SECOND, THIRD)
    for one, other in itertools.combinations(strokes, 2):
        assert contrast(one.color, other.color) >= 1.7
        assert one.line != other.line
        assert one.marker != other.marker
    # 3:1 against the background is what WCAG 2.2, 1.4.11 asks of graphics.
    assert all(contrast(stroke.color, "white") >= 3 for stroke in strokes)


def lines_of(artists):
    """Every line and row of points of a figure."""
    for artist in artists:
        if isinstance(artist, ErrorbarContainer):
            yield artist.lines[0]
        elif isinstance(artist, tuple):
            yield from lines_of(artist)
        elif isinstance(artist, Line2D):
            yield artist


@pytest.mark.parametrize("name", ["encircled_energy", "growth", "radial_profile"])
def test_lines_that_share_axes_are_told_apart_in_grey(drawn, name):
    _, _, artists = drawn[name]
    lines = list(lines_of(artists))
    assert len({line.get_color() for line in lines}) >= 3
    for one, other in itertools.combinations(lines, 2):
        if one.get_color() != other.get_color():  # else a mark and its own drop line
            assert contrast(one.get_color(), other.get_color()) >= 1.7
            assert shape(one) != shape(other)


def shape(line):
    return line.get_linestyle(), line.get_marker()


def test_image_colours_rise_evenly_in_luminance(drawn):
    _, _, artists = drawn["image"]
    steps = [luminance(artists.image.cmap(k / 16)[:3]) for k in range(17)]
    assert all(low < high for low, high in itertools.pairwise(steps))


def texts_of(figure):
    renderer = figure.canvas.get_renderer()
    for text in figure.findobj(Text):
        if text.get_visible() and text.get_text():
            yield text, text.get_window_extent(renderer)


@pytest.mark.parametrize("name", FIGURES)
def test_text_reads_well_when_printed_8_cm_wide(drawn, name):
    figure, _, _ = drawn[name]
    shrink = 8 / 2.54 / figure.get_figwidth()
    smallest = min(text.get_fontsize() for text, _ in texts_of(figure))
    assert smallest * shrink >= 7


def shown_tick_labels(axis):
    low, high = sorted(axis.get_view_interval())
    ticks = zip(axis.get_majorticklocs(), axis.get_major_ticks(), strict=False)
    for place, tick in ticks:
        if low <= place <= high:
            yield tick.label1 if tick.label1.get_visible() else tick.label2


@pytest.mark.parametrize("name", FIGURES)
def test_nothing_overlaps_or_leaves_the_figure(drawn, name):
    figure, ax, _ = drawn[name]
    page = figure.bbox
    legend = ax.get_legend().get_window_extent()
    assert legend.y1 <= ax.get_window_extent().y0  # covers no data
    for box in (legend, *(text.get_window_extent() for text in labels_of(figure))):
        assert page.x0 <= box.x0 < box.x1 <= page.x1
        assert page.y0 <= box.y0 < box.y1 <= page.y1
    for axis in (a for axes in (*figure.axes, *ax.child_axes) for a in axis_pair(axes)):
        with report_style():  # matplotlib picks ticks by the text size of the moment
            boxes = [label.get_window_extent() for label in shown_tick_labels(axis)]
        boxes = [box for box in boxes if box.width > 0]
        assert all(not a.overlaps(b) for a, b in itertools.combinations(boxes, 2))


def axis_pair(axes):
    return axes.xaxis, axes.yaxis


def labels_of(figure):
    for axes in figure.axes:
        for one in (axes, *axes.child_axes):
            yield from (t for t in (one.xaxis.label, one.yaxis.label) if t.get_text())


@pytest.mark.parametrize("name", FIGURES)
def test_both_axes_are_labelled_with_a_unit(drawn, name):
    _, ax, _ = drawn[name]
    assert "(mm)" in ax.get_xlabel()
    assert ax.get_ylabel()


def saved(name, results, folder):
    """Bytes of the PNG and the SVG of one figure."""
    figure, _, _ = figure_of(name, results)
    return [path.read_bytes() for path in save_figure(figure, folder / name)]


def test_saving_the_same_figure_twice_gives_the_same_bytes(results, tmp_path):
    figure, _, _ = figure_of("growth", results)
    save_figure(figure, tmp_path / "one")
    save_figure(figure, tmp_path / "two")
    for kind in ("png", "svg"):
        one, two = (tmp_path / f"{name}.{kind}" for name in ("one", "two"))
        assert one.read_bytes() == two.read_bytes()


IN_ANOTHER_PROCESS = """
import sys
from pathlib import Path
from tests.figures.conftest import FIGURES, figure_of, made_results
from beamreduce.figures import save_figure
made = made_results()
for name in FIGURES:
    figure, _, _ = figure_of(name, made)
    save_figure(figure, Path(sys.argv[1]) / name)
assert "matplotlib.pyplot" not in sys.modules
"""


def test_another_process_writes_the_same_bytes_without_pyplot(results, tmp_path):
    subprocess.run(
        [sys.executable, "-c", IN_ANOTHER_PROCESS, str(tmp_path / "there")],
        check=True,
        cwd=ROOT,
        env={**os.environ, "PYTHONHASHSEED": "12345", "MPLBACKEND": "svg"},
    )
    for name in FIGURES:
        png, svg = saved(name, results, tmp_path / "here")
        there = tmp_path / "there" / name
        assert there.with_suffix(".png").read_bytes() == png
        assert there.with_suffix(".svg").read_bytes() == svg
        assert b"Software" not in png[:400]
        assert b"<dc:date>" not in svg
        assert b"Matplotlib v" not in svg


def test_threads_write_the_same_bytes(results, tmp_path):
    alone = saved("growth", results, tmp_path / "alone")
    with ThreadPoolExecutor(2) as pool:
        jobs = [pool.submit(saved, "growth", results, tmp_path / str(k)) for k in range(3)]
        assert all(job.result() == alone for job in jobs)


def test_settings_of_the_user_neither_matter_nor_change(results, tmp_path):
    plain = saved("growth", results, tmp_path / "plain")
    with mpl.rc_context({"font.size": 30, "svg.hashsalt": None, "axes.grid": True}):
        assert saved("growth", results, tmp_path / "user") == plain
        assert mpl.rcParams["font.size"] == 30
        assert mpl.rcParams["axes.grid"]


def test_importing_the_room_does_not_load_matplotlib():
    code = (
        "import sys, beamreduce, beamreduce.figures; "
        "assert not {'matplotlib', 'photutils'} & set(sys.modules)"
    )
    subprocess.run([sys.executable, "-c", code], check=True, cwd=ROOT)


def test_suffix_follows_the_whole_name(tmp_path):
    with report_style():
        figure = new_figure(height_cm=3)
    png, svg = save_figure(figure, tmp_path / "eef_Ti-K.4.5keV")
    assert (png.name, svg.name) == ("eef_Ti-K.4.5keV.png", "eef_Ti-K.4.5keV.svg")
    assert sorted(path.name for path in tmp_path.iterdir()) == [png.name, svg.name]


def test_a_file_that_cannot_be_written_is_one_clear_error(tmp_path):
    (tmp_path / "taken").write_text("a file, no folder")
    with report_style():
        figure = new_figure(height_cm=3)
    with pytest.raises(OutputError, match=r"taken/eef\.png: found .*expected to write"):
        save_figure(figure, tmp_path / "taken" / "eef")


def test_figures_draw_only_on_the_axes_they_are_given(results):
    with report_style():
        figure = new_figure(width_cm=24)
        left, right = figure.subplots(1, 2)
        draw("growth", results, left)
    assert not right.has_data()
    assert right.get_legend() is None


@pytest.mark.parametrize(
    ("value", "text"),
    [
        (0.01, "0.01"),
        (1, "1"),
        (1e5, "100000"),
        (1e6, "1e6"),
        (1e-5, "1e−5"),
        (1e12, "1e+12"),
    ],
)
def test_powers_of_ten_without_raised_exponents(value, text):
    assert decimal_text(value) == text
