"""What the figure of the net image shows, read from its artists."""

from dataclasses import replace

import astropy.units as u
import numpy as np
import pytest

from beamreduce.figures import Marks, draw_net_image, new_figure, report_style
from beamreduce.image import FocalImage
from tests.figures.conftest import CENTER, DISTANCE, PIXEL_MM


@pytest.fixture
def ax():
    with report_style():
        yield new_figure().add_subplot()


def blank(shape, pixel_mm):
    return FocalImage(
        photons=np.zeros(shape),
        flags=np.zeros(shape, dtype=np.uint8),
        noise_variance=0.0,
        variance_per_photon=1.0,
        pixel_size=pixel_mm * u.mm,
        detector_distance=DISTANCE,
        live_time=1 * u.s,
    )


def shown_at(artist, x_mm, y_mm):
    """Value that the picture has at a point of the axes."""
    data = artist.get_array()
    left, right, bottom, top = artist.get_extent()
    rows, columns = data.shape
    column = int((x_mm - left) / (right - left) * columns)
    return data[int((y_mm - bottom) / (top - bottom) * rows), column]


def at_pixel(x, y):
    return (x - CENTER[0]) * PIXEL_MM, (y - CENTER[1]) * PIXEL_MM


def test_every_pixel_lies_where_the_axes_say(results, drawn):
    _, _, artists = drawn["image"]
    for x, y in ((92, 79), (40, 50), (150, 100), (60, 101)):
        assert shown_at(artists.image, *at_pixel(x, y)) == results.net[y, x]


@pytest.mark.parametrize("shape", [(500, 500), (640, 640), (1100, 900)])
def test_blocks_keep_place_and_mean(ax, shape):
    image = blank(shape, 0.01)
    net = np.zeros(shape)
    center = (shape[1] / 2 + 3.2, shape[0] / 2 - 4.9)
    net[:, int(center[0]) + 100 :] = 1.0
    reach = (min(shape) / 2 - 6) * 0.01
    artists = draw_net_image(ax, image, net, center, Marks(reference_radius=reach * u.mm))
    picture = artists.image
    edge_mm = (int(center[0]) + 100 - 0.5 - center[0]) * 0.01
    left, right, *_ = picture.get_extent()
    block_mm = (right - left) / picture.get_array().shape[1]
    side = round(block_mm / 0.01)
    assert side == int(2 * reach * 1.06 / 0.01) // 200 > 1
    assert block_mm == pytest.approx(side * 0.01)
    assert shown_at(picture, edge_mm - 1.01 * block_mm, 0) == 0
    assert shown_at(picture, edge_mm + 1.01 * block_mm, 0) == 1
    assert f"mean of {side} × {side}" in artists.colorbar.ax.get_xlabel()


def test_circles_have_the_radii_of_the_marks(results, drawn):
    _, ax, artists = drawn["image"]
    radii = [np.hypot(*circle.get_data()) for circle in artists.circles]
    for radius, mark in zip(radii, results.marks.diameters, strict=True):
        np.testing.assert_allclose(radius, mark.mm.value / 2)
    np.testing.assert_allclose(np.hypot(*artists.reference.get_data()), 3)
    texts = [text.get_text() for text in ax.get_legend().get_texts()]
    assert texts[0] == f"HPD {results.marks.diameters[0].mm.value:.4g} mm"
    assert texts[2] == "reference radius 3 mm"
    styles = [line.get_linestyle() for line in (*artists.circles, artists.reference)]
    assert len(set(styles)) == 3


def test_axes_are_in_mm_and_arcsec_about_the_center(drawn):
    _, ax, _ = drawn["image"]
    assert ax.get_xlabel() == "x from the center (mm)"
    assert ax.get_ylabel() == "y from the center (mm)"
    assert ax.get_aspect() == 1
    top, right = ax.child_axes
    assert (top.get_xlabel(), right.get_ylabel()) == ("x (arcsec)", "y (arcsec)")
    # 1 rad is 206 264.806 arcsec.
    scale = 206264.806 / 5500
    np.testing.assert_allclose(top.get_xlim(), np.array(ax.get_xlim()) * scale)
    np.testing.assert_allclose(right.get_ylim(), np.array(ax.get_ylim()) * scale)
    assert ax.get_xlim()[1] > 3


