"""What the figures of the encircled energy show, read from their artists."""

from dataclasses import replace

import astropy.units as u
import numpy as np
import pytest

from beamreduce.background import BackgroundRings
from beamreduce.encircled_energy import growth_curve, radial_profile
from beamreduce.figures import (
    Marks,
    draw_encircled_energy,
    draw_growth,
    draw_radial_profile,
    new_figure,
    report_style,
)

LEVEL_PER_MM2 = 0.1 / 0.05**2
ARCSEC_PER_MM = 206264.806 / 5500  # 1 rad is 206 264.806 arcsec


def legend_texts(ax):
    return [text.get_text() for text in ax.get_legend().get_texts()]


def second_axis(ax, side):
    (axis,) = [
        child
        for child in ax.child_axes
        if (child.get_xlabel() if side == "top" else child.get_ylabel())
    ]
    return axis


@pytest.fixture
def ax():
    with report_style():
        yield new_figure().add_subplot()


def test_curve_and_band_are_those_of_the_result(results, drawn):
    _, _, artists = drawn["encircled_energy"]
    curve = results.curve
    x, y = artists.curve.get_data()
    np.testing.assert_allclose(x, [0, *curve.radius.to_value(u.mm)])
    np.testing.assert_allclose(y, [0, *curve.fraction])
    (path,) = artists.band.get_paths()
    at = 40
    rim = path.vertices[np.isclose(path.vertices[:, 0], curve.radius[at].value)][:, 1]
    half = (rim.max() - rim.min()) / 2
    assert half == pytest.approx(curve.uncertainty[at])
    assert half > 0


def test_diameters_are_marked_at_their_radius_with_error_bars(results, drawn):
    _, _, artists = drawn["encircled_energy"]
    assert len(artists.marks) == 2
    for mark, drawn, drop in zip(
        results.marks.diameters, artists.marks, artists.drops, strict=True
    ):
        point, _, (bar,) = drawn.lines
        assert point.get_xydata().tolist() == [[mark.mm.value / 2, mark.share]]
        (ends,) = bar.get_segments()
        assert np.ptp(ends[:, 0]) == pytest.approx(mark.mm.uncertainty)
        assert drop.get_xydata()[-1].tolist() == [mark.mm.value / 2, 0]


def test_legend_states_diameters_and_reference_radius(results, drawn):
    _, ax, _ = drawn["encircled_energy"]
    hpd = results.marks.diameters[0]
    texts = legend_texts(ax)
    assert texts[:2] == ["EEF", "±1σ"]
    assert texts[2].startswith("HPD ")
    assert f"{hpd.mm.value:.2f}" in texts[2]
    assert f"{hpd.arcsec.value:.1f}" in texts[2]
    assert texts[2].count("±") == 2
    assert texts[3].startswith("W90 ")
    title = ax.get_legend().get_title().get_text()
    assert "reference radius, 3 mm (112.5 arcsec)" in title


@pytest.mark.parametrize("name", ["encircled_energy", "growth", "radial_profile"])
def test_upper_axis_gives_the_radius_as_an_angle(drawn, name):
    _, ax, _ = drawn[name]
    assert ax.get_xlabel() == "radius on the detector (mm)"
    top = second_axis(ax, "top")
    assert top.get_xlabel() == "radius (arcsec)"
    np.testing.assert_allclose(top.get_xlim(), np.array(ax.get_xlim()) * ARCSEC_PER_MM)


def test_no_diameters_no_marks(results, ax):
    alone = Marks(reference_radius=results.marks.reference_radius)
    artists = draw_encircled_energy(ax, results.curve, alone)
    assert artists.marks == artists.drops == ()
    assert legend_texts(ax) == ["EEF", "±1σ"]


def test_one_diameter_is_enough(results, ax):
    alone = replace(results.marks, diameters=results.marks.diameters[:1])
    assert len(draw_encircled_energy(ax, results.curve, alone).marks) == 1


def test_growth_shows_the_background_as_found_raised_and_lowered(results, drawn):
    _, ax, artists = drawn["growth"]
    growth = results.growth
    np.testing.assert_array_equal(artists.found.get_ydata(), growth.photons)
    np.testing.assert_array_equal(artists.raised.get_ydata(), growth.raised)
    np.testing.assert_array_equal(artists.lowered.get_ydata(), growth.lowered)
    assert np.all(artists.raised.get_ydata()[5:] < artists.lowered.get_ydata()[5:])
    assert list(artists.reference.get_xdata()) == [3, 3]
    assert "reference radius 3 mm" in legend_texts(ax)
    assert "background +1σ" in legend_texts(ax)
    assert ax.get_ylabel() == "net photons inside the radius"


