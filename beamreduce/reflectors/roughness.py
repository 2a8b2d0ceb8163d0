"""Height parameters of a surface (ISO 25178-2), with what one map leaves uncertain."""

import math
from dataclasses import dataclass

import numpy as np

from beamreduce.errors import ReflectorError
from beamreduce.record import Uncertain
from beamreduce.reflectors.height_map import HeightMap
from beamreduce.reflectors.remove_shape import check_enough

HEIGHT_PARAMETERS = ("Sa", "Sq", "Sz", "Ssk", "Sku")


@dataclass(frozen=True, kw_only=True)
class Instrument:
    """What is declared of the profilometer; both enter as systematic uncertainty.

    Parameters
    ----------
    height_scale
        Relative standard uncertainty of the height scale.
    noise_nm
        Rms height of a map of nothing; it adds to Sq in quadrature.
    """

    height_scale: float = 0.0
    noise_nm: float = 0.0


@dataclass(frozen=True, kw_only=True)
class Roughness:
    """Height parameters of one map; Sa, Sq and Sz in nm.

    ``independent_areas`` is how many patches of their own the map holds: with few of them
    another place of the same foil gives other numbers.
    """

    Sa: Uncertain
    Sq: Uncertain
    Sz: Uncertain
    Ssk: Uncertain
    Sku: Uncertain
    independent_areas: float


def roughness(residual: HeightMap, *, instrument: Instrument | None = None) -> Roughness:
    """Return the height parameters of a map whose shape is taken out.

    Parameters
    ----------
    residual
        Heights above the mean surface, as :func:`remove_shape` leaves them.
    instrument
        What is declared of the profilometer.

    Notes
    -----
    ISO 25178-2:2012, section 4.1: ``Sq = √⟨z²⟩``, ``Sa = ⟨|z|⟩``, ``Sz`` the highest less
    the lowest point, ``Ssk = ⟨z³⟩/Sq³``, ``Sku = ⟨z⁴⟩/Sq⁴``; averages over all points.

    One map is a sample of the surface. For normal heights the variance of ``⟨z²⟩`` is
    ``2 Sq⁴ ΣP²/(ΣP)²``, sums over the spatial frequencies of its spectrum P (Priestley
    1981, Spectral Analysis and Time Series, section 5.3); a periodogram has ``⟨P̂²⟩ = 2P²``,
    so ``u(Sq)/Sq = ½ √ΣP̂²/ΣP̂ = 1/√(2N)`` with ``N = 2(ΣP̂)²/ΣP̂²`` independent
    patches. That of Sa is the same share to within 7 %. The extremes of N values follow
    Gumbel's law (Gumbel 1958, Statistics of Extremes, section 5.2):
    ``u(Sz) = Sq π/√(6 ln N)``. Ssk and Sku: ``√(6/N)``, ``√(24/N)``.

    Raises
    ------
    ReflectorError
        When the map has too few heights, or all are the same.
    """
    check_enough(residual)
    heights = residual.height_nm[residual.good]
    heights = heights - heights.mean()
    sq = math.sqrt(float(np.mean(heights**2)))
    if sq == 0:
        raise ReflectorError(
            f"{residual.name}: found the same height everywhere; expected a rough surface; "
            f"check the map's export"
        )
    sa = float(np.mean(np.abs(heights)))
    sz = float(np.ptp(heights))
    areas = _independent_areas(residual)
    share = 1 / math.sqrt(2 * areas)
    declared = _declared(instrument or Instrument(), sq)
    extreme = math.pi / math.sqrt(6 * math.log(max(areas, math.e)))
    scaled = heights / sq
    cubes = scaled * scaled * scaled  # other powers than 2 are slow as **
    return Roughness(
        Sa=Uncertain(value=sa, statistical=sa * share, systematic=sa * declared),
        Sq=Uncertain(value=sq, statistical=sq * share, systematic=sq * declared),
        Sz=Uncertain(value=sz, statistical=sq * extreme, systematic=sz * declared),
        Ssk=Uncertain(value=float(np.mean(cubes)), statistical=math.sqrt(6 / areas)),
        Sku=Uncertain(
            value=float(np.mean(cubes * scaled)), statistical=math.sqrt(24 / areas)
        ),
        independent_areas=areas,
    )


def _declared(instrument: Instrument, sq_nm: float) -> float:
    """Relative systematic uncertainty of a height parameter."""
    noise = 1 - math.sqrt(max(0.0, 1 - (instrument.noise_nm / sq_nm) ** 2))
    return math.hypot(instrument.height_scale, noise)


def _independent_areas(residual: HeightMap) -> float:
    heights = np.where(residual.good, residual.height_nm, 0.0)
    power = np.abs(np.fft.fft2(heights)) ** 2
    areas = 2 * float(power.sum()) ** 2 / float((power**2).sum())
    # Holes make neighbouring frequencies alike; only what is there counts.
    return max(1.0, areas * float(residual.good.mean()))
