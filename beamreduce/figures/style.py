"""The look of every figure, in one place, and writing them byte for byte the same.

Figures are objects of their own, without pyplot and its list of current figures, so they
may be made in any thread or process. Matplotlib is loaded on first use.
"""

from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from functools import partial
from operator import mul
from pathlib import Path
from threading import RLock
from typing import TYPE_CHECKING

import astropy.units as u
from astropy.units import Quantity

from beamreduce.record import write_whole
from beamreduce.units import arcsec_per_mm

if TYPE_CHECKING:
    from matplotlib.artist import Artist
    from matplotlib.axes import Axes
    from matplotlib.axes._secondary_axes import SecondaryAxis
    from matplotlib.axis import Axis
    from matplotlib.figure import Figure
    from matplotlib.legend import Legend

WIDTH_CM = 12.0
CURVE_HEIGHT_CM = 11.0
IMAGE_HEIGHT_CM = 15.5
# Printed 8 cm wide, this is 7 pt, about the least that reads well.
_TEXT_PT = 10.5


@dataclass(frozen=True)
class Stroke:
    """How one line is told from the others: colour, line style and marker at once."""

    color: str
    line: str
    marker: str


# Relative luminances 0, 0.05, 0.14, 0.29: neighbours differ by a contrast of at least 1.7
# in grey print, all stand out from white by at least 3; black, blue, vermilion and sky
# blue stay apart for the usual forms of colour blindness.
REFERENCE = Stroke("#000000", ":", "None")
FIRST = Stroke("#1b3a8c", "-", "o")
SECOND = Stroke("#b0490f", "--", "s")
THIRD = Stroke("#2f9ec0", "-.", "^")
MARKS = (SECOND, THIRD)
IMAGE_MAP = "cividis"
NO_DATA = "#b9b9b9"
BAND_OPACITY = 0.3

_SETTINGS = {
    "font.family": "DejaVu Sans",
    "font.size": _TEXT_PT,
    "axes.titlesize": _TEXT_PT,
    "axes.labelsize": _TEXT_PT,
    "xtick.labelsize": _TEXT_PT,
    "ytick.labelsize": _TEXT_PT,
    "legend.fontsize": _TEXT_PT,
    "legend.title_fontsize": _TEXT_PT,
    "legend.frameon": False,
    "legend.handlelength": 2.0,
    "legend.columnspacing": 1.0,
    "legend.handletextpad": 0.6,
    "lines.linewidth": 1.6,
    "lines.markersize": 5.0,
    "axes.linewidth": 0.9,
    "axes.formatter.limits": (-4, 8),
    "axes.formatter.useoffset": False,
    "xtick.direction": "in",
    "ytick.direction": "in",
    "figure.dpi": 100.0,
    "savefig.dpi": 240.0,
    "savefig.facecolor": "white",
    # Without a fixed salt the ids inside an SVG differ from run to run.
    "svg.hashsalt": "beamreduce",
    "svg.fonttype": "path",
}
_LOCK = RLock()


@contextmanager
def report_style() -> Iterator[None]:
    """Draw in the house style, whatever settings the user has; restore them afterwards.

    Matplotlib's settings belong to the whole process, so threads take turns.
    """
    from matplotlib import style  # noqa: PLC0415

    with _LOCK, style.context(["default", _SETTINGS]):
        yield


def new_figure(
    *, height_cm: float = CURVE_HEIGHT_CM, width_cm: float = WIDTH_CM
) -> "Figure":
    """Return an empty figure that pyplot knows nothing of; call in :func:`report_style`."""
    from matplotlib.backends.backend_agg import FigureCanvasAgg  # noqa: PLC0415
    from matplotlib.figure import Figure  # noqa: PLC0415

    figure = Figure(figsize=(width_cm / 2.54, height_cm / 2.54), layout="constrained")
    FigureCanvasAgg(figure)
    return figure


def draw_and_save(
    path_without_suffix: Path,
    draw: "Callable[[Figure], object]",
    *,
    height_cm: float = CURVE_HEIGHT_CM,
    width_cm: float = WIDTH_CM,
) -> None:
    """Draw on a new figure in the house style and write it as PNG and SVG.

    Parameters
    ----------
    path_without_suffix
        See :func:`save_figure`.
    draw
        Takes the empty figure.
    height_cm, width_cm
        Its size.
    """
    with report_style():
        figure = new_figure(height_cm=height_cm, width_cm=width_cm)
        draw(figure)
        save_figure(figure, path_without_suffix)


