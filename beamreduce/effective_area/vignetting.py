"""Vignetting: how area falls off the axis, for a star and at the beamline.

At a beamline every nesting's area is flat until the angle exceeds its r/L, so what is
measured is not the vignetting of a star; both are given.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from astropy.units import Quantity
from scipy.interpolate import PchipInterpolator
from scipy.optimize import least_squares

from beamreduce.effective_area.traced_mirror import TracedMirror, even_angles
from beamreduce.errors import SettingsError
from beamreduce.record import Uncertain

_ANGLES = 13
_FARTHER = 1.25  # than the largest angle measured
_STRETCH_POINTS = 3


@dataclass(frozen=True, kw_only=True)
class VignettingCurve:
    """Area against angle by the model, at one energy.

    Parameters
    ----------
    angle_arcmin
        From 0, rising, shape (angles,).
    beam_cm2, star_cm2
        Whole area with the diverging beam, and for a star.
    beam_error_cm2, star_error_cm2
        Standard errors of the trace.
    """

    angle_arcmin: np.ndarray
    beam_cm2: np.ndarray
    star_cm2: np.ndarray
    beam_error_cm2: np.ndarray
    star_error_cm2: np.ndarray

    @property
    def field_arcmin(self) -> float:
        """Largest angle of the curve."""
        return float(self.angle_arcmin[-1])

    def normalised(self, angle_arcmin: np.ndarray | float, *, star: bool) -> np.ndarray:
        """Return area over that on the axis.

        Raises
        ------
        SettingsError
            When an angle is beyond the field of the curve.
        """
        angles = np.abs(np.asarray(angle_arcmin, dtype=float))
        if np.any(angles > self.field_arcmin * (1 + 1e-9)) or np.any(np.isnan(angles)):
            raise SettingsError(
                f"off-axis angles must be within {self.field_arcmin:.4g} arcmin, the field "
                f"of the vignetting model; got {np.nanmax(angles):.4g} arcmin; measure "
                f"further out, or ask for smaller angles"
            )
        return self._shape(angles, star=star)

    def _shape(self, angles: np.ndarray, *, star: bool) -> np.ndarray:
        area = self.star_cm2 if star else self.beam_cm2
        # Even in the angle: mirrored points make the curve flat on the axis.
        x = np.concatenate([-self.angle_arcmin[:0:-1], self.angle_arcmin])
        y = np.concatenate([area[:0:-1], area]) / area[0]
        held = np.minimum(angles, self.field_arcmin)
        inside = PchipInterpolator(x, y)
        # A fit may look a little further out than the field: straight on from its end.
        slope = float(inside.derivative()(self.field_arcmin))
        return np.maximum(inside(held) + slope * (angles - held), 0.0)

    def half_arcmin(self) -> float | None:
        """Return the angle at which a star's area is half; None beyond the field."""
        shape = self.star_cm2 / self.star_cm2[0]
        below = np.flatnonzero(shape < 0.5)
        if not below.size:
            return None
        k = int(below[0])
        return float(
            np.interp(-0.5, -shape[k - 1 : k + 1], self.angle_arcmin[k - 1 : k + 1])
        )


def vignetting_curve(
    mirror: TracedMirror, largest: Quantity, count: int = _ANGLES
) -> VignettingCurve:
    """Trace area against angle, a little further out than the largest angle.

    Bars are where they are for azimuth 0; but for them the nest is alike all around.
    """
    angles = even_angles(_FARTHER * float(largest.to_value("arcmin")), count)
    beam = [mirror.areas((angle, 0.0), star=False) for angle in angles]
    star = [mirror.areas((angle, 0.0), star=True) for angle in angles]
    return VignettingCurve(
        angle_arcmin=np.array(angles),
        beam_cm2=np.array([one.cm2 for one in beam]),
        star_cm2=np.array([one.cm2 for one in star]),
        beam_error_cm2=np.array([one.error_cm2 for one in beam]),
        star_error_cm2=np.array([one.error_cm2 for one in star]),
    )


@dataclass(frozen=True, kw_only=True)
class OffAxisPoint:
    """One measured area, in a commanded direction of the source.

    Parameters
    ----------
    id
        Measurement.
    x_arcmin, y_arcmin
        Direction.
    area_cm2
        Whole area.
    own
        Its relative uncertainty that no other area shares.
    """

    id: str
    x_arcmin: float
    y_arcmin: float
    area_cm2: float
    own: float


