"""Noise of masters that two sums of frames have in common.

An error of a master is in every frame it calibrates. In the difference of two sums that
use the same masters, beam less scaled beam-off, it cancels in part or whole:
``var(A − s B) = var(A) + s² var(B) − 2 s cov(A, B)``. With A of n frames and T seconds,
B of m frames and U seconds, a bias taken off in each frame and a dark rate that was found
with that bias (weight w, see :class:`~beamreduce.frame.DarkRate`):

``cov = (n − w T)(m − w U) var(bias) + T U var(rate)``, and ``n m var(dark)`` for a dark of
the same time taken off whole (derived; JCGM 100:2008, 5.2.2). With ``s = T/U`` and frames
of one time all of it cancels. A flat's error is in proportion to the photons divided by it:
``cov = A B var(flat)/flat²``.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import astropy.units as u
import numpy as np

from beamreduce.campaign.measurement_inputs import CalibratedBy
from beamreduce.frame.calibrate import response_of
from beamreduce.frame.master import MasterFrame
from beamreduce.frame.master_set import MasterSet
from beamreduce.frame.matched_masters import master_key


@dataclass(frozen=True, kw_only=True)
class SummedFrames:
    """Exposures and the photons in their sum, shape (ny, nx)."""

    exposures: Sequence[CalibratedBy]
    photons: np.ndarray


@dataclass(frozen=True)
class _Part:
    """The exposures of a sum that share all their masters."""

    item: CalibratedBy
    count: int
    seconds: float
    share: float  # of the seconds of the whole sum


def shared_covariance(
    one: SummedFrames,
    two: SummedFrames,
    *,
    masters: Callable[[CalibratedBy], MasterSet],
    adu_per_photon: float,
) -> np.ndarray | float:
    """Return the covariance a pixel that common masters give two sums, in photons².

    Parameters
    ----------
    one, two
        The sums. Where a sum uses several flats its photons are divided among them by
        exposure time.
    masters
        Returns the masters of an exposure.
    adu_per_photon
        Of both sums.

    Returns
    -------
    Zero where they have no master in common. Exposures that share some masters of one
    kind but not all of them count as having none in common.
    """
    total: np.ndarray | float = 0.0
    for first in _parts(one.exposures):
        for second in _parts(two.exposures):
            if _pedestal_key(first.item) == _pedestal_key(second.item):
                noise = _pedestal_covariance(masters(first.item), first, second)
                noise = noise / response_of(masters(first.item))
                noise = noise / response_of(masters(second.item))
                total = total + noise / adu_per_photon**2
            if first.item.flat and first.item.flat == second.item.flat:
                noise = _flat_covariance(masters(first.item), one.photons, two.photons)
                total = total + noise * (first.share * second.share)
    return total


def _parts(exposures: Sequence[CalibratedBy]) -> list[_Part]:
    alike: dict[tuple, list[CalibratedBy]] = {}
    for item in exposures:
        alike.setdefault(master_key(item), []).append(item)
    whole = sum(_seconds(item) for item in exposures)
    return [
        _Part(items[0], len(items), seconds := sum(map(_seconds, items)), seconds / whole)
        for items in alike.values()
    ]


def _seconds(item: CalibratedBy) -> float:
    return float(item.exposure.exposure_time.to_value(u.s))


def _pedestal_key(item: CalibratedBy) -> tuple:
    bias, dark, _, _, use = master_key(item)
    return bias, dark, use


def _pedestal_covariance(masters: MasterSet, one: _Part, two: _Part) -> np.ndarray | float:
    bias, dark = masters.bias, masters.dark
    if isinstance(dark, MasterFrame):
        return dark.variance * float(one.count * two.count)
    if bias is None:
        return 0.0
    if dark is None:
        return bias.variance * float(one.count * two.count)
    left = (one.count - one.seconds * dark.bias_weight) * (
        two.count - two.seconds * dark.bias_weight
    )
    return bias.variance * left + dark.variance * (one.seconds * two.seconds)


def _flat_covariance(masters: MasterSet, one: np.ndarray, two: np.ndarray) -> np.ndarray:
    response = response_of(masters)
    return one * two * masters.flat.variance / response / response
