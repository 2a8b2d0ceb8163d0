"""How far rough surfaces scatter: the width that describes the measured rings best."""

from collections.abc import Sequence
from dataclasses import replace
from functools import cache

import numpy as np

from beamreduce.infinity.configuration import Measured, Resolution, rings_to_fold
from beamreduce.infinity.fold import describe
from beamreduce.infinity.optics import Optics

_TRIED = (0.35, 1.0, 2.8, 8.0)  # half-power diameters
_FINER = 1.7
_MATTERS = 0.003  # of the light
WIDTH_FACTOR = 1.5  # up and down, for the spread of the answer


def scatter_width(
    optics: Optics, measured: Sequence[Measured], resolution: Resolution
) -> float:
    """Return the standard deviation of the angle of scatter, rad; 0 on smooth surfaces.

    How much is scattered follows from the roughness; how far depends on how the roughness
    is spread over lengths along the surface, which campaigns do not declare. Where so
    little light is scattered that it cannot matter, the width is that of the image.
    """
    if optics.light.reflectivity.shape[2] == 1:
        return 0.0
    if scattered_share(optics) < _MATTERS:
        return resolution.hpd_rad
    coarse = replace(resolution.coarser(), turned=False)
    rings = rings_to_fold(optics, measured, coarse)

    @cache
    def chi_square(width: float) -> float:
        ladder = replace(coarse, scatter_rad=width).ladder
        return describe(rings, ladder).mixture.chi_square

    best = min((factor * resolution.hpd_rad for factor in _TRIED), key=chi_square)
    return min((best / _FINER, best, best * _FINER), key=chi_square)


def scattered_share(optics: Optics) -> float:
    """Return the largest share, over energies, of light that one reflection scatters."""
    shares = optics.light.reflectivity
    angles = np.array([n.primary_angle_rad for n in optics.prescription.nestings])
    place = np.rint(angles / optics.light.angle_step_rad).astype(int)
    place = np.minimum(place, shares.shape[-1] - 1)
    coating = optics.light.coating_of_nesting
    coating = np.zeros(angles.size, int) if coating is None else coating
    mirrored, scattered = (shares[coating, :, way, place].sum(axis=0) for way in (0, 1))
    return float(np.max(scattered / np.maximum(mirrored + scattered, 1e-300)))
