"""How exactly alignment bars have to hold reflectors to keep the image small.

Bars differ by chance, and between two bars a reflector is taken to follow the straight line
between their errors. Each azimuth's light then moves along its own radius, which is where
the errors of the reflectors themselves spread it already.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import astropy.units as u
import numpy as np
from astropy.units import Quantity
from scipy.optimize import brentq
from scipy.special import erf, ndtr

from beamreduce.errors import SettingsError
from beamreduce.mirror.bar_errors import BAR_ENDS, BarSensitivity
from beamreduce.mirror.prescription import Prescription, lit_area_cm2
from beamreduce.statistics import IN_PLANE_HPD
from beamreduce.units import convert, positive_in, value_in

# From a bar to the middle between two: places, their weights, and how much of a bar's
# variance is there. Beyond the middle it is the same.
_BETWEEN, _WEIGHTS = np.polynomial.legendre.leggauss(8)
_BETWEEN, _WEIGHTS = (_BETWEEN + 1) / 4, _WEIGHTS / 2
_VARIANCE = (1 - _BETWEEN) ** 2 + _BETWEEN**2
_EDGES = np.linspace(0.0, 10.0, 401)  # of a normal law, in half-power radii
_NO_LEAN_ARCMIN = 600.0
_SAME = 1e-6  # two half-power diameters this close are one


@dataclass(frozen=True, kw_only=True)
class InPlaneLight:
    """How the light of each azimuth is spread along its own radius without bar errors.

    Parameters
    ----------
    radius_arcsec
        Radii about the axis, rising from 0, shape (radii,).
    fraction
        Share of the light inside, 0 to 1, shape (radii,); even between two radii.
    """

    radius_arcsec: np.ndarray
    fraction: np.ndarray

    @classmethod
    def normal(cls, hpd: Quantity) -> "InPlaneLight":
        """Return a normal law of a half-power diameter."""
        half = positive_in(hpd, u.arcsec, name="core_hpd") / 2
        fraction = erf(_EDGES * IN_PLANE_HPD / math.sqrt(8))
        return cls(radius_arcsec=half * _EDGES, fraction=fraction / fraction[-1])

    @classmethod
    def from_curve(cls, radius: Quantity, fraction: np.ndarray) -> "InPlaneLight":
        """Return the light of a curve of encircled energy.

        Parameters
        ----------
        radius
            Radii, an angle, rising from 0, shape (radii,).
        fraction
            Encircled energy, 1 at the last radius, shape (radii,).
        """
        at = convert(radius, u.arcsec, name="radius").value
        return cls(radius_arcsec=at, fraction=np.asarray(fraction, dtype=float))

    @property
    def hpd_arcsec(self) -> float:
        """Its half-power diameter."""
        return 2 * float(np.interp(0.5, self.fraction, self.radius_arcsec))

    def inside(self, radius_arcsec: float, sigma_arcsec: np.ndarray) -> np.ndarray:
        """Return the share inside a radius once moved by normal laws, shape of sigma.

        An even piece of light from a to b, of either side of the axis, moved by a normal
        law: differences of ``G(t) = t Φ(t/σ) + σ φ(t/σ)``, the integral of the law's own.
        """
        edges = self.radius_arcsec
        dense = np.diff(self.fraction) / np.diff(edges)
        sigma = np.maximum(sigma_arcsec, 1e-9 * edges[-1])[..., None]
        there = _ramp(radius_arcsec - edges, sigma) - _ramp(-radius_arcsec - edges, sigma)
        return -np.diff(there, axis=-1) @ dense


def _ramp(t: np.ndarray, sigma: np.ndarray) -> np.ndarray:
    x = t / sigma
    return t * ndtr(x) + sigma * np.exp(-0.5 * x * x) / math.sqrt(2 * math.pi)


@dataclass(frozen=True, kw_only=True)
class BarBudget:
    """Bar errors that keep the half-power diameter below a target.

    Parameters
    ----------
    target_arcsec, core_arcsec
        Half-power diameter aimed at, and that without bar errors.
    radial_um
        Rms radial error of every groove of every bar, all four ends alike.
    radial_alone_um
        By end: the same if only the bars of that end were off.
    lean_arcmin
        Rms lean of every bar with exact grooves; None where it hardly matters.
    """

    target_arcsec: float
    core_arcsec: float
    radial_um: float
    radial_alone_um: Mapping[str, float]
    lean_arcmin: float | None


def bar_budget(
    prescription: Prescription,
    sensitivities: Sequence[BarSensitivity],
    *,
    core: InPlaneLight,
    target_hpd: Quantity,
) -> BarBudget:
    """Return the bar errors with which the half-power diameter reaches its target.

    Parameters
    ----------
    prescription
        The mirror: nestings weigh by the area they show to a star.
    sensitivities
        Of the same nestings.
    core
        The light without bar errors.
    target_hpd
        Not to be exceeded.

    Notes
    -----
    Errors of different bars and ends are independent and normal. At a place between two
    bars the image is moved by a normal law of variance ``Σ s² σ² ((1 − w)² + w²)``, over
    ends of sensitivity s, which spreads the core; the half-power diameter is that
    of all places and nestings together.

    Raises
    ------
    SettingsError
        When the target leaves nothing for the bars, or nestings do not match.
    """
    target = positive_in(target_hpd, u.arcsec, name="target_hpd")
    if target <= core.hpd_arcsec * (1 + _SAME):
        raise SettingsError(
            f"target_hpd must exceed the half-power diameter without bar errors, "
            f"{core.hpd_arcsec:.4g} arcsec; got {target_hpd}"
        )
    area, radial = _weighed(prescription, sensitivities)
    shifts = np.array(
        [[s.shift_arcsec_per_um[end] for end in BAR_ENDS] for s in sensitivities]
    )
    leans = np.array(
        [[s.shift_arcsec_per_arcmin[end] for end in BAR_ENDS] for s in sensitivities]
    )

    def allowed(per_unit: np.ndarray) -> float:
        """Error at which the target is reached, per_unit being arcsec a unit of error."""
        if not np.any(per_unit):
            return math.inf

        def beyond(error: float) -> float:
            return 0.5 - _inside(area, core, per_unit * error, target / 2)

        high = target / float(np.max(per_unit))
        while beyond(high) < 0:
            high *= 2
        return brentq(beyond, 0.0, high, xtol=1e-9 * high)

    lean = allowed(np.sqrt((leans**2).sum(axis=1)))
    return BarBudget(
        target_arcsec=target,
        core_arcsec=core.hpd_arcsec,
        radial_um=allowed(radial),
        radial_alone_um={
            end: allowed(np.abs(shifts[:, i])) for i, end in enumerate(BAR_ENDS)
        },
        lean_arcmin=None if lean > _NO_LEAN_ARCMIN else lean,
    )


def hpd_with_bar_errors(
    prescription: Prescription,
    sensitivities: Sequence[BarSensitivity],
    *,
    core: InPlaneLight,
    radial_error: Quantity,
) -> Quantity:
    """Return the half-power diameter with radial errors of every groove, rms.

    Raises
    ------
    SettingsError
        When nestings do not match.
    """
    area, radial = _weighed(prescription, sensitivities)
    size = radial * value_in(radial_error, u.um, name="radial_error")
    largest = core.radius_arcsec[-1] + 8 * float(size.max())
    half = brentq(
        lambda radius: _inside(area, core, size, radius) - 0.5, 0.0, largest, xtol=1e-9
    )
    return 2 * half * u.arcsec


def point_hpd_arcsec(shift_arcsec: float) -> float:
    """Return the half-power diameter of a point that bars move, each by so much rms.

    Between bars errors partly cancel, so it is less than 1.349 shifts.
    """
    sigma = np.sqrt(2 * _VARIANCE)
    half = brentq(lambda r: float(erf(r / sigma) @ _WEIGHTS) - 0.5, 0.0, 10.0)
    return 2 * half * abs(shift_arcsec)


def _weighed(
    prescription: Prescription, sensitivities: Sequence[BarSensitivity]
) -> tuple[np.ndarray, np.ndarray]:
    """Share of the light by nesting, and its rms move for 1 µm rms of all four ends."""
    if [s.nesting for s in sensitivities] != [n.number for n in prescription.nestings]:
        raise SettingsError("sensitivities must be those of the same nestings; got others")
    area = np.array([lit_area_cm2(nesting) for nesting in prescription.nestings])
    return area / area.sum(), np.array([s.radial_arcsec_per_um for s in sensitivities])


def _inside(
    area: np.ndarray, core: InPlaneLight, moved_arcsec: np.ndarray, radius_arcsec: float
) -> float:
    """Share of the light inside a radius, bars moving each nesting by so much rms."""
    sigma = np.outer(moved_arcsec, np.sqrt(_VARIANCE))
    return float(area @ core.inside(radius_arcsec, sigma) @ _WEIGHTS)