def test_flagged_pixels_have_signs_of_their_own(drawn):
    _, ax, artists = drawn["image"]
    signs = {line.get_label(): line for line in artists.flagged}
    texts = [text.get_text() for text in ax.get_legend().get_texts()]
    assert texts[3:] == list(signs)
    assert len({line.get_marker() for line in artists.flagged}) == 3
    saturated = signs["12 saturated pixels"]
    np.testing.assert_allclose(saturated.get_xydata(), [at_pixel(111.5, 111)])
    filled = signs["2 filled pixels"]
    np.testing.assert_allclose(filled.get_xydata(), [at_pixel(60, 100.5)])
    # The reference radius of 3 mm with its margin is 63.6 pixels: rows 16 to 142.
    column = signs["129 bad pixels"].get_xydata()
    assert np.any(np.all(np.isclose(column, at_pixel(40, 30)), axis=1))
    along = column[np.isclose(column[:, 0], at_pixel(130, 0)[0])][:, 1]
    assert along.size > 10
    assert np.ptp(along) > 5


def test_pixels_that_do_not_count_are_left_without_colour(results, drawn):
    _, _, artists = drawn["image"]
    assert shown_at(artists.image, *at_pixel(111, 111)) is np.ma.masked
    assert shown_at(artists.image, *at_pixel(130, 80)) is np.ma.masked
    assert shown_at(artists.image, *at_pixel(60, 101)) == results.net[101, 60]


def test_stretch_shows_negative_values_wings_and_core(results, drawn):
    _, _, artists = drawn["image"]
    norm = artists.image.norm
    assert norm.vmin < 0 < norm.vmax == results.net.max()
    below, zero, one, ten, peak = norm([-0.1, 0, 1, 10, norm.vmax])
    assert 0 <= below < zero < one < ten < peak == 1
    assert ten - one > 0.15
    assert one - zero > 0.15


def test_colour_bar_has_unit_and_labels_that_rise(drawn):
    _, _, artists = drawn["image"]
    axis = artists.colorbar.ax.xaxis
    assert artists.colorbar.ax.get_xlabel() == "net photons per pixel"
    labels = [float(label.get_text()) for label in axis.get_ticklabels()]
    assert labels == axis.get_ticklocs().tolist()
    assert labels[0] == 0
    assert max(labels) <= artists.image.norm.vmax


def test_without_diameters_the_image_is_drawn_all_the_same(results, ax):
    alone = Marks(reference_radius=3 * u.mm)
    artists = draw_net_image(ax, results.image, results.net, CENTER, alone)
    assert artists.circles == ()
    assert artists.reference is not None


@pytest.mark.parametrize("value", [0.0, -0.2, 3.0])
def test_a_flat_image_can_be_drawn(ax, value):
    image = blank((50, 50), 0.1)
    marks = Marks(reference_radius=2 * u.mm)
    artists = draw_net_image(ax, image, np.full((50, 50), value), (25, 25), marks)
    ax.figure.draw_without_rendering()
    assert artists.image.norm.vmin < artists.image.norm.vmax


def test_an_image_without_usable_pixels_can_be_drawn(ax):
    image = blank((50, 50), 0.1)
    image = replace(image, flags=np.ones((50, 50), dtype=np.uint8))
    marks = Marks(reference_radius=2 * u.mm)
    artists = draw_net_image(ax, image, np.zeros((50, 50)), (25, 25), marks)
    ax.figure.draw_without_rendering()
    assert artists.image.get_array().mask.all()


def test_inputs_are_not_changed(results, ax):
    net = results.net.copy()
    net.setflags(write=False)
    flags = results.image.flags.copy()
    draw_net_image(ax, results.image, net, CENTER, results.marks)
    np.testing.assert_array_equal(results.image.flags, flags)
