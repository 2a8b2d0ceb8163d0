"""Figure of the inspection panel: net image, radial profile and EEF side by side."""

from typing import TYPE_CHECKING, NamedTuple

import astropy.units as u
import numpy as np

from beamreduce.encircled_energy import EncircledEnergy, RadialProfile
from beamreduce.figures.encircled_energy import (
    EncircledEnergyArtists,
    draw_encircled_energy,
    draw_radial_profile,
)
from beamreduce.figures.image import NetImageArtists, draw_net_image
from beamreduce.figures.marks import Marks
from beamreduce.image import FocalImage

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure
    from matplotlib.lines import Line2D

PANEL_WIDTH_CM, PANEL_HEIGHT_CM = 33.0, 13.0
_CIRCLE = np.linspace(0, 2 * np.pi, 361)


class PanelArtists(NamedTuple):
    """What :func:`draw_panel` drew, and which center the axes of the image count from."""

    image_axes: "Axes"
    image: NetImageArtists
    center: "Line2D"
    eef: EncircledEnergyArtists
    origin_xy: tuple[float, float]
    pixel_mm: float


def draw_panel(
    figure: "Figure",
    seen: tuple[FocalImage, np.ndarray, tuple[float, float]],
    center_xy: tuple[float, float],
    marks: Marks,
    curves: tuple[RadialProfile, EncircledEnergy],
) -> PanelArtists:
    """Draw image, profile and encircled energy on an empty figure.

    Parameters
    ----------
    figure
        Empty.
    seen
        Image, net photons a pixel, and the pixel that the axes of the image count from;
        it stays where it is while the center moves.
    center_xy
        Center in pixels.
    marks
        Reference radius and diameters.
    curves
        Radial profile and encircled energy about the center.
    """
    image, net, origin_xy = seen
    profile, curve = curves
    left, middle, right = figure.subplots(1, 3)
    drawn = draw_net_image(left, image, net, origin_xy, marks)
    (cross,) = left.plot(
        [0.0], [0.0], marker="+", ms=14, mew=2.0, color="white", zorder=5,
        path_effects=drawn.reference.get_path_effects(),
    )  # fmt: skip
    draw_radial_profile(middle, profile)
    eef = draw_encircled_energy(right, curve, marks)
    artists = PanelArtists(left, drawn, cross, eef, origin_xy, image.pixel_mm)
    _place(artists, center_xy, marks)
    return artists


def follow_center(
    artists: PanelArtists,
    center_xy: tuple[float, float],
    marks: Marks,
    curve: EncircledEnergy,
) -> None:
    """Move cross, circles and curve to another center.

    The profile, and the band and marks of the curve, wait until all is drawn anew.

    Parameters
    ----------
    artists
        Of the panel.
    center_xy
        New center in pixels.
    marks, curve
        About it.
    """
    _place(artists, center_xy, marks)
    for marked in (artists.eef.band, *artists.eef.drops):
        marked.set_visible(False)
    for points in artists.eef.marks:
        for part in points.get_children():
            part.set_visible(False)
    artists.eef.curve.set_data(
        np.concatenate([[0.0], curve.radius.to_value(u.mm)]),
        np.concatenate([[0.0], curve.fraction]),
    )


def _place(artists: PanelArtists, center_xy: tuple[float, float], marks: Marks) -> None:
    """Put cross and circles about a center."""
    x, y = (
        (new - old) * artists.pixel_mm
        for new, old in zip(center_xy, artists.origin_xy, strict=True)
    )
    artists.center.set_data([x], [y])
    radii_mm = [mark.radius_mm for mark in marks.diameters]
    radii_mm.append(marks.reference_radius.to_value(u.mm))
    circles = (*artists.image.circles, artists.image.reference)
    for circle, radius_mm in zip(circles, radii_mm, strict=True):
        circle.set_data(x + radius_mm * np.cos(_CIRCLE), y + radius_mm * np.sin(_CIRCLE))
