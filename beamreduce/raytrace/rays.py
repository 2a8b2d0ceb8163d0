"""Where light comes from, and the sequence of points that rays are chosen by."""

import math
from dataclasses import dataclass

import astropy.units as u
import numpy as np
from astropy.units import Quantity

from beamreduce.errors import SettingsError
from beamreduce.units import positive_in, value_in

OFF_AXIS_BY = ("mirror_tilt", "source_shift")
_STEEPEST_RAD = 0.1
_WHOLE = 2**64


@dataclass(frozen=True, kw_only=True)
class Light:
    """A source at a distance, or a star; on the mirror's axis or off it.

    Parameters
    ----------
    source_distance_mm
        From the reference plane; infinite for a parallel beam.
    source_diameter_mm
        Of an evenly bright disc that faces the mirror; 0 for a point.
    off_axis_rad, azimuth_rad
        Direction of the source from the mirror's axis, as seen from the source.
    off_axis_by
        ``"mirror_tilt"``: the mirror is turned about the middle of its reference plane,
        the detector stays square to the line from the source through that point and is
        measured along it. ``"source_shift"``: the source moves sideways, mirror and
        detector stay.
    """

    source_distance_mm: float = math.inf
    source_diameter_mm: float = 0.0
    off_axis_rad: float = 0.0
    azimuth_rad: float = 0.0
    off_axis_by: str = "mirror_tilt"

    def __post_init__(self) -> None:
        if not self.source_distance_mm > 0:
            raise SettingsError(
                f"source_distance_mm must be above zero; got {self.source_distance_mm}"
            )
        if not 0 <= self.source_diameter_mm < math.inf:
            raise SettingsError(
                f"source_diameter_mm must not be below zero; got {self.source_diameter_mm}"
            )
        if not 0 <= self.off_axis_rad <= _STEEPEST_RAD:
            raise SettingsError(
                f"off_axis_rad must be between 0 and {_STEEPEST_RAD} rad; "
                f"got {self.off_axis_rad} (turn it around by its azimuth)"
            )
        if not math.isfinite(self.azimuth_rad):
            raise SettingsError(f"azimuth_rad must be finite; got {self.azimuth_rad}")
        if self.off_axis_by not in OFF_AXIS_BY:
            raise SettingsError(
                f"off_axis_by must be one of {', '.join(OFF_AXIS_BY)}; "
                f"got {self.off_axis_by!r}"
            )

    @classmethod
    def near(cls, distance: Quantity, diameter: Quantity = 0 * u.mm) -> "Light":
        """Return a source on the axis at a distance from the reference plane."""
        return cls(
            source_distance_mm=positive_in(distance, u.mm, name="source_distance"),
            source_diameter_mm=value_in(diameter, u.mm, name="source_diameter"),
        )

    @classmethod
    def star(cls) -> "Light":
        """Return a parallel beam along the axis."""
        return cls()

    def off_axis(
        self,
        angle: Quantity,
        azimuth: Quantity = 0 * u.deg,
        off_axis_by: str = "mirror_tilt",
    ) -> "Light":
        """Return the same source seen at an angle to the mirror's axis."""
        return Light(
            source_distance_mm=self.source_distance_mm,
            source_diameter_mm=self.source_diameter_mm,
            off_axis_rad=value_in(angle, u.rad, name="off_axis"),
            azimuth_rad=value_in(azimuth, u.rad, name="azimuth"),
            off_axis_by=off_axis_by,
        )

    @property
    def parallel(self) -> bool:
        """True for a star."""
        return math.isinf(self.source_distance_mm)

    @property
    def direction(self) -> np.ndarray:
        """Unit vector from the source to the middle of the mirror, mirror frame."""
        sine, cosine = math.sin(self.off_axis_rad), math.cos(self.off_axis_rad)
        return np.array(
            [
                -sine * math.cos(self.azimuth_rad),
                -sine * math.sin(self.azimuth_rad),
                cosine,
            ]
        )

    @property
    def place_mm(self) -> np.ndarray:
        """Where a near source stands in the mirror frame.

        The distance of one that was shifted sideways is counted along the axis.
        """
        along = self.source_distance_mm
        if self.off_axis_by == "source_shift":
            along /= math.cos(self.off_axis_rad)
        return -along * self.direction

    @property
    def to_detector(self) -> np.ndarray:
        """Rotation from the mirror frame to the detector's, shape (3, 3).

        The identity unless the mirror is tilted; then the least rotation that takes the
        beam's direction to the detector's z.
        """
        if self.off_axis_by == "source_shift":
            return np.eye(3)
        return rotation_to(self.direction).T


def rotation_to(direction: np.ndarray) -> np.ndarray:
    """Return the least rotation that takes (0, 0, 1) to a direction, shape (3, 3).

    Rodrigues' formula about the axis square to both.
    """
    x, y, z = direction / np.linalg.norm(direction)
    cross = np.array([[0.0, 0.0, x], [0.0, 0.0, y], [-x, -y, 0.0]])
    return np.eye(3) + cross + cross @ cross / (1 + z)


@dataclass(frozen=True, kw_only=True)
class Steps:
    """An additive sequence of evenly spread points, many numbers to a point.

    Point ``n`` is ``start + n step`` modulo 1 in every number. Fractions are 64-bit whole
    numbers, so that any point can be had at once and exactly.

    Parameters
    ----------
    start
        Fractions of point 0 times 2⁶⁴, shape (shifts, numbers).
    step
        Steps times 2⁶⁴, shape (numbers,).
    """

    start: np.ndarray
    step: np.ndarray


def spread_points(numbers: int, shifts: int, rng: np.random.Generator) -> Steps:
    """Return sequences that fill space evenly, from starts chosen by chance.

    Parameters
    ----------
    numbers
        How many numbers a point has.
    shifts
        How many sequences; they differ by their random start and are independent, so
        their scatter is an honest error.
    rng
        Where the starts come from.

    Notes
    -----
    The steps are powers of ``1/φ``, where φ is the root above 1 of
    ``φ^(numbers+1) = φ + 1``: the golden ratio for one number, its generalisation for
    more (a Kronecker sequence; Roberts 2018, from memory). Random shifts: Cranley &
    Patterson 1976, SIAM J. Numer. Anal. 13, 904 (from memory).
    """
    ratio = 2.0
    for _ in range(64):
        ratio = (1 + ratio) ** (1 / (numbers + 1))
    step = [int(ratio ** -(k + 1) * 2**53) << 11 for k in range(numbers)]
    return Steps(
        start=rng.integers(0, _WHOLE, size=(shifts, numbers), dtype=np.uint64),
        step=np.array(step, dtype=np.uint64),
    )
