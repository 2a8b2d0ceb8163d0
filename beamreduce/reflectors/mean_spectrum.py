"""What the spectra of many maps look like together, stage by stage."""

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from beamreduce.reflectors.grading import STAGES
from beamreduce.reflectors.map_list import Reflector
from beamreduce.reflectors.measure_map import MapNumbers

_SIGMA = (15.865525393145708, 50.0, 84.1344746068543)  # per cent of a normal law


@dataclass(frozen=True, kw_only=True)
class MeanSpectrum:
    """Spectra along the light of all maps of a stage with the same bands.

    Parameters
    ----------
    name
        The stage.
    maps
        How many there are.
    frequency_per_mm
        Centers of the bands, shape (n,).
    median_nm2_mm
        One-sided spectrum, shape (n,).
    low_nm2_mm, high_nm2_mm
        Between them lie 68 % of the maps.
    """

    name: str
    maps: int
    frequency_per_mm: np.ndarray
    median_nm2_mm: np.ndarray
    low_nm2_mm: np.ndarray
    high_nm2_mm: np.ndarray


def mean_spectra(
    reflectors: Sequence[Reflector], maps: Mapping[str, MapNumbers]
) -> tuple[MeanSpectrum, ...]:
    """Return the spectrum of each stage, of the maps with the most usual bands."""
    found = []
    for stage in STAGES:
        bands = [
            maps[row.map].bands
            for reflector in reflectors
            if reflector.stage == stage
            for row in reflector.maps
            if maps[row.map].bands is not None
        ]
        kinds = Counter((b.first, len(b.line_nm2)) for b in bands)
        if not kinds:
            continue
        usual = max(kinds, key=lambda kind: (kinds[kind], kind))
        same = [b for b in bands if (b.first, len(b.line_nm2)) == usual]
        # The map of a band without a frequency has none in all maps of that size.
        there = np.isfinite(same[0].line_density_nm2_um)
        densities = np.array([b.line_density_nm2_um[there] for b in same]) / 1000
        low, middle, high = np.percentile(densities, _SIGMA, axis=0)
        found.append(
            MeanSpectrum(
                name=stage,
                maps=len(same),
                frequency_per_mm=same[0].centers_per_um[there] * 1000,
                median_nm2_mm=middle,
                low_nm2_mm=low,
                high_nm2_mm=high,
            )
        )
    return tuple(found)
