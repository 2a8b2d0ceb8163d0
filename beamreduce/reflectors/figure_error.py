"""Slope error of a reflector from a long trace along its axis."""

import math
from dataclasses import dataclass

import astropy.units as u
import numpy as np
from astropy.units import Quantity

from beamreduce.errors import ReflectorError
from beamreduce.record import Uncertain
from beamreduce.statistics import IN_PLANE_HPD
from beamreduce.units import convert, positive_in

_RADIAN = math.degrees(1.0) * 3600.0
FEWEST_POINTS = 16


@dataclass(frozen=True, kw_only=True)
class FigureError:
    """What a trace says of a reflector's figure.

    Parameters
    ----------
    slope_arcsec
        Rms slope error in the plane of reflection.
    hpd_arcsec
        Half-power diameter of a point's image by this reflection alone: light turns by
        twice the slope, each azimuth along its own radius, ``2 · 1.349 · slope``.
    sag_um
        Height of the middle over the chord from end to end, of the parabola that fits
        best; part of the slope error, since a cone has none.
    length_mm
        Of the trace.
    """

    slope_arcsec: Uncertain
    hpd_arcsec: Uncertain
    sag_um: float
    length_mm: float


def figure_error(
    position: Quantity, height: Quantity, *, slope_length: Quantity, name: str = "trace"
) -> FigureError:
    """Return the slope error along a trace.

    Parameters
    ----------
    position, height
        Along the axis and across the surface, shape (n,), positions rising in even steps.
    slope_length
        Length over which slopes are taken; shorter waves count as roughness.
    name
        Of the trace in messages.

    Notes
    -----
    The best straight line is taken off. The uncertainty is that of one sample of a normal
    process with this spectrum, as for Sq.

    Raises
    ------
    ReflectorError
        When the trace is too short, its steps are uneven or heights are missing.
    """
    x = np.asarray(convert(position, u.mm, name=f"{name} position").value)
    z = np.asarray(convert(height, u.um, name=f"{name} height").value)
    steps = np.diff(x)
    if x.ndim != 1 or x.shape != z.shape or len(x) < FEWEST_POINTS:
        raise ReflectorError(
            f"{name}: found {x.size} positions and {z.size} heights; expected as many of "
            f"each, at least {FEWEST_POINTS}; measure a longer trace"
        )
    step = float(np.mean(steps))
    # Positions are often written to a few digits only: 1 % of a step is no unevenness.
    if step <= 0 or np.max(np.abs(steps - step)) > 0.01 * step:
        raise ReflectorError(
            f"{name}: found positions in uneven steps; expected even, rising steps; bring "
            f"the trace onto a regular grid first"
        )
    span = max(1, round(positive_in(slope_length, u.mm, name="slope_length") / step))
    if len(x) < 4 * span:
        raise ReflectorError(
            f"{name}: found a trace of {x[-1] - x[0]:.4g} mm; expected at least four times "
            f"the slope length of {slope_length}; shorten slope_length"
        )
    level = z - np.polyval(np.polyfit(x, z, 1), x)
    slopes = (level[span:] - level[:-span]) / (span * step) * 1e-3 * _RADIAN
    slopes = slopes - slopes.mean()
    power = np.abs(np.fft.fft(slopes)) ** 2
    rms = math.sqrt(float(np.mean(slopes**2)))
    total = float(power.sum())
    share = 0.5 * math.sqrt(float((power**2).sum())) / total if total > 0 else 0.0
    slope = Uncertain(value=rms, statistical=rms * min(share, 1.0))
    half = (x[-1] - x[0]) / 2
    return FigureError(
        slope_arcsec=slope,
        hpd_arcsec=slope.scaled(2 * IN_PLANE_HPD),
        sag_um=float(-np.polyfit(x - x.mean(), z, 2)[0] * half**2),
        length_mm=float(x[-1] - x[0]),
    )
