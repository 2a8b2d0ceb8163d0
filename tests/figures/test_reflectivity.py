"""Curves of reflectivity, read from their artists."""

import astropy.units as u
import numpy as np
import pytest

from beamreduce.errors import SettingsError
from beamreduce.figures import (
    ReflectivityCurves,
    draw_reflectivity,
    new_figure,
    report_style,
)
from tests.figures.made_curves import legend_texts


@pytest.fixture
def ax():
    with report_style():
        yield new_figure().add_subplot()


def test_reflectivity_is_drawn_by_name(ax):
    angles = np.linspace(0, 1, 5) * u.deg
    curves = ReflectivityCurves(
        at=angles, axis="grazing angle", values={"a": np.ones(5), "b": np.zeros(5)}
    )
    lines = draw_reflectivity(ax, curves, title="gold")
    np.testing.assert_array_equal(lines[1].get_ydata(), np.zeros(5))
    assert ax.get_xlabel() == "grazing angle (deg)"
    assert legend_texts(ax.get_legend()) == ["a", "b"]


def test_too_many_reflectivity_curves_are_refused():
    with pytest.raises(SettingsError, match=r"1 to 3 reflectivity curves.*got 4"):
        ReflectivityCurves(
            at=[1, 2] * u.keV, axis="energy", values=dict.fromkeys("abcd", np.ones(2))
        )
