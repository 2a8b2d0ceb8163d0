"""The map of the lit part of the mirror, read from its artists."""

import astropy.units as u
import numpy as np
import pytest

from beamreduce.figures import draw_lit_map, new_figure, report_style
from beamreduce.infinity.exercised import exercised
from tests.figures.made_curves import legend_texts
from tests.infinity.made_designs import designed


@pytest.fixture
def ax():
    with report_style():
        yield new_figure().add_subplot()


def test_lit_map_covers_what_the_record_says(ax):
    _, nest = designed(inner=120.0, outer=126.0)
    lit = exercised(nest, source_distance=86 * u.m)
    drawn = draw_lit_map(ax, lit)
    boxes = [path.vertices for path in drawn.pieces["lit by both"].get_paths()]
    on_primaries = [box for box in boxes if box[:, 0].max() <= 1e-9]
    assert len(on_primaries) == len(nest.nestings)
    lengths = sorted(float(np.ptp(box[:, 0])) for box in on_primaries)
    both = (
        np.minimum(lit.primary.beam_mm, lit.primary.star_mm)[:, 1]
        - np.maximum(lit.primary.beam_mm, lit.primary.star_mm)[:, 0]
    )
    assert lengths == pytest.approx(sorted(both.tolist()))
    assert ax.get_xlim() == (-90, 90)
    texts = legend_texts(ax.get_legend())
    assert texts[:2] == ["lit by both", "lit only by a star"]
    words = " ".join(text.get_text() for text in ax.texts)
    assert f"{100 * lit.primary_exercised_fraction:.1f} % of length lit" in words


def test_slivers_are_not_in_the_legend(ax):
    """A single secondary is lit 0.03 mm further by the beam than by a star."""
    _, nest = designed(inner=190.0)
    drawn = draw_lit_map(ax, exercised(nest, source_distance=86 * u.m))
    assert set(drawn.pieces) == {"lit by both", "lit only by a star"}
