"""Figure of a focus series: measured diameters, the model's curve, a star's beside it."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from beamreduce.figures.infinity import BandedCurve, draw_banded
from beamreduce.figures.style import BAND_OPACITY, FIRST, REFERENCE, SECOND, THIRD
from beamreduce.record import Uncertain, rounded

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.container import ErrorbarContainer
    from matplotlib.lines import Line2D

# Unlike each curve's: a long dash and two dots.
_STAR_BEST_LINE = (0.0, (6.0, 1.5, 1.0, 1.5, 1.0, 1.5))


@dataclass(frozen=True, kw_only=True)
class FocusCurve:
    """Half-power diameters along a focus series, and what the model says.

    Distances are in mm behind the reference plane, diameters in arcsec.

    Parameters
    ----------
    distances_mm, hpd_arcsec
        Measured, shape (measurements,).
    model, star
        The model's curve at the beamline and for a star.
    best_focus_mm, star_best_focus_mm
        Where they are least; None where that cannot be had.
    focal_length_mm
        Where a star is looked at.
    """

    distances_mm: np.ndarray
    hpd_arcsec: Sequence[Uncertain]
    model: BandedCurve
    star: BandedCurve
    best_focus_mm: Uncertain | None
    star_best_focus_mm: Uncertain | None
    focal_length_mm: float


class FocusArtists(NamedTuple):
    """What :func:`draw_focus_curve` drew."""

    measured: "ErrorbarContainer"
    model: "Line2D"
    star: "Line2D"
    best_focus: "Line2D | None"
    star_best_focus: "Line2D | None"


def draw_focus_curve(axes: "tuple[Axes, Axes]", focus: FocusCurve) -> FocusArtists:
    """Draw the HPD against the detector's distance, beside that of a star.

    Parameters
    ----------
    axes
        For the beamline and for a star, side by side; they get the same scale of
        diameters. The legend belongs to the whole figure.
    focus
        Measured series and model.
    """
    beamline, sky = axes
    measured = beamline.errorbar(
        focus.distances_mm,
        [hpd.value for hpd in focus.hpd_arcsec],
        yerr=[hpd.uncertainty for hpd in focus.hpd_arcsec],
        color=FIRST.color,
        ls="none",
        marker=FIRST.marker,
        capsize=3,
        zorder=3,
        label="measured, ±1σ",
    )
    model, model_band = draw_banded(beamline, focus.model, THIRD, "model")
    star, star_band = draw_banded(sky, focus.star, SECOND, "a star")
    best = _upright(beamline, focus.best_focus_mm, REFERENCE.line, "best focus")
    star_best = _upright(
        sky, focus.star_best_focus_mm, _STAR_BEST_LINE, "a star's best focus"
    )
    nominal = sky.axvline(
        focus.focal_length_mm,
        color=SECOND.color,
        ls="-",
        lw=1.0,
        label=f"focal length {focus.focal_length_mm:.6g} mm",
    )
    top = max(ax.get_ylim()[1] for ax in axes)
    for ax, title in ((beamline, "at the beamline"), (sky, "a star")):
        ax.set(title=title, xlabel="detector distance (mm)", ylim=(0, top))
        ax.locator_params(axis="x", nbins=3)
    beamline.set_ylabel("HPD (arcsec)")
    sky.tick_params(labelleft=False)
    handles = [measured, model, model_band, best, star, star_band, nominal, star_best]
    beamline.figure.legend(
        handles=[h for h in handles if h is not None],
        loc="outside lower center",
        ncols=2,
    )
    return FocusArtists(measured, model, star, best, star_best)


def _upright(
    ax: "Axes", place: Uncertain | None, line: object, name: str
) -> "Line2D | None":
    if place is None:
        return None
    ax.axvspan(
        place.value - place.uncertainty,
        place.value + place.uncertainty,
        color=REFERENCE.color,
        alpha=BAND_OPACITY / 2,
        linewidth=0,
    )
    return ax.axvline(
        place.value,
        color=REFERENCE.color,
        ls=line,
        label=f"{name}\n{rounded(place)} mm",
    )