def test_growth_is_seen_from_a_quarter_of_the_radii_outward(results, drawn):
    _, ax, _ = drawn["growth"]
    growth = results.growth
    outer = growth.radius >= growth.radius[-1] / 4
    low, high = ax.get_ylim()
    assert low < growth.raised[outer].min()
    assert high > growth.lowered[outer].max()


def test_growth_of_nothing_can_be_drawn(results, ax):
    nothing = replace(results.rings, photons=np.zeros(109), covariance=np.zeros((109, 109)))
    growth = growth_curve(nothing, BackgroundRings.none(109))
    draw_growth(ax, growth, results.marks.reference_radius)
    low, high = ax.get_ylim()
    assert low < 0 < high


def test_profile_shows_brightness_limits_and_background(results, drawn):
    _, ax, artists = drawn["radial_profile"]
    profile = results.profile
    seen = profile.detected
    assert 0 < np.count_nonzero(~seen) < seen.size
    points, _, (bars, _) = artists.detected.lines
    x, y = points.get_data()
    np.testing.assert_allclose(x, profile.radius[seen].value)
    np.testing.assert_allclose(y, profile.brightness[seen].value)
    ends = np.array(bars.get_segments())[:, :, 0]
    np.testing.assert_allclose(ends[:, 1], profile.outer[seen].value)
    limits = artists.limits.lines[0]
    np.testing.assert_allclose(limits.get_ydata(), profile.upper_limit[~seen].value)
    np.testing.assert_allclose(artists.background.get_ydata(), LEVEL_PER_MM2)
    np.testing.assert_allclose(
        artists.background_uncertainty.get_ydata(), 0.04 * LEVEL_PER_MM2
    )
    assert (ax.get_xscale(), ax.get_yscale()) == ("log", "log")
    assert "upper limit, 2σ" in legend_texts(ax)


def test_profile_error_bars_are_the_uncertainty(results, drawn):
    _, _, artists = drawn["radial_profile"]
    seen = results.profile.detected
    _, _, (_, bars) = artists.detected.lines
    ends = np.array(bars.get_segments())[:, :, 1]
    half = np.ptp(ends, axis=1) / 2
    np.testing.assert_allclose(half, results.profile.uncertainty[seen].value)


def test_right_axis_gives_the_brightness_per_square_arcsec(drawn):
    _, ax, _ = drawn["radial_profile"]
    right = second_axis(ax, "right")
    assert ax.get_ylabel() == "net photons per mm²"
    assert right.get_ylabel() == "net photons per arcsec²"
    np.testing.assert_allclose(
        right.get_ylim(), np.array(ax.get_ylim()) / ARCSEC_PER_MM**2, rtol=1e-6
    )


def test_profile_without_background_draws_none(results, ax):
    profile = radial_profile(results.rings, BackgroundRings.none(109))
    artists = draw_radial_profile(ax, profile)
    assert artists.background is None
    assert artists.background_uncertainty is None
    assert artists.limits is None
    assert legend_texts(ax) == ["net, ±1σ"]


def test_profile_without_any_detection_shows_limits_only(results, ax):
    drowned = replace(results.profile, detected=np.zeros_like(results.profile.detected))
    artists = draw_radial_profile(ax, drowned)
    assert artists.detected.lines[0].get_xdata().size == 0
    assert artists.limits.lines[0].get_xdata().size == drowned.detected.size


def test_a_flat_profile_has_labels_on_its_y_axis(results, ax):
    level = results.profile.background
    flat = replace(
        results.profile,
        brightness=1.5 * level,
        uncertainty=0.1 * level,
        background_uncertainty=0.5 * level,
        detected=np.ones(level.size, dtype=bool),
    )
    draw_radial_profile(ax, flat)
    ax.figure.draw_without_rendering()
    low, high = ax.get_ylim()
    ticks = zip(ax.yaxis.get_minorticklocs(), ax.yaxis.get_minor_ticks(), strict=False)
    labels = [tick.label1.get_text() for place, tick in ticks if low < place < high]
    assert high < 20 * low
    assert sum(map(bool, labels)) >= 2
