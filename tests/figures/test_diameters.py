"""All diameters of a campaign beside each other."""

import numpy as np
import pytest

from beamreduce.figures import DiameterRow, draw_diameters, new_figure
from beamreduce.record import Uncertain


def of(value, spread=0.5):
    return Uncertain(value=value, statistical=spread)


def drawn(*rows):
    figure = new_figure(height_cm=8.0)
    ax = figure.subplots()
    return ax, draw_diameters(
        ax, [DiameterRow(name=n, measured=m, infinity=i) for n, m, i in rows]
    )


def points(container):
    return np.asarray(container.lines[0].get_xydata())


def test_every_value_is_where_it_is():
    ax, artists = drawn(("a", of(50.0), of(54.0)), ("b", of(51.0), None))
    assert points(artists.measured)[:, 0] == pytest.approx([50.0, 51.0])
    assert points(artists.infinity)[:, 0] == pytest.approx([54.0])
    assert [t.get_text() for t in ax.get_yticklabels()] == ["a", "b"]
    (bars,) = artists.measured.lines[2]
    ends = [segment[:, 0] for segment in bars.get_segments()]
    assert np.ravel(ends) == pytest.approx([49.5, 50.5, 50.5, 51.5])


def test_what_is_far_out_is_written_and_does_not_press_the_rest():
    ax, _ = drawn(("near", of(50.0), of(54.0)), ("far", of(228.4), of(54.0)))
    assert ax.get_xlim()[1] < 60
    assert [t.get_text() for t in ax.texts] == ["228.4 →"]


def test_nothing_to_draw_is_no_fault():
    ax, artists = drawn(("a", None, None))
    assert points(artists.measured).size == 0
    assert not ax.texts