def save_figure(figure: "Figure", path_without_suffix: Path) -> tuple[Path, Path]:
    """Write a figure as PNG and SVG; the same figure gives the same bytes.

    The first saving settles the layout: see :func:`settle_layout`.

    Parameters
    ----------
    figure
        Any matplotlib figure.
    path_without_suffix
        ``.png`` and ``.svg`` are put after the whole name, dots in it included.

    Returns
    -------
    tuple
        Paths of the PNG and of the SVG.

    Raises
    ------
    OutputError
        When a file cannot be written.
    """
    png = path_without_suffix.with_name(f"{path_without_suffix.name}.png")
    svg = path_without_suffix.with_name(f"{path_without_suffix.name}.svg")
    with report_style():
        settle_layout(figure)
        _save(figure, png, {"Software": None})
        _save(figure, svg, {"Date": None, "Creator": None})
    return png, svg


def settle_layout(figure: "Figure") -> None:
    """Lay the figure out once and for all.

    Left to itself, matplotlib lays out every drawing anew, starting from the last one, so
    that no two drawings of one figure are quite the same.
    """
    figure.draw_without_rendering()
    figure.set_layout_engine("none")


def _save(figure: "Figure", path: Path, metadata: dict[str, None]) -> None:
    kind = path.suffix[1:]
    write_whole(
        path, lambda temporary: figure.savefig(temporary, format=kind, metadata=metadata)
    )


def add_arcsec_axis(
    ax: "Axes", detector_distance: Quantity, *, side: str = "top", label: str
) -> "SecondaryAxis":
    """Put angles seen from the mirror on the side opposite an axis in mm.

    Parameters
    ----------
    ax
        Axes whose x (or y) is a length in mm; their scale must have been set.
    detector_distance
        From the reference plane; the angle is offset over distance.
    side
        ``top`` or ``right``.
    label
        Of the new axis.
    """
    factor = arcsec_per_mm(detector_distance.to_value(u.mm))
    return _second_scale(ax, factor, side, label)


def add_arcsec_brightness_axis(
    ax: "Axes", detector_distance: Quantity, *, label: str
) -> "SecondaryAxis":
    """Put photons per square arcsec opposite a y axis in photons per square mm."""
    factor = arcsec_per_mm(detector_distance.to_value(u.mm)) ** -2
    return _second_scale(ax, factor, "right", label)


def legend_below(
    ax: "Axes",
    handles: "Sequence[Artist]",
    *,
    title: str | None = None,
    columns: int = 2,
) -> "Legend":
    """Put the legend under the x axis, where it covers no data whatever the data are."""
    from matplotlib.transforms import ScaledTranslation  # noqa: PLC0415

    down = ScaledTranslation(0, -3.3 * _TEXT_PT / 72, ax.figure.dpi_scale_trans)
    return ax.legend(
        handles=handles,
        loc="upper center",
        bbox_to_anchor=(0.5, 0.0),
        bbox_transform=ax.transAxes + down,
        ncols=columns,
        title=title,
    )


def plain_decades(axis: "Axis", limits: tuple[float, float]) -> None:
    """Label a logarithmic axis 0.1, 1, 10: raised exponents are too small in print.

    The steps between powers of ten get labels only where the limits hold few powers: twos
    and fives, and all of them within a factor of four.
    """
    from matplotlib.ticker import FuncFormatter, NullFormatter  # noqa: PLC0415

    few, fewer = limits[1] < 20 * limits[0], limits[1] < 4 * limits[0]

    def step_text(value: float, _position: int | None = None) -> str:
        return decimal_text(value) if fewer or f"{value:.0e}"[0] in "25" else ""

    axis.set_major_formatter(FuncFormatter(decimal_text))
    axis.set_minor_formatter(FuncFormatter(step_text) if few else NullFormatter())


def decimal_text(value: float, _position: int | None = None) -> str:
    """Write a power of ten as briefly as it can be read."""
    return f"{value:g}".replace("e+0", "e").replace("e-0", "e−")


def _second_scale(ax: "Axes", factor: float, side: str, label: str) -> "SecondaryAxis":
    there: Callable[[float], float] = partial(mul, factor)
    back: Callable[[float], float] = partial(mul, 1 / factor)
    if side == "top":
        second = ax.secondary_xaxis("top", functions=(there, back))
        second.set_xlabel(label)
    else:
        second = ax.secondary_yaxis("right", functions=(there, back))
        second.set_ylabel(label)
    return second
