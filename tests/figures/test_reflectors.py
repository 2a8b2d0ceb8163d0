"""Figures of reflectors hold what they were given."""

import astropy.units as u
import numpy as np
import pytest

from beamreduce.figures import (
    chosen_yields,
    draw_control_chart,
    draw_filling_plan,
    draw_height_map,
    draw_spectra,
    draw_yields,
    new_figure,
    report_style,
    save_figure,
)
from beamreduce.reflectors import (
    Candidate,
    MeanSpectrum,
    Slot,
    control_chart,
    filling_plan,
    group_yields,
    height_map,
)


@pytest.fixture
def ax():
    with report_style():
        yield new_figure().subplots()


def test_height_map_is_symmetric_about_zero_and_grey_where_missing(ax):
    heights = np.array([[1.0, -2.0], [np.nan, 0.5]])
    image = draw_height_map(ax, height_map(heights * u.nm, pixel_size=3 * u.um))
    assert image.get_clim() == (-2, 2)
    assert image.get_extent() == [0, 6, 0, 6]
    assert image.get_array().mask[1, 0]
    assert "µm" in ax.get_xlabel()


def test_spectra(ax):
    x = np.geomspace(10, 300, 12)
    spectra = [
        MeanSpectrum(
            name=name,
            maps=7,
            frequency_per_mm=x,
            median_nm2_mm=1 / x,
            low_nm2_mm=0.8 / x,
            high_nm2_mm=1.2 / x,
        )
        for name in ("primary", "secondary")
    ]
    drawn = draw_spectra(ax, spectra)
    np.testing.assert_allclose(drawn.lines[1].get_ydata(), 1 / x)
    assert len(drawn.bands) == 2
    assert (ax.get_xscale(), ax.get_yscale()) == ("log", "log")
    assert "1/mm" in ax.get_xlabel()
    assert drawn.lines[0].get_label() == "primary, 7 maps"


def test_yields_and_which_are_drawn(ax):
    counts = {f"M{i:02d}": (60 + i % 9, 80) for i in range(40)} | {"M99": (10, 80)}
    yields = group_yields("mandrel", counts)
    groups = chosen_yields(yields, "mandrel")
    assert len(groups) == 30
    assert [g.name for g in groups] == sorted(g.name for g in groups)
    assert groups[-1].name == "M99"
    bars = draw_yields(ax, groups, overall=0.8, confidence=0.95)
    assert len(bars) == 30
    (line, _, _) = bars[-1]
    assert line.get_xdata()[0] == pytest.approx(0.125)
    assert ax.get_yticklabels()[-1].get_text() == "M99  10/80"
    assert chosen_yields(yields, "batch") == ()


def test_control_chart(ax):
    rng = np.random.default_rng(71)
    batches = {f"B{i}": rng.normal(0.5, 0.02, 6) for i in range(25)}
    batches["late"] = rng.normal(0.6, 0.02, 6)
    chart = control_chart("Sq of primary", batches)
    drawn = draw_control_chart(ax, chart)
    np.testing.assert_allclose(
        drawn.means.get_ydata(), [point.mean for point in chart.points]
    )
    assert 25 in drawn.signals.get_xdata()
    assert "nm" in ax.get_ylabel()


def test_filling_plan(ax, tmp_path):
    slots = [
        Slot(quadrant=q, stage="primary", nesting=n) for q in ("Q1", "Q2") for n in (1, 2)
    ]
    candidates = [
        Candidate(reflector=name, stage="primary", nesting=n, grade=grade, loss=0.1)
        for name, n, grade in (("a", 1, "flight"), ("b", 1, "reserve"), ("c", 2, "flight"))
    ]
    drawn = draw_filling_plan(ax, filling_plan(candidates, slots))
    counts = {grade: len(line.get_xdata()) for grade, line in drawn.slots.items()}
    assert counts == {"flight": 2, "reserve": 1, "": 1}
    png, svg = save_figure(ax.figure, tmp_path / "plan")
    assert png.stat().st_size > 1000
    assert svg.stat().st_size > 1000
