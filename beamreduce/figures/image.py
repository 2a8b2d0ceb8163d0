"""Figure of the net image with its circles and the pixels that do not count."""

from typing import TYPE_CHECKING, NamedTuple

import astropy.units as u
import numpy as np

from beamreduce.figures.marks import Marks
from beamreduce.figures.style import (
    IMAGE_MAP,
    NO_DATA,
    add_arcsec_axis,
    decimal_text,
    legend_below,
)
from beamreduce.image import FocalImage, PixelFlag

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.colorbar import Colorbar
    from matplotlib.image import AxesImage
    from matplotlib.lines import Line2D

_MARGIN = 1.06  # of the reference radius, shown to each side
_BLOCKS = 200  # a side, about what print 8 cm wide can show
_CIRCLE = np.linspace(0, 2 * np.pi, 361)
_CIRCLE_LINES = ("-", "--")


class NetImageArtists(NamedTuple):
    """What :func:`draw_net_image` drew."""

    image: "AxesImage"
    circles: "tuple[Line2D, ...]"
    reference: "Line2D"
    flagged: "tuple[Line2D, ...]"
    colorbar: "Colorbar"


class _Picture(NamedTuple):
    mean: np.ma.MaskedArray  # net photons per pixel in each block
    extent_mm: tuple[float, float, float, float]
    side_px: int


def draw_net_image(
    ax: "Axes",
    image: FocalImage,
    net: np.ndarray,
    center_xy: tuple[float, float],
    marks: Marks,
) -> NetImageArtists:
    """Draw net photons out to the reference radius, with circles and flagged pixels.

    The stretch is linear about zero, so that small negative values show as what they are,
    and logarithmic above the noise (inverse hyperbolic sine). Fine pixels are shown as
    means of square blocks, in which sparse wings show; the colour bar says which.

    Parameters
    ----------
    ax
        Axes to draw on; a colour bar is put below them.
    image
        Flags, pixel size and detector distance.
    net
        Net photons a pixel, shape of the image.
    center_xy
        Center in pixels, the origin of the axes.
    marks
        Reference radius and the diameters to draw as circles.
    """
    reference_mm = marks.reference_radius.to_value(u.mm)
    reach_mm = _MARGIN * reference_mm
    picture = _blocks(image, net, center_xy, reach_mm)
    drawn = _draw_blocks(ax, picture)
    circles = tuple(
        _circle(ax, mark.radius_mm, line, f"{mark.name} {mark.mm.value:.4g} mm")
        for mark, line in zip(marks.diameters, _CIRCLE_LINES, strict=False)
    )
    reference = _circle(ax, reference_mm, ":", f"reference radius {reference_mm:.4g} mm")
    flagged = _draw_flags(ax, image, center_xy, reach_mm)
    ax.set(
        xlabel="x from the center (mm)",
        ylabel="y from the center (mm)",
        xlim=(-reach_mm, reach_mm),
        ylim=(-reach_mm, reach_mm),
        aspect="equal",
        facecolor=NO_DATA,
    )
    ax.locator_params(nbins=5)
    for side, label in (("top", "x (arcsec)"), ("right", "y (arcsec)")):
        second = add_arcsec_axis(ax, image.detector_distance, side=side, label=label)
        second.locator_params(axis="x" if side == "top" else "y", nbins=5)
    colorbar = _draw_color_bar(ax, drawn, picture.side_px)
    legend_below(ax, [*circles, reference, *flagged])
    return NetImageArtists(drawn, circles, reference, flagged, colorbar)


