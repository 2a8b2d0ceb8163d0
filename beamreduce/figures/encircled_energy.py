"""Figures of the encircled energy: its curve, the curve of growth, the radial profile."""

from typing import TYPE_CHECKING, NamedTuple

import astropy.units as u
import numpy as np
from astropy.units import Quantity

from beamreduce.encircled_energy import EncircledEnergy, GrowthCurve, RadialProfile
from beamreduce.figures.marks import MarkedDiameter, Marks
from beamreduce.figures.style import (
    BAND_OPACITY,
    FIRST,
    MARKS,
    REFERENCE,
    SECOND,
    THIRD,
    Stroke,
    add_arcsec_axis,
    add_arcsec_brightness_axis,
    legend_below,
    plain_decades,
)
from beamreduce.record import rounded
from beamreduce.units import arcsec_per_mm

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.collections import FillBetweenPolyCollection
    from matplotlib.container import ErrorbarContainer
    from matplotlib.lines import Line2D

_PER_MM2 = u.ph / u.mm**2
_RADIUS_MM = "radius on the detector (mm)"
_RADIUS_ARCSEC = "radius (arcsec)"


class EncircledEnergyArtists(NamedTuple):
    """What :func:`draw_encircled_energy` drew."""

    curve: "Line2D"
    band: "FillBetweenPolyCollection"
    marks: "tuple[ErrorbarContainer, ...]"
    drops: "tuple[Line2D, ...]"


class GrowthArtists(NamedTuple):
    """What :func:`draw_growth` drew."""

    found: "Line2D"
    raised: "Line2D"
    lowered: "Line2D"
    reference: "Line2D"


class RadialProfileArtists(NamedTuple):
    """What :func:`draw_radial_profile` drew."""

    detected: "ErrorbarContainer"
    limits: "ErrorbarContainer | None"
    background: "Line2D | None"
    background_uncertainty: "Line2D | None"


def draw_encircled_energy(
    ax: "Axes", curve: EncircledEnergy, marks: Marks
) -> EncircledEnergyArtists:
    """Draw the encircled-energy curve with its 1σ band and the diameters on it.

    Parameters
    ----------
    ax
        Axes to draw on.
    curve
        The curve; its band is the statistical standard uncertainty.
    marks
        Reference radius and the diameters to point out.
    """
    radius_mm = np.concatenate([[0.0], curve.radius.to_value(u.mm)])
    fraction = np.concatenate([[0.0], curve.fraction])
    spread = np.concatenate([[0.0], curve.uncertainty])
    band = ax.fill_between(
        radius_mm,
        fraction - spread,
        fraction + spread,
        color=FIRST.color,
        alpha=BAND_OPACITY,
        linewidth=0,
        label="±1σ",
    )
    (line,) = ax.plot(radius_mm, fraction, color=FIRST.color, ls=FIRST.line, label="EEF")
    drawn = [_mark(ax, *pair) for pair in zip(marks.diameters, MARKS, strict=False)]
    ax.set(
        xlabel=_RADIUS_MM,
        ylabel="encircled energy fraction",
        xlim=(0, radius_mm[-1]),
        ylim=(0, 1.05),
    )
    add_arcsec_axis(ax, curve.detector_distance, label=_RADIUS_ARCSEC)
    points, drops = tuple(p for p, _ in drawn), tuple(d for _, d in drawn)
    title = _reference_text(marks.reference_radius, curve.detector_distance)
    legend_below(ax, [line, band, *points], title=title)
    return EncircledEnergyArtists(line, band, points, drops)


def draw_growth(
    ax: "Axes", growth: GrowthCurve, reference_radius: Quantity
) -> GrowthArtists:
    """Draw the curve of growth with the background as found, raised and lowered by 1σ.

    Parameters
    ----------
    ax
        Axes to draw on.
    growth
        The curve, out to the largest circle.
    reference_radius
        Where the encircled energy is 1, a length on the detector.
    """
    radius_mm = growth.radius.to_value(u.mm)
    lines = []
    for photons, stroke, label in (
        (growth.lowered, THIRD, "background −1σ"),
        (growth.photons, FIRST, "background as found"),
        (growth.raised, SECOND, "background +1σ"),
    ):
        lines += ax.plot(
            radius_mm, photons, color=stroke.color, ls=stroke.line, label=label
        )
    reference_mm = reference_radius.to_value(u.mm)
    reference = ax.axvline(
        reference_mm,
        color=REFERENCE.color,
        ls=REFERENCE.line,
        label=f"reference radius {reference_mm:.4g} mm",
    )
    ax.set(
        xlabel=_RADIUS_MM, ylabel="net photons inside the radius", xlim=(0, radius_mm[-1])
    )
    ax.set_ylim(*_where_it_levels_off(growth))
    add_arcsec_axis(ax, growth.detector_distance, label=_RADIUS_ARCSEC)
    legend_below(ax, [*lines, reference])
    lowered, found, raised = lines
    return GrowthArtists(found, raised, lowered, reference)


