"""From a request to the bins, channels and line shapes that files are written with."""

from dataclasses import replace
from pathlib import Path

import astropy.units as u
import numpy as np

from beamreduce.beamline import Detector
from beamreduce.effective_area.area_curve import MARGIN_KEV
from beamreduce.errors import SettingsError
from beamreduce.response.energy_grid import (
    EnergyGrid,
    absorption_edges_kev,
    edge_refined,
    linear_grid,
    log_grid,
)
from beamreduce.response.line_shape import LineShape, channel_edges, detector_shape
from beamreduce.response.line_spectra import shape_of_spectra
from beamreduce.response.request_file import EnergyRequest, LineRequest

_NEVER_BELOW_KEV = 0.01


def planned_grid(
    request: EnergyRequest, line_kev: np.ndarray, coatings: tuple[str, ...]
) -> EnergyGrid:
    """Return the bins of a request.

    Parameters
    ----------
    request
        The ``[energy]`` table.
    line_kev
        Energies of the lines with an area; default ends are 0.1 keV beyond them.
    coatings
        Formulas, whose absorption edges are refined when that is asked for.

    Raises
    ------
    SettingsError
        When bins do not rise, or lie beyond the measured lines without
        ``extrapolate = true``.
    """
    supported = line_kev.min() - MARGIN_KEV, line_kev.max() + MARGIN_KEV
    if request.edges is not None:
        grid = EnergyGrid(edges_kev=request.edges.to_value(u.keV), spacing="as listed")
    else:
        low, high = max(supported[0], _NEVER_BELOW_KEV) * u.keV, supported[1] * u.keV
        low = low if request.lowest is None else request.lowest
        high = high if request.highest is None else request.highest
        if request.spacing == "log":
            grid = log_grid(low, high, request.bins)
        else:
            grid = linear_grid(low, high, request.step)
    if request.refine_edges:
        edges = sorted({e for name in coatings for e in absorption_edges_kev(name)})
        grid = edge_refined(
            grid, edges, width=request.refine_width, step=request.refine_step
        )
    beyond = (grid.centers_kev < supported[0]) | (grid.centers_kev > supported[1])
    if beyond.any() and not request.extrapolate:
        raise SettingsError(
            f"energies must be from {supported[0]:g} to {supported[1]:g} keV, the measured "
            f"lines and {MARGIN_KEV:g} keV beyond; got a grid from "
            f"{grid.edges_kev[0]:g} to {grid.edges_kev[-1]:g} keV (set extrapolate = true "
            f"in [energy] to go beyond, with a note in every file)"
        )
    return grid


def planned_shape(request: LineRequest, detector: Detector, folder: Path) -> LineShape:
    """Return how lines look: by measured spectra, by a width given, or by the detector.

    Parameters
    ----------
    request
        The ``[redistribution]`` table.
    detector
        As the campaign declares it.
    folder
        Of the grid file: where ``spectra`` is looked for.
    """
    if request.spectra is not None:
        return shape_of_spectra(folder / request.spectra)
    if request.line_width is not None:
        detector = replace(detector, line_width=request.line_width)
    return detector_shape(
        detector, escape=request.escape_fraction, shelf=request.shelf_fraction
    )


def planned_channels(
    request: LineRequest, shape: LineShape, grid: EnergyGrid
) -> np.ndarray:
    """Return channel edges (keV): even, by default 10 eV wide, and to hold every line."""
    width = request.channel_width
    width_kev = 0.01 if width is None else float(width.to_value(u.keV))
    edges = channel_edges(shape, grid.edges_kev, width_kev)
    if request.lowest_channel is None and request.highest_channel is None:
        return edges
    low = edges[0] if request.lowest_channel is None else request.lowest_channel.value
    high = edges[-1] if request.highest_channel is None else request.highest_channel.value
    count = round((high - low) / width_kev)
    if count < 1:
        raise SettingsError(
            f"highest_channel must be above lowest_channel; got {low:g} and {high:g} keV"
        )
    return low + width_kev * np.arange(count + 1)
