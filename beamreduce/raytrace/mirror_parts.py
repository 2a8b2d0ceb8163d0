"""Parts of a mirror: errors of its surfaces, quadrants and their places, bars."""

import math
from collections.abc import Mapping
from dataclasses import dataclass, field

import astropy.units as u
import numpy as np
from astropy.units import Quantity

from beamreduce.errors import SettingsError
from beamreduce.raytrace.error_law import ErrorLaw
from beamreduce.units import value_in

TURN = 2 * math.pi
CLOSE_RAD = 1e-9


@dataclass(frozen=True, kw_only=True)
class FigureErrors:
    """Slope errors of the reflecting surfaces; each reflection draws its own.

    In the plane of reflection a positive error makes the ray land further out, by twice
    the error times the remaining distance (a steeper primary, a flatter secondary).

    Parameters
    ----------
    primary, secondary
        Law of the slope error in the plane of reflection.
    primary_across, secondary_across
        Law of the slope error across it, the surface turned about its own generator.
    primary_mean_rad, secondary_mean_rad
        Cone-angle error, added to every slope in the plane of reflection: one number, or
        an array of shape (nestings,) or (nestings, quadrants).
    """

    primary: ErrorLaw = field(default_factory=ErrorLaw.none)
    secondary: ErrorLaw = field(default_factory=ErrorLaw.none)
    primary_across: ErrorLaw = field(default_factory=ErrorLaw.none)
    secondary_across: ErrorLaw = field(default_factory=ErrorLaw.none)
    primary_mean_rad: float | np.ndarray = 0.0
    secondary_mean_rad: float | np.ndarray = 0.0

    def means_rad(self, nestings: int, quadrants: int) -> np.ndarray:
        """Return the cone-angle errors, shape (2, nestings, quadrants)."""
        stages = []
        for name in ("primary_mean_rad", "secondary_mean_rad"):
            value = np.asarray(getattr(self, name), dtype=float)
            if not np.isfinite(value).all() or np.abs(value).max(initial=0) > 0.01:
                raise SettingsError(f"{name} must be finite and within ±0.01 rad")
            if value.ndim == 1:
                value = value[:, np.newaxis]
            try:
                stages.append(np.broadcast_to(value, (nestings, quadrants)))
            except ValueError:
                raise SettingsError(
                    f"{name} must be one number, or one a nesting ({nestings}), or one a "
                    f"nesting and quadrant; got shape {value.shape}"
                ) from None
        return np.array(stages)


@dataclass(frozen=True, kw_only=True)
class Placement:
    """Where a part sits against its place by design, as a rigid body.

    Parameters
    ----------
    shift_mm
        Displacement in x, y and z.
    lean_rad
        How its axis leans: a point at z moves sideways by ``lean_rad · z``. The middle of
        the reference plane stays.
    """

    shift_mm: tuple[float, float, float] = (0.0, 0.0, 0.0)
    lean_rad: tuple[float, float] = (0.0, 0.0)

    def __post_init__(self) -> None:
        if not np.isfinite([*self.shift_mm, *self.lean_rad]).all():
            raise SettingsError(f"a placement must be finite; got {self}")
        if max(abs(a) for a in self.lean_rad) > 0.01:
            raise SettingsError(
                f"lean_rad must be within ±0.01 rad; got {self.lean_rad} (are they in rad?)"
            )


@dataclass(frozen=True, kw_only=True)
class Quadrant:
    """A part of the mirror between two azimuths that moves as one, or as two stages."""

    name: str
    azimuth_rad: tuple[float, float]
    primary: Placement = Placement()
    secondary: Placement = Placement()

    @property
    def width_rad(self) -> float:
        """Azimuth it covers, above zero, at most a whole turn."""
        return range_width(self.azimuth_rad)


def four_quadrants() -> tuple[Quadrant, ...]:
    """Return Q1 to Q4 where they belong: Q1 from 0 to 90°."""
    return tuple(
        Quadrant(name=f"Q{k + 1}", azimuth_rad=(k * TURN / 4, (k + 1) * TURN / 4))
        for k in range(4)
    )


@dataclass(frozen=True, kw_only=True)
class AlignmentBars:
    """Radial bars across front and rear of the mirror that hold the foils.

    Parameters
    ----------
    count
        Around the whole circle, evenly; bar ``k`` is at azimuth ``first + k 360°/count``.
    width_mm
        Sides are parallel, so a bar shades more azimuth further in.
    first_rad
        Azimuth of the first; None puts it half a spacing from azimuth 0, so that none
        stands on the border of two quadrants.
    """

    count: int
    width_mm: float
    first_rad: float | None = None

    def __post_init__(self) -> None:
        if self.count < 1 or not 0 < self.width_mm < math.inf:
            raise SettingsError(
                f"bars must be at least one, of a width above zero; "
                f"got {self.count} of {self.width_mm} mm"
            )

    @property
    def azimuths_rad(self) -> np.ndarray:
        """Azimuth of every bar."""
        step = TURN / self.count
        first = step / 2 if self.first_rad is None else self.first_rad
        return first + step * np.arange(self.count)


def quadrants_between(
    azimuths: Mapping[str, tuple[Quantity, Quantity]],
) -> tuple[Quadrant, ...]:
    """Return quadrants by name and their first and last azimuth."""
    return tuple(
        Quadrant(
            name=name,
            azimuth_rad=(
                value_in(first, u.rad, name=name),
                value_in(last, u.rad, name=name),
            ),
        )
        for name, (first, last) in azimuths.items()
    )


def range_width(first_last: tuple[float, float]) -> float:
    """Return the azimuth between a first and a last one, above zero, up to a turn."""
    first, last = first_last
    if not (math.isfinite(first) and math.isfinite(last)) or first == last:
        raise SettingsError(
            f"an azimuth range must have two different ends in rad; got {first_last}"
        )
    width = (last - first) % TURN
    return width if width > CLOSE_RAD else TURN