def draw_radial_profile(ax: "Axes", profile: RadialProfile) -> RadialProfileArtists:
    """Draw net surface brightness against radius, both logarithmic.

    Rings that show no net photons get an open triangle at their upper limit. The
    background that was taken off and its uncertainty are lines where they are not zero.

    Parameters
    ----------
    ax
        Axes to draw on.
    profile
        Brightness in rings.
    """
    detected = _detected(ax, profile)
    limits = None if profile.detected.all() else _limits(ax, profile)
    level = _profile_line(ax, profile, profile.background, THIRD, "background taken off")
    spread = _profile_line(
        ax, profile, profile.background_uncertainty, REFERENCE, "its uncertainty (1σ)"
    )
    ax.set(
        xscale="log",
        yscale="log",
        xlabel=_RADIUS_MM,
        ylabel="net photons per mm²",
    )
    distance = profile.detector_distance
    angle = add_arcsec_axis(ax, distance, label=_RADIUS_ARCSEC)
    seen = add_arcsec_brightness_axis(ax, distance, label="net photons per arcsec²")
    for axis in (ax.xaxis, angle.xaxis):
        plain_decades(axis, ax.get_xlim())
    for axis in (ax.yaxis, seen.yaxis):
        plain_decades(axis, ax.get_ylim())
    artists = RadialProfileArtists(detected, limits, level, spread)
    legend_below(ax, [artist for artist in artists if artist is not None])
    return artists


def _mark(
    ax: "Axes", mark: MarkedDiameter, stroke: Stroke
) -> "tuple[ErrorbarContainer, Line2D]":
    """Point on the curve with the radius's error bar, and lines to both axes."""
    radius_mm = mark.radius_mm
    (drop,) = ax.plot(
        [0, radius_mm, radius_mm],
        [mark.share, mark.share, 0],
        color=stroke.color,
        ls=stroke.line,
        lw=1.1,
    )
    point = ax.errorbar(
        [radius_mm],
        [mark.share],
        xerr=[mark.mm.uncertainty / 2],
        color=stroke.color,
        ls=stroke.line,
        marker=stroke.marker,
        capsize=3,
        label=f"{mark.name} {rounded(mark.mm)} mm\n= {rounded(mark.arcsec)} arcsec",
    )
    return point, drop


def _reference_text(reference_radius: Quantity, detector_distance: Quantity) -> str:
    mm = reference_radius.to_value(u.mm)
    arcsec = mm * arcsec_per_mm(detector_distance.to_value(u.mm))
    return f"EEF is 1 at the reference radius, {mm:.4g} mm ({arcsec:.4g} arcsec)"


def _where_it_levels_off(growth: GrowthCurve) -> tuple[float, float]:
    """Limits of y that show the outer three quarters of the radii.

    From zero, the lines would hardly come apart.
    """
    quarter = int(np.searchsorted(growth.radius, growth.radius[-1] / 4))
    lines = np.stack([growth.raised, growth.photons, growth.lowered])[:, quarter:]
    low, high = lines.min(), lines.max()
    room = max(0.15 * (high - low), 0.01 * abs(high)) or 1.0
    return low - 3 * room, high + room


def _detected(ax: "Axes", profile: RadialProfile) -> "ErrorbarContainer":
    chosen = profile.detected
    radius_mm, reach_mm = _ring_bars(profile, chosen)
    return ax.errorbar(
        radius_mm,
        profile.brightness[chosen].to_value(_PER_MM2),
        xerr=reach_mm,
        yerr=profile.uncertainty[chosen].to_value(_PER_MM2),
        color=FIRST.color,
        ls="none",
        marker=FIRST.marker,
        elinewidth=1.1,
        label="net, ±1σ",
    )


def _limits(ax: "Axes", profile: RadialProfile) -> "ErrorbarContainer":
    chosen = ~profile.detected
    radius_mm, reach_mm = _ring_bars(profile, chosen)
    return ax.errorbar(
        radius_mm,
        profile.upper_limit[chosen].to_value(_PER_MM2),
        xerr=reach_mm,
        color=SECOND.color,
        ls="none",
        marker="v",
        markerfacecolor="none",
        elinewidth=1.1,
        label=f"upper limit, {profile.sigma:g}σ",
    )


def _ring_bars(profile: RadialProfile, chosen: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Radii of rings and how far they reach inward and outward, mm."""
    radius_mm = profile.radius.to_value(u.mm)
    inward_mm = radius_mm - profile.inner.to_value(u.mm)
    outward_mm = profile.outer.to_value(u.mm) - radius_mm
    return radius_mm[chosen], np.stack([inward_mm, outward_mm])[:, chosen]


def _profile_line(
    ax: "Axes", profile: RadialProfile, values: Quantity, stroke: Stroke, label: str
) -> "Line2D | None":
    if not np.any(values > 0):
        return None
    (line,) = ax.plot(
        profile.radius.to_value(u.mm),
        values.to_value(_PER_MM2),
        color=stroke.color,
        ls=stroke.line,
        lw=1.2,
        label=label,
    )
    return line
