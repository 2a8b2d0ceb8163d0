"""A height map of a surface: heights on a regular grid, with their spacing."""

from dataclasses import dataclass

import astropy.units as u
import numpy as np
from astropy.units import Quantity

from beamreduce.errors import ReflectorError
from beamreduce.units import convert, positive_in

FEWEST_PIXELS = 8  # a side; below it no curvature can be told from roughness


@dataclass(frozen=True, kw_only=True)
class HeightMap:
    """Heights in nm, rows along y and columns along x; NaN where there is none.

    Parameters
    ----------
    height_nm
        Shape (rows, columns), read only.
    pixel_x_um, pixel_y_um
        Distance of neighbouring points along a row, and of neighbouring rows.
    name
        What the map is called in messages.
    """

    height_nm: np.ndarray
    pixel_x_um: float
    pixel_y_um: float
    name: str = "map"

    @property
    def good(self) -> np.ndarray:
        """True where there is a height, shape (rows, columns)."""
        return np.isfinite(self.height_nm)

    @property
    def missing_fraction(self) -> float:
        """Share of the points without a height."""
        return 1.0 - float(np.count_nonzero(self.good)) / self.height_nm.size


def height_map(
    heights: Quantity,
    *,
    pixel_size: Quantity,
    pixel_size_y: Quantity | None = None,
    name: str = "map",
) -> HeightMap:
    """Make a map from an array of heights.

    Parameters
    ----------
    heights
        Lengths, shape (rows, columns); NaN where there is none.
    pixel_size
        Distance of neighbouring points along a row.
    pixel_size_y
        Distance of neighbouring rows; the same when None.
    name
        What the map is called in messages.

    Raises
    ------
    ReflectorError
        When the array is not two-dimensional or holds infinite heights.
    SettingsError
        When a unit is missing or wrong, or a spacing is not above zero.
    """
    if not isinstance(heights, Quantity):
        convert(heights, u.nm, name="heights")  # says so
    values = np.array(heights.to_value(u.nm), dtype=float)
    if values.ndim != 2 or values.size == 0:
        raise ReflectorError(
            f"{name}: found heights of shape {values.shape}; expected rows and columns; "
            f"give a map of two dimensions"
        )
    if np.any(np.isinf(values)):
        raise ReflectorError(
            f"{name}: found infinite heights; expected heights, or NaN where there is "
            f"none; write the map again"
        )
    values.setflags(write=False)
    along_x = positive_in(pixel_size, u.um, name="pixel_size")
    given_y = pixel_size if pixel_size_y is None else pixel_size_y
    return HeightMap(
        height_nm=values,
        pixel_x_um=along_x,
        pixel_y_um=positive_in(given_y, u.um, name="pixel_size_y"),
        name=name,
    )
