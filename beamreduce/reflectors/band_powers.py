"""Mean square heights in bands of spatial frequency that are the same for every map.

Ten bands a decade, at fixed edges, so that maps of other sizes and magnifications can be
compared and averaged without keeping their spectra.
"""

import math
from dataclasses import dataclass

import numpy as np

from beamreduce.record import Uncertain
from beamreduce.reflectors.power_spectrum import AreaSpectrum, LineSpectrum, band_of
from beamreduce.reflectors.scatter import Halo

BANDS_A_DECADE = 10


@dataclass(frozen=True, kw_only=True)
class BandPowers:
    """What a map has in each band that lies within what it shows.

    Parameters
    ----------
    first
        Number of the lowest band; band k reaches from ``10^(k/10)`` to ``10^((k+1)/10)``
        waves per um.
    area_nm2
        Mean square height of the waves in the band, all directions, shape (n,).
    area_squares_nm4
        Variance of that, from the squares of the single frequencies' shares.
    line_nm2
        Mean square height in the one-sided spectrum along the light, shape (n,).
    line_density_nm2_um
        Mean of that spectrum in the band; NaN where no frequency falls into it.
    """

    first: int
    area_nm2: np.ndarray
    area_squares_nm4: np.ndarray
    line_nm2: np.ndarray
    line_density_nm2_um: np.ndarray

    @property
    def edges_per_um(self) -> np.ndarray:
        """Edges of the bands, shape (n + 1,)."""
        return 10 ** (np.arange(self.first, self.first + len(self.area_nm2) + 1)
                      / BANDS_A_DECADE)  # fmt: skip

    @property
    def centers_per_um(self) -> np.ndarray:
        """Geometric centers of the bands, shape (n,)."""
        edges = self.edges_per_um
        return np.sqrt(edges[:-1] * edges[1:])

    @property
    def halo(self) -> Halo | None:
        """How the waves along the light spread scattered light; None without any."""
        if not len(self.line_nm2) or not self.line_nm2.sum() > 0:
            return None
        return Halo(edges_per_um=self.edges_per_um[1:], mean_square_nm2=self.line_nm2)

    def rms_nm(self, first: int, last: int) -> Uncertain:
        """Return the rms height of the bands from ``first`` to before ``last``."""
        part = slice(first - self.first, last - self.first)
        total = float(self.area_nm2[part].sum())
        if total <= 0:
            return Uncertain(value=0.0, statistical=0.0)
        spread = math.sqrt(float(self.area_squares_nm4[part].sum()))
        return Uncertain(
            value=math.sqrt(total), statistical=0.5 * spread / math.sqrt(total)
        )


def band_powers(area: AreaSpectrum, line: LineSpectrum) -> BandPowers:
    """Sort the spectra of a map into the fixed bands.

    Parameters
    ----------
    area
        In two dimensions.
    line
        Along the light.
    """
    low, high = (BANDS_A_DECADE * math.log10(edge) for edge in band_of(area))
    first, last = math.ceil(low - 1e-9), max(math.ceil(low), math.floor(high + 1e-9))
    bands = np.arange(first, last + 1) / BANDS_A_DECADE
    n = len(bands) - 1
    radius = area.radius_per_um.ravel()
    power = area.power_nm2_um2.ravel() * area.cell_per_um2
    # A frequency on an edge belongs to the band above it, whatever the rounding.
    edges = 10**bands * (1 - 1e-9)
    which = np.searchsorted(edges, radius, side="right") - 1
    inside = (which >= 0) & (which < n)
    along = np.searchsorted(edges, line.frequency_per_um, side="right") - 1
    held = (along >= 0) & (along < n)
    sums = np.bincount(along[held], line.power_nm2_um[held], minlength=n)
    counts = np.bincount(along[held], minlength=n)
    density = np.full(n, np.nan)
    np.divide(sums, counts, out=density, where=counts > 0)
    return BandPowers(
        first=first,
        area_nm2=np.bincount(which[inside], power[inside], minlength=n),
        area_squares_nm4=area.correlation
        * np.bincount(which[inside], power[inside] ** 2, minlength=n),
        line_nm2=sums * line.step_per_um,
        line_density_nm2_um=density,
    )