def _blocks(
    image: FocalImage, net: np.ndarray, center_xy: tuple[float, float], reach_mm: float
) -> _Picture:
    """Mean of the usable pixels in square blocks about the center."""
    reach_px = reach_mm / image.pixel_mm
    side_px = max(int(2 * reach_px) // _BLOCKS, 1)
    spans, extent_mm = [], []
    for middle, size in zip(center_xy, reversed(image.shape), strict=True):
        first = max(int(np.floor(middle - reach_px)), 0)
        count = (min(int(middle + reach_px) + 2 + side_px, size) - first) // side_px
        end = first + count * side_px
        spans.append(slice(first, end))
        extent_mm += [(edge - 0.5 - middle) * image.pixel_mm for edge in (first, end)]
    columns, rows = spans
    usable = image.usable[rows, columns]
    shape = (usable.shape[0] // side_px, side_px, usable.shape[1] // side_px, side_px)
    area = usable.reshape(shape).sum(axis=(1, 3))
    photons = np.where(usable, net[rows, columns], 0.0).reshape(shape).sum(axis=(1, 3))
    mean = np.ma.array(photons / np.maximum(area, 1), mask=area == 0)
    return _Picture(mean, tuple(extent_mm), side_px)


def _draw_blocks(ax: "Axes", picture: _Picture) -> "AxesImage":
    import matplotlib  # noqa: PLC0415
    from matplotlib.colors import AsinhNorm  # noqa: PLC0415

    values = picture.mean.compressed()
    brightest, lowest = values.max(initial=0.0), values.min(initial=0.0)
    top = brightest if brightest > 0 else 1.0  # nothing net to see, or no usable pixel
    noise = _noise(picture.mean) or top / 10
    return ax.imshow(
        picture.mean,
        origin="lower",
        extent=picture.extent_mm,
        cmap=matplotlib.colormaps[IMAGE_MAP].with_extremes(bad=NO_DATA),
        norm=AsinhNorm(linear_width=noise, vmin=max(-2 * noise, lowest), vmax=top),
        interpolation="nearest",
    )


def _noise(mean: np.ma.MaskedArray) -> float:
    """Scatter of neighbouring blocks, without the few steepest; 0 where all are equal."""
    steps = abs(np.ma.diff(mean, axis=1).compressed())
    if steps.size == 0:
        return 0.0
    common = steps[steps <= np.percentile(steps, 95)]
    return float(np.sqrt(np.mean(common**2) / 2))


def _draw_color_bar(ax: "Axes", drawn: "AxesImage", side_px: int) -> "Colorbar":
    label = "net photons per pixel"
    if side_px > 1:
        label += f" (mean of {side_px} × {side_px})"
    bar = ax.figure.colorbar(drawn, ax=ax, location="bottom", label=label, fraction=0.04)
    noise, top = drawn.norm.linear_width, drawn.norm.vmax
    decades = 10.0 ** np.arange(np.ceil(np.log10(2 * noise)), np.log10(top) + 1e-9)
    if decades.size == 0:
        decades = np.array([float(f"{0.9 * top:.0e}")])
    ticks = [0.0, *decades.tolist()]
    bar.set_ticks(ticks, labels=[decimal_text(tick) for tick in ticks])
    bar.minorticks_off()
    return bar


def _circle(ax: "Axes", radius_mm: float, line: str, label: str) -> "Line2D":
    # White with a dark rim shows on every colour of the map and on white paper.
    (circle,) = ax.plot(
        radius_mm * np.cos(_CIRCLE),
        radius_mm * np.sin(_CIRCLE),
        color="white",
        ls=line,
        lw=1.3,
        label=label,
        path_effects=_dark_rim(2.8),
    )
    return circle


def _draw_flags(
    ax: "Axes", image: FocalImage, center_xy: tuple[float, float], reach_mm: float
) -> "tuple[Line2D, ...]":
    """Mark connected patches of flagged pixels in view, whatever their colour."""
    y, x = np.ogrid[: image.shape[0], : image.shape[1]]
    reach_px = reach_mm / image.pixel_mm
    in_view = (abs(x - center_xy[0]) <= reach_px) & (abs(y - center_xy[1]) <= reach_px)
    flags = np.where(in_view, image.flags, 0)
    filled = (flags & PixelFlag.FILLED) > 0
    kinds = (
        ("saturated", "s", (flags & PixelFlag.SATURATED) > 0),
        ("bad", "x", ((flags & PixelFlag.BAD) > 0) & ~filled),
        ("filled", "o", filled),
    )
    drawn = []
    for name, marker, where in kinds:
        if not where.any():
            continue
        at_y, at_x = _signs(where, cell_px=reach_px / 8)
        number = np.count_nonzero(where)
        drawn += ax.plot(
            (at_x - center_xy[0]) * image.pixel_mm,
            (at_y - center_xy[1]) * image.pixel_mm,
            ls="none",
            marker=marker,
            markerfacecolor="none",
            color="white",
            label=f"{number} {name} pixel{'s' if number > 1 else ''}",
            path_effects=_dark_rim(2.6),
        )
    return tuple(drawn)


def _signs(where: np.ndarray, cell_px: float) -> tuple[np.ndarray, np.ndarray]:
    """Rows and columns for one sign a patch; a row of signs for a long one.

    One for every square cell, counted from the patch's own corner, amid its pixels there.
    """
    from scipy import ndimage  # noqa: PLC0415 - slow import

    patches, _ = ndimage.label(where, structure=np.ones((3, 3)))
    corners = np.array([[s.start for s in box] for box in ndimage.find_objects(patches)])
    y, x = np.nonzero(where)
    patch = patches[y, x] - 1
    down, along = ((y, x) - corners[patch].T) // cell_px
    _, sign = np.unique(np.stack([patch, down, along]), axis=1, return_inverse=True)
    pixels = np.bincount(sign)
    return tuple(np.bincount(sign, weights=at) / pixels for at in (y, x))


def _dark_rim(width_pt: float) -> list:
    from matplotlib.patheffects import withStroke  # noqa: PLC0415

    return [withStroke(linewidth=width_pt, foreground="black")]
