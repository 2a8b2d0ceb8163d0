"""The energies of response files: even, in equal ratios, or finer at absorption edges."""

from collections.abc import Sequence
from dataclasses import dataclass

import astropy.units as u
import numpy as np
from astropy.units import Quantity

from beamreduce.errors import SettingsError
from beamreduce.units import positive_in, value_in

SPACINGS = ("linear", "log")
_MOST_BINS = 200_000


@dataclass(frozen=True, kw_only=True)
class EnergyGrid:
    """Bins of photon energy.

    Parameters
    ----------
    edges_kev
        Rising, shape (bins + 1,).
    spacing
        How they were chosen, for the record.
    """

    edges_kev: np.ndarray
    spacing: str

    def __post_init__(self) -> None:
        edges = np.asarray(self.edges_kev, dtype=float)
        if edges.ndim != 1 or edges.size < 2 or not np.isfinite(edges).all():
            raise SettingsError("energy edges must be a list of at least two numbers")
        falls = np.flatnonzero(np.diff(edges) <= 0)
        if falls.size:
            at = int(falls[0])
            raise SettingsError(
                f"energy edges must rise; got {edges[at]:g} keV followed by "
                f"{edges[at + 1]:g} keV (edges {at + 1} and {at + 2})"
            )
        if edges[0] <= 0:
            raise SettingsError(f"energy edges must be above zero; got {edges[0]:g} keV")
        if edges.size > _MOST_BINS:
            raise SettingsError(
                f"at most {_MOST_BINS} energy bins; got {edges.size - 1} (is the step "
                f"right?)"
            )
        object.__setattr__(self, "edges_kev", edges)

    @property
    def centers_kev(self) -> np.ndarray:
        """Middle of each bin."""
        return (self.edges_kev[1:] + self.edges_kev[:-1]) / 2

    @property
    def bins(self) -> int:
        """Number of bins."""
        return self.edges_kev.size - 1


def linear_grid(lowest: Quantity, highest: Quantity, step: Quantity) -> EnergyGrid:
    """Return even bins from end to end; the last one takes what the step leaves over."""
    low, high = _ends(lowest, highest)
    width = positive_in(step, u.keV, name="step")
    count = (high - low) / width
    if not count < _MOST_BINS:
        raise SettingsError(f"at most {_MOST_BINS} energy bins; got {count:.3g} steps")
    bins = max(round(count), 1)  # the last one by half a step longer or shorter
    edges = low + width * np.arange(bins + 1)
    edges[-1] = high
    return EnergyGrid(edges_kev=edges, spacing="linear")


def log_grid(lowest: Quantity, highest: Quantity, bins: int) -> EnergyGrid:
    """Return bins in equal ratios."""
    low, high = _ends(lowest, highest)
    if not 1 <= bins < _MOST_BINS:
        raise SettingsError(f"bins must be from 1 to {_MOST_BINS}; got {bins}")
    return EnergyGrid(edges_kev=np.geomspace(low, high, bins + 1), spacing="log")


def edge_refined(
    grid: EnergyGrid, edges: Sequence[float], *, width: Quantity, step: Quantity
) -> EnergyGrid:
    """Return a grid with fine bins about absorption edges, and a boundary on each edge.

    Parameters
    ----------
    grid
        Coarse bins.
    edges
        Energies of absorption edges in keV; those outside the grid are left out.
    width
        Fine bins reach so far to either side.
    step
        Width of a fine bin.
    """
    reach = positive_in(width, u.keV, name="refine_width")
    fine = positive_in(step, u.keV, name="refine_step")
    low, high = grid.edges_kev[0], grid.edges_kev[-1]
    extra = [
        edge + fine * np.arange(-round(reach / fine), round(reach / fine) + 1)
        for edge in edges
        if low < edge < high
    ]
    if not extra:
        return EnergyGrid(edges_kev=grid.edges_kev, spacing=f"{grid.spacing}, edge-refined")
    fresh = np.unique(np.concatenate(extra))
    fresh = fresh[(fresh > low) & (fresh < high)]
    # A coarse boundary next to a fine one would make a sliver.
    place = np.clip(np.searchsorted(fresh, grid.edges_kev), 1, max(fresh.size - 1, 1))
    near = np.minimum(
        np.abs(grid.edges_kev - fresh[place - 1]),
        np.abs(grid.edges_kev - fresh[np.minimum(place, fresh.size - 1)]),
    )
    kept = grid.edges_kev[(near > fine / 2) | np.isin(grid.edges_kev, (low, high))]
    merged = np.unique(np.concatenate([kept, fresh]))
    # Two edges closer than twice the reach have fine bins that interleave.
    whole = np.concatenate([[True], np.diff(merged) > fine / 20])
    return EnergyGrid(edges_kev=merged[whole], spacing=f"{grid.spacing}, edge-refined")


def absorption_edges_kev(formula: str) -> tuple[float, ...]:
    """Return the absorption edges of the elements of a coating, rising.

    As tabulated by Elam, Ravel & Sieber 2002 (Radiat. Phys. Chem. 63, 121), carried by
    xraydb.
    """
    import xraydb  # noqa: PLC0415 - opens its database
    from periodictable import formula as read  # noqa: PLC0415

    symbols = sorted({atom.symbol for atom in read(formula).atoms})
    energies = {
        edge.energy / 1000 for s in symbols for edge in xraydb.xray_edges(s).values()
    }
    return tuple(sorted(energies))


def _ends(lowest: Quantity, highest: Quantity) -> tuple[float, float]:
    low = positive_in(lowest, u.keV, name="lowest energy")
    high = value_in(highest, u.keV, name="highest energy")
    if high <= low:
        raise SettingsError(
            f"the highest energy must be above the lowest; got {low:g} and {high:g} keV "
            f"(are the two swapped?)"
        )
    return low, high
