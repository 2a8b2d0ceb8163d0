"""Redistribution matrix files: which channel a photon of an energy is counted in."""

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from beamreduce.errors import SettingsError
from beamreduce.response.energy_grid import EnergyGrid
from beamreduce.response.fits_file import (
    Column,
    Origin,
    own_extension,
    standard_extension,
    write_file,
)
from beamreduce.response.keywords import CHANNELS, MATRIX
from beamreduce.response.line_shape import FittedLine, LineShape, spread

LINES = "LINES"  # name of the extension of measured lines
_DESCRIBED = "redistribution of photons over channels"
THRESHOLD = 1e-9  # of a photon; smaller elements are not stored


@dataclass(frozen=True, kw_only=True)
class Redistribution:
    """A matrix over bins of energy and channels.

    Parameters
    ----------
    grid
        Bins of photon energy.
    channel_edges_kev
        Shape (channels + 1,).
    matrix
        Shape (bins, channels); what is not stored is zero.
    loss
        Share of each bin that no channel counts, shape (bins,): beyond the channels, or
        in elements below the threshold.
    threshold
        Elements below it are zero.
    source
        Where the shape of lines comes from.
    fitted
        Measured lines behind it, if there are any.
    """

    grid: EnergyGrid
    channel_edges_kev: np.ndarray
    matrix: np.ndarray
    loss: np.ndarray
    threshold: float
    source: str
    fitted: tuple[FittedLine, ...] = ()


def redistribution(
    grid: EnergyGrid,
    channel_edges_kev: np.ndarray,
    shape: LineShape,
    *,
    threshold: float = THRESHOLD,
) -> Redistribution:
    """Spread every bin over the channels.

    Raises
    ------
    SettingsError
        When channels do not rise, or hold less than half of some line.
    """
    edges = np.asarray(channel_edges_kev, dtype=float)
    if edges.ndim != 1 or edges.size < 2 or not (np.diff(edges) > 0).all():
        raise SettingsError("channel edges must be at least two rising numbers")
    full = spread(shape, grid.edges_kev, edges)
    matrix = np.where(full >= threshold, full, 0.0)
    loss = 1 - matrix.sum(axis=1)
    worst = int(loss.argmax())
    if loss[worst] > 0.5:
        raise SettingsError(
            f"channels from {edges[0]:g} to {edges[-1]:g} keV hold only "
            f"{1 - loss[worst]:.2f} of photons of {grid.centers_kev[worst]:g} keV; "
            f"expected channels that reach over the energies of the grid"
        )
    return Redistribution(
        grid=grid,
        channel_edges_kev=edges,
        matrix=matrix,
        loss=np.maximum(loss, 0.0),
        threshold=threshold,
        source=shape.source,
        fitted=shape.fitted,
    )


def groups_of(row: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return first channel and length of each run of stored elements of a row."""
    steps = np.diff(np.concatenate([[0], (row > 0).astype(np.int8), [0]]))
    first = np.flatnonzero(steps == 1)
    return first, np.flatnonzero(steps == -1) - first


def write_redistribution(path: Path, matrix: Redistribution, origin: Origin) -> None:
    """Write a matrix, its rows in groups, and the bounds of its channels.

    Channels count from 0 and say so (TLMIN4): one general reader takes F_CHAN as an
    index whatever TLMIN says.
    """
    first, length, packed = [], [], []
    for row in matrix.matrix:
        starts, lengths = groups_of(row)
        first.append(starts.astype(np.int32))
        length.append(lengths.astype(np.int32))
        packed.append(row[row > 0].astype(np.float32))
    low, high = matrix.grid.edges_kev[:-1], matrix.grid.edges_kev[1:]
    channels = matrix.channel_edges_kev.size - 1
    columns = [
        Column(name="ENERG_LO", form="E", values=low, unit="keV", comment="lower edge"),
        Column(name="ENERG_HI", form="E", values=high, unit="keV", comment="upper edge"),
        Column(name="N_GRP", form="J", values=[len(one) for one in first],
               comment="number of groups"),
        Column(name="F_CHAN", form="PJ()", values=_ragged(first), comment="first channels"),
        Column(name="N_CHAN", form="PJ()", values=_ragged(length), comment="lengths"),
        Column(name="MATRIX", form="PE()", values=_ragged(packed),
               comment="share of photons in each channel"),
        Column(name="LOSS", form="E", values=matrix.loss,
               comment="share that no channel counts"),
    ]  # fmt: skip
    both = [
        ("CHANTYPE", "PI", "channels of corrected pulse height"),
        ("DETCHANS", channels, "number of channels"),
    ]
    more = [
        *both,
        ("TLMIN4", 0, "first channel"),
        ("TLMAX4", channels - 1, "last channel"),
        ("NUMGRP", sum(len(one) for one in first), "number of groups"),
        ("NUMELT", sum(len(one) for one in packed), "number of stored elements"),
        ("LO_THRES", matrix.threshold, "smaller elements are not stored"),
        ("RMFVERSN", "1992a", "name of the layout in older software"),
    ]
    rows = standard_extension(MATRIX, columns, origin, _DESCRIBED, more)
    bounds = [
        Column(name="CHANNEL", form="J", values=np.arange(channels), comment="channel"),
        Column(name="E_MIN", form="E", values=matrix.channel_edges_kev[:-1], unit="keV",
               comment="lower edge, nominal"),
        Column(name="E_MAX", form="E", values=matrix.channel_edges_kev[1:], unit="keV",
               comment="upper edge, nominal"),
    ]  # fmt: skip
    limits = [*both, ("TLMIN1", 0, "first channel"), ("TLMAX1", channels - 1, "last")]
    nominal = standard_extension(CHANNELS, bounds, origin, _DESCRIBED, limits)
    measured = [_fitted(matrix.fitted, origin)] if matrix.fitted else []
    write_file(path, [rows, nominal, *measured], origin)


def _fitted(lines: Sequence[FittedLine], origin: Origin) -> object:
    """Measured lines with what is not known of their shapes; no standard has a place."""
    columns = [
        Column(name="ENERGY", form="D", values=[one.energy_kev for one in lines],
               unit="keV", comment="energy of the line"),
        Column(name="COUNTS", form="D", values=[one.counts for one in lines],
               unit="count", comment="counts it was fitted to"),
    ]  # fmt: skip
    for name, numbers, unit, words in (
        ("FWHM", [one.full_width_ev for one in lines], "eV", "full width of the core"),
        ("ESCAPE", [one.escape_fraction for one in lines], "", "share of the photons"),
        ("SHELF", [one.shelf_fraction for one in lines], "", "share of the photons"),
    ):
        values = [one.value for one in numbers]
        errors = [one.uncertainty for one in numbers]
        columns += [
            Column(name=name, form="D", values=values, unit=unit, comment=words),
            Column(name=f"{name}_ERR", form="D", values=errors, unit=unit,
                   comment="standard uncertainty"),
        ]  # fmt: skip
    return own_extension(LINES, "measured lines behind MATRIX", columns, origin)


def _ragged(rows: list[np.ndarray]) -> np.ndarray:
    """Rows of different lengths, in the form in which columns take them."""
    out = np.empty(len(rows), dtype=object)
    out[:] = rows
    return out
