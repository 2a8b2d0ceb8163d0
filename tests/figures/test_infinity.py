"""The encircled energy at both distances, read from its artists."""

from dataclasses import replace

import numpy as np
import pytest

from beamreduce.figures import (
    SeenFromInfinity,
    draw_seen_from_infinity,
    new_figure,
    report_style,
)
from beamreduce.record import Uncertain
from tests.figures.made_curves import band_height, curve, legend_texts

SEEN = SeenFromInfinity(
    measured=curve(30, 0.004),
    infinity=curve(36, 0.012),
    hpd_measured_arcsec=Uncertain(value=41.6, statistical=0.3),
    hpd_infinity_arcsec=Uncertain(value=49.9, statistical=0.5, model=1.2),
    reference_arcsec=200.0,
)


@pytest.fixture
def ax():
    with report_style():
        yield new_figure().add_subplot()


def test_both_curves_have_their_bands_and_diameters(ax):
    drawn = draw_seen_from_infinity(ax, SEEN)
    for line, band, given in (
        (drawn.measured, drawn.bands[0], SEEN.measured),
        (drawn.infinity, drawn.bands[1], SEEN.infinity),
    ):
        np.testing.assert_allclose(line.get_data(), (given.at, given.values))
        assert band_height(band, given.at[50]) == pytest.approx(2 * given.uncertainty[50])
    assert [m.lines[0].get_xdata()[0] for m in drawn.marks] == [20.8, 24.95]
    (bar,) = drawn.marks[1].lines[2]
    assert np.ptp(bar.get_segments()[0][:, 0]) == pytest.approx(1.3)
    assert ax.get_xlim() == (0, 200)
    legend = ax.get_legend()
    assert "at infinity" in legend_texts(legend)
    assert "HPD at infinity\n49.9 ± 1.3 arcsec" in legend_texts(legend)
    assert "200 arcsec" in legend.get_title().get_text()


def test_no_diameter_no_mark(ax):
    drawn = draw_seen_from_infinity(ax, replace(SEEN, hpd_infinity_arcsec=None))
    assert len(drawn.marks) == 1
    assert len(legend_texts(ax.get_legend())) == 5
