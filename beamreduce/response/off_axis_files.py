"""Effective area and vignetting over energy and off-axis angle, as grids."""

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from beamreduce.errors import AreaError
from beamreduce.response.energy_grid import EnergyGrid
from beamreduce.response.fits_file import Column, Origin, standard_extension, write_file
from beamreduce.response.keywords import AREA_GRID, VIGNETTING, Layout

COORDINATES = "XMA_POL"  # polar coordinates about the mirror's axis; from memory


@dataclass(frozen=True, kw_only=True)
class AreaGrid:
    """Areas over azimuth, off-axis angle and energy.

    Parameters
    ----------
    grid
        Bins of energy.
    theta_arcmin, phi_deg
        Rising angles, shapes (angles,) and (azimuths,).
    area_cm2, uncertainty_cm2
        Shape (azimuths, angles, energies).
    vignetting, vignetting_uncertainty
        Area over that on the axis, what both share left out; same shape.
    """

    grid: EnergyGrid
    theta_arcmin: np.ndarray
    phi_deg: np.ndarray
    area_cm2: np.ndarray
    uncertainty_cm2: np.ndarray
    vignetting: np.ndarray
    vignetting_uncertainty: np.ndarray

    def __post_init__(self) -> None:
        shape = self.phi_deg.size, self.theta_arcmin.size, self.grid.bins
        if self.area_cm2.shape != shape or self.vignetting.shape != shape:
            raise AreaError(f"areas must have shape {shape}; got {self.area_cm2.shape}")


def write_area_grid(path: Path, areas: AreaGrid, origin: Origin) -> None:
    """Write effective areas on a grid of energy, off-axis angle and azimuth."""
    what = "effective area of the mirror, for a star"
    hdu = _grid_extension(
        AREA_GRID, areas, (areas.area_cm2, areas.uncertainty_cm2), (origin, what)
    )
    write_file(path, [hdu], origin)


def write_vignetting(path: Path, areas: AreaGrid, origin: Origin) -> None:
    """Write areas over those on the axis, with blockage in them."""
    what = "area over that on axis, for a star"
    both = areas.vignetting, areas.vignetting_uncertainty
    write_file(path, [_grid_extension(VIGNETTING, areas, both, (origin, what))], origin)


def _grid_extension(
    layout: Layout,
    areas: AreaGrid,
    values: Sequence[np.ndarray],
    said: tuple[Origin, str],
) -> object:
    """One row of vectors; the grid's fastest axis is energy, then angle, then azimuth."""
    origin, what = said
    name = layout.extname
    unit = layout.columns[name]
    edges = areas.grid.edges_kev
    count = areas.area_cm2.size
    dims = f"({areas.grid.bins},{areas.theta_arcmin.size},{areas.phi_deg.size})"
    bins, angles, azimuths = areas.grid.bins, areas.theta_arcmin.size, areas.phi_deg.size
    columns = [
        Column(name="ENERG_LO", form=f"{bins}E", values=edges[None, :-1], unit="keV"),
        Column(name="ENERG_HI", form=f"{bins}E", values=edges[None, 1:], unit="keV"),
        Column(name="THETA", form=f"{angles}E", values=areas.theta_arcmin[None],
               unit="arcmin", comment="off-axis angle"),
        Column(name="PHI", form=f"{azimuths}E", values=areas.phi_deg[None], unit="deg",
               comment="azimuth"),
        Column(name=name, form=f"{count}E", values=values[0][None], unit=unit, dim=dims,
               comment="by energy, THETA, PHI"),
        Column(name=f"{name[:5]}_ERR", form=f"{count}E", values=values[1][None], unit=unit,
               dim=dims, comment="standard uncertainty"),
    ]  # fmt: skip
    more = [("CSYSNAME", COORDINATES, "polar coordinates about the axis")]
    return standard_extension(layout, columns, origin, what, more)
