"""Ancillary response files: effective area by photon energy, with its covariance."""

from pathlib import Path

import numpy as np

from beamreduce.effective_area.area_curve import AreaCurve
from beamreduce.effective_area.terms import KINDS
from beamreduce.errors import AreaError
from beamreduce.response.energy_grid import EnergyGrid
from beamreduce.response.fits_file import (
    Column,
    Origin,
    ascii_text,
    own_extension,
    standard_extension,
    write_file,
)
from beamreduce.response.keywords import ANCILLARY

COVARIANCE = "AREACOV"
_ERRORS = {"statistical": "STAT_ERR", "systematic": "SYS_ERR", "model": "MODL_ERR"}


def write_ancillary(
    path: Path, grid: EnergyGrid, curve: AreaCurve, origin: Origin, describe: str
) -> None:
    """Write an ancillary response.

    Parameters
    ----------
    path
        File, ``*.arf``.
    grid
        Bins; the curve has one value a bin.
    curve
        The area.
    origin, describe
        Whence, and what it is in a few words.

    Raises
    ------
    AreaError
        When the curve does not belong to the grid, or is not finite.
    """
    if curve.area_cm2.shape != (grid.bins,):
        raise AreaError(f"the curve must have one area a bin; got {curve.area_cm2.shape}")
    if not np.isfinite(curve.area_cm2).all() or (curve.area_cm2 < 0).any():
        raise AreaError("areas must be finite numbers of at least zero")
    low, high = grid.edges_kev[:-1], grid.edges_kev[1:]
    columns = [
        Column(name="ENERG_LO", form="E", values=low, unit="keV", comment="lower edge"),
        Column(name="ENERG_HI", form="E", values=high, unit="keV", comment="upper edge"),
        Column(name="SPECRESP", form="E", values=curve.area_cm2, unit="cm**2",
               comment="effective area for a star"),
        *(
            Column(name=name, form="E", values=curve.uncertainty_cm2(kind), unit="cm**2",
                   comment=f"standard uncertainty, {kind}")
            for kind, name in _ERRORS.items()
        ),
    ]  # fmt: skip
    more = [
        ("CHISQ", curve.fit.chi_square, "chi-square of the lines about the curve"),
        ("CHIDOF", curve.fit.degrees_of_freedom, "degrees of freedom of it"),
        ("LINES", len(curve.lines), "measured lines behind the curve"),
        ("E_VALMIN", curve.lowest_kev, "[keV] measured lines support it from here"),
        ("E_VALMAX", curve.highest_kev, "[keV] to here"),
    ]
    area = standard_extension(ANCILLARY, columns, origin, describe, more)
    write_file(path, [area, _covariance(curve, origin)], origin)


def _covariance(curve: AreaCurve, origin: Origin) -> object:
    """One row a cause: the sum of the outer products of the rows is the covariance."""
    rows = sorted(curve.causes.changes.items())
    changes = np.array([row * curve.area_cm2 for _, row in rows])
    names = [ascii_text(name) for (_, name), _ in rows]
    kinds = [kind for (kind, _), _ in rows]
    columns = [
        Column(name="KIND", form=f"{max(map(len, KINDS))}A", values=np.array(kinds, "U")),
        Column(name="CAUSE", form=f"{max(map(len, names))}A", values=np.array(names, "U")),
        Column(name="CHANGE", form=f"{curve.area_cm2.size}E", values=changes, unit="cm**2",
               comment="change of SPECRESP with the cause"),
    ]  # fmt: skip
    history = (
        "Covariance of the areas of bins i and j: sum over rows of CHANGE[i] * CHANGE[j].",
        "Each row is one cause of uncertainty, larger by one standard uncertainty.",
    )
    words = "covariance of SPECRESP, in factors"
    return own_extension(COVARIANCE, words, columns, origin, history)