@dataclass(frozen=True, kw_only=True)
class VignettingFit:
    """The model's curve laid through measured areas.

    Parameters
    ----------
    on_axis_cm2
        Area on the axis.
    axis_arcmin
        Where the axis is, (x, y) in commanded directions; None where the areas do not
        tell.
    stretch
        Factor on angles by which the measured curve is narrower than the model's.
    residuals
        Measured over fitted, less 1, of each point.
    chi_square, degrees_of_freedom
        With the points' own uncertainties.
    """

    on_axis_cm2: Uncertain
    axis_arcmin: tuple[Uncertain, Uncertain] | None
    stretch: Uncertain
    residuals: tuple[float, ...]
    chi_square: float
    degrees_of_freedom: int


def fit_vignetting(
    points: Sequence[OffAxisPoint], curve: VignettingCurve, *, star: bool
) -> VignettingFit:
    """Fit area on the axis, place of the axis and width of the curve to measured areas.

    ``A(θ) = A₀ V(k |θ − θ₀|)`` with the model's ``V``. The axis is free where at least
    three directions are there, off the axis in two azimuths; the width ``k`` for a star,
    where there are three different angles. Else they stay at zero and one.

    Parameters
    ----------
    points
        Areas of one energy and aperture.
    curve
        The model's.
    star
        The areas are those for a star.

    Raises
    ------
    SettingsError
        When there is no point.
    """
    if not points:
        raise SettingsError("points must hold at least one area; got none")
    axis, width = _free(np.array([[p.x_arcmin, p.y_arcmin] for p in points]))
    # At the beamline the curve is flat first: too few angles are left to tell its width.
    width = width and star
    fit = _laid_through(points, (curve, star), (axis, width))
    if axis and fit.axis_arcmin is None:
        return _laid_through(points, (curve, star), (False, width))
    return fit


def _laid_through(
    points: Sequence[OffAxisPoint],
    model: tuple[VignettingCurve, bool],
    free: tuple[bool, bool],
) -> VignettingFit:
    """Fit with the axis, and the width, free or not; no axis where nothing tells it."""
    curve, star = model
    place = np.array([[p.x_arcmin, p.y_arcmin] for p in points])
    area = np.array([p.area_cm2 for p in points])
    own = np.array([p.own for p in points])

    def expected(values: np.ndarray) -> np.ndarray:
        x, y, stretch = _filled(values[1:], free)
        angle = np.hypot(place[:, 0] - x, place[:, 1] - y)
        return values[0] * curve._shape(stretch * angle, star=star)

    start = np.concatenate([[area.max()], np.zeros(2 * free[0]), np.ones(int(free[1]))])
    scale = np.concatenate([[area.max()], np.ones(start.size - 1)])
    found = least_squares(
        lambda values: (area / expected(values) - 1) / own,
        start,
        x_scale=scale,
        diff_step=1e-3,
    )
    slopes = found.jac * scale
    sizes = np.linalg.norm(np.linalg.pinv(slopes), axis=1) * scale
    known = np.linalg.matrix_rank(slopes, tol=1e-6 * np.abs(slopes).max()) == start.size
    x, y, stretch = _filled(found.x[1:], free)
    reach = float(np.hypot(*place.T).max())
    told = free[0] and known and sizes[1:3].max() < reach
    return VignettingFit(
        on_axis_cm2=Uncertain(value=float(found.x[0]), statistical=float(sizes[0])),
        axis_arcmin=(
            (
                Uncertain(value=float(x), statistical=float(sizes[1])),
                Uncertain(value=float(y), statistical=float(sizes[2])),
            )
            if told
            else None
        ),
        stretch=Uncertain(
            value=float(stretch), statistical=float(sizes[-1]) if free[1] else 0.0
        ),
        residuals=tuple(float(r) for r in area / expected(found.x) - 1),
        chi_square=float(2 * found.cost),
        degrees_of_freedom=len(points) - found.x.size,
    )


def _free(place: np.ndarray) -> tuple[bool, bool]:
    """Tell whether the axis, and the width of the curve, can be fitted."""
    different = np.unique(np.round(place, 6), axis=0)
    away = different[np.hypot(*different.T) > 0]
    spans = away.size > 0 and np.linalg.matrix_rank(away, tol=1e-6) == 2
    axis = len(different) >= _STRETCH_POINTS and spans
    radii = np.unique(np.round(np.hypot(*different.T), 6))
    width = len(radii) >= _STRETCH_POINTS and len(different) > 1 + 2 * axis
    return bool(axis), bool(width)


def _filled(values: np.ndarray, shape: tuple[bool, bool]) -> tuple[float, float, float]:
    axis, width = shape
    x, y = values[:2] if axis else (0.0, 0.0)
    return x, y, values[-1] if width else 1.0
