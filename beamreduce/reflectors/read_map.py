"""Height maps from files: FITS images, X3P (ISO 25178-72), NumPy arrays."""

import gzip
import math
import warnings
from pathlib import Path
from typing import BinaryIO

import astropy.units as u
import numpy as np
from astropy.units import Quantity

from beamreduce.errors import ReflectorError
from beamreduce.reflectors.height_map import HeightMap, height_map
from beamreduce.reflectors.read_x3p import read_x3p

FITS_ENDINGS = (".fits", ".fit", ".fts", ".fits.gz")
ENDINGS = (*FITS_ENDINGS, ".x3p", ".npy")
_SAME_SPACING = 1e-3

# What no optical profilometer gives: a wrong unit (common practice: points 0.1 to 20 um
# apart; surfaces steeper than 45 degrees send no light back into its lens).
_SPACINGS_UM = (1e-4, 100.0)
_STEEPEST = 1.0


def read_map(
    path: Path,
    *,
    pixel_size: Quantity | None = None,
    pixel_size_y: Quantity | None = None,
    height_unit: u.UnitBase | None = None,
    name: str | None = None,
) -> HeightMap:
    """Read a height map; the file's ending says how.

    Parameters
    ----------
    path
        ``.fits`` (also ``.fits.gz``, ``.fit``): the first image of two dimensions, with
        ``BUNIT``, NaN or ``BLANK`` where there is no height. ``.x3p``: ISO 25178-72.
        ``.npy``: an array.
    pixel_size
        Distance of neighbouring points along a row. X3P files hold it; where it is given
        too, the two must agree. Required for the others.
    pixel_size_y
        Distance of neighbouring rows, where it is another one.
    height_unit
        Of a ``.npy`` array, which cannot say it; required there.
    name
        For messages; the file's name when None.

    Raises
    ------
    ReflectorError
        When the file cannot be read, is no map, contradicts what is declared, or has a
        spacing or slopes that only a wrong unit gives.
    """
    name = name or path.name
    ending = path.name.lower()
    if ending.endswith(".x3p"):
        heights = read_x3p(path, name=name)
        _check_spacing(heights, pixel_size, heights.pixel_x_um)
        _check_spacing(heights, pixel_size_y, heights.pixel_y_um)
        return _of_a_surface(heights)
    if pixel_size is None:
        raise ReflectorError(
            f"{name}: found no pixel size; expected one, since the file does not hold it; "
            f"fill the column pixel_size"
        )
    if ending.endswith(FITS_ENDINGS):
        heights_read = _read_fits(path, name)
    elif ending.endswith(".npy"):
        if height_unit is None:
            raise ReflectorError(
                f"{name}: found an array without a unit; expected heights with one; fill "
                f"the column height_unit, nm or um"
            )
        heights_read = _read_npy(path, name) * height_unit
    else:
        raise ReflectorError(
            f"{name}: found a file ending in {path.suffix!r}; expected one of "
            f"{', '.join(ENDINGS)}; export the map in one of these"
        )
    return _of_a_surface(
        height_map(
            heights_read, pixel_size=pixel_size, pixel_size_y=pixel_size_y, name=name
        )
    )


def _of_a_surface(heights: HeightMap) -> HeightMap:
    """Return the map, unless its units make it something that no profilometer shows."""
    low, high = _SPACINGS_UM
    for found_um in (heights.pixel_x_um, heights.pixel_y_um):
        if not low <= found_um <= high:
            raise ReflectorError(
                f"{heights.name}: found points {found_um:.6g} um apart; expected {low:g} "
                f"to {high:g} um; correct the unit of pixel_size"
            )
    rises = np.abs(np.diff(heights.height_nm, axis=1)) / (1000 * heights.pixel_x_um)
    known = rises[np.isfinite(rises)]
    if known.size and (slope := float(np.median(known))) > _STEEPEST:
        raise ReflectorError(
            f"{heights.name}: found heights that rise by {slope:.3g} times the way along a "
            f"row; expected less than {_STEEPEST:g}; correct the unit of the heights or of "
            f"pixel_size"
        )
    return heights


def _check_spacing(heights: HeightMap, declared: Quantity | None, found_um: float) -> None:
    if declared is None:
        return
    wanted = declared.to_value(u.um)
    if not math.isclose(wanted, found_um, rel_tol=_SAME_SPACING):
        times = found_um / wanted
        hint = (
            " (a unit of one of them is wrong)"
            if abs(math.log10(times) - round(math.log10(times))) < 1e-3
            else ""
        )
        raise ReflectorError(
            f"{heights.name}: found a spacing of {found_um:.6g} um in the file "
            f"and a pixel_size of {wanted:.6g} um in the table{hint}; expected the two to "
            f"agree; correct pixel_size, or leave it empty to take the file's"
        )


def _read_fits(path: Path, name: str) -> Quantity:
    from astropy.io import fits  # noqa: PLC0415 - slow import

    try:
        with warnings.catch_warnings():
            # Odd cards, and too few bytes, come as warnings; the latter is an error here.
            warnings.simplefilter("ignore")
            warnings.filterwarnings("error", message=".*truncated.*")
            # Opened here, since the library leaves broken files open.
            with _opened(path) as stream, fits.open(stream, memmap=False) as units:
                image = next((unit for unit in units if _is_image(unit)), None)
                if image is None:
                    raise ReflectorError(
                        f"{name}: found no image of two dimensions; expected a height map; "
                        f"export the map as a FITS image"
                    )
                data = np.array(image.data, dtype=float)
                unit_text = str(image.header.get("BUNIT", "")).strip()
    except ReflectorError:
        raise
    except Exception as error:
        # The library raises many kinds for damaged files; each means the same here.
        reason = " ".join(str(error).split())[:120] or type(error).__name__
        raise ReflectorError(
            f"{name}: found a FITS file that cannot be read ({reason}); expected a whole "
            f"FITS image; copy or export it again"
        ) from None
    try:
        unit = u.Unit(unit_text) if unit_text else None
    except ValueError:
        unit = None
    if unit is None or unit.physical_type != "length":
        found = f"BUNIT {unit_text!r}" if unit_text else "no BUNIT"
        raise ReflectorError(
            f"{name}: found {found}; expected a unit of length, nm or um; write the card"
        )
    return data * unit


def _opened(path: Path) -> BinaryIO:
    if path.suffix.lower() == ".gz":
        return gzip.open(path)
    return path.open("rb")


def _is_image(unit: object) -> bool:
    return bool(getattr(unit, "is_image", False)) and unit.header.get("NAXIS") == 2


def _read_npy(path: Path, name: str) -> np.ndarray:
    try:
        data = np.load(path, allow_pickle=False)
    except (OSError, ValueError, EOFError) as error:
        reason = " ".join(str(error).split())[:120]
        raise ReflectorError(
            f"{name}: found a file that cannot be read ({reason}); "
            f"expected an array of numbers; save it with numpy.save"
        ) from None
    if data.dtype.kind not in "fiu":
        raise ReflectorError(
            f"{name}: found an array of {data.dtype}; expected numbers; save heights only"
        )
    return np.asarray(data, dtype=float)
