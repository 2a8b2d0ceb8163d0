"""How slope errors, or angles of scatter, are distributed: any law, as its quantiles."""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from scipy.special import ndtr, ndtri

from beamreduce.errors import SettingsError

STEPS = 8192  # equal steps of probability; straight lines between
_FINER = 256  # within the first and last step, where a law has its tails
_LARGEST_RAD = 0.1  # half-angles beyond this are no slope error of a mirror


@dataclass(frozen=True, kw_only=True)
class ErrorLaw:
    """A distribution of angles, as its inverse cumulative distribution.

    Parameters
    ----------
    quantiles_rad
        Angles in rising order at ``STEPS + 1`` equal steps of probability from 0 to 1.
        The first and the last are such that the outermost steps have the right mean.
    """

    quantiles_rad: np.ndarray

    def __post_init__(self) -> None:
        values = np.asarray(self.quantiles_rad, dtype=float)
        if values.shape != (STEPS + 1,):
            raise SettingsError(
                f"quantiles_rad must hold {STEPS + 1} angles; got shape {values.shape}"
            )
        if not np.isfinite(values).all() or np.any(np.diff(values) < 0):
            raise SettingsError("quantiles_rad must be finite and must not fall")
        if np.abs(values).max() > _LARGEST_RAD:
            raise SettingsError(
                f"angles of a law must be within ±{_LARGEST_RAD:g} rad; "
                f"got {values[np.abs(values).argmax()]:g} rad (are they in rad?)"
            )
        object.__setattr__(self, "quantiles_rad", values)

    @property
    def is_zero(self) -> bool:
        """True when every angle is zero."""
        return not self.quantiles_rad.any()

    @property
    def rms_rad(self) -> float:
        """Root mean square of the angles as they will be drawn."""
        a, b = self.quantiles_rad[:-1], self.quantiles_rad[1:]
        return math.sqrt(float(np.mean(a * a + a * b + b * b)) / 3)

    @classmethod
    def none(cls) -> "ErrorLaw":
        """Return the law of a perfect surface: always zero."""
        return cls(quantiles_rad=np.zeros(STEPS + 1))

    @classmethod
    def from_quantile(cls, quantile: Callable[[np.ndarray], np.ndarray]) -> "ErrorLaw":
        """Return a law from its quantile function.

        Parameters
        ----------
        quantile
            Angle in rad for probabilities between 0 and 1, both excluded; vectorised.
            Angles beyond ±0.1 rad are cut off there.
        """
        inner = _within(quantile(np.arange(1, STEPS) / STEPS))
        inside = (np.arange(_FINER) + 0.5) / _FINER / STEPS
        first = min(2 * np.mean(_within(quantile(inside))) - inner[0], inner[0])
        last = max(2 * np.mean(_within(quantile(1 - inside))) - inner[-1], inner[-1])
        return cls(quantiles_rad=_within(np.concatenate([[first], inner, [last]])))

    @classmethod
    def gaussian(cls, sigma_rad: float) -> "ErrorLaw":
        """Return the normal law of a standard deviation."""
        if not sigma_rad >= 0:
            raise SettingsError(f"sigma_rad must not be below zero; got {sigma_rad}")
        return cls.from_quantile(lambda p: sigma_rad * ndtri(p))

    @classmethod
    def mixture(cls, shares: Sequence[float], sigmas_rad: Sequence[float]) -> "ErrorLaw":
        """Return a sum of normal laws about zero, such as a core and a tail."""
        share, sigma = np.asarray(shares, float), np.asarray(sigmas_rad, float)
        if share.shape != sigma.shape or share.ndim != 1 or not share.size:
            raise SettingsError("shares and sigmas_rad must be lists of one length")
        if np.any(share <= 0) or not math.isclose(share.sum(), 1, abs_tol=1e-9):
            raise SettingsError(
                f"shares must not be below zero and add up to 1; got {shares}"
            )
        if not np.all(sigma > 0):
            raise SettingsError(f"sigmas_rad must be above zero; got {sigmas_rad}")
        # Dense where any of the laws changes, from the bulk out to its last quantile.
        deviations = ndtri(np.linspace(1e-9, 1 - 1e-9, 20_001))
        slopes = np.unique(np.concatenate([s * deviations for s in sigma]))
        return cls.from_cumulative(slopes, (share * ndtr(slopes[:, None] / sigma)).sum(1))

    @classmethod
    def lorentzian(cls, half_width_rad: float) -> "ErrorLaw":
        """Return the law ``∝ 1/(1 + (x/h)²)`` of a half width at half maximum h."""
        if not half_width_rad >= 0:
            raise SettingsError(
                f"half_width_rad must not be below zero; got {half_width_rad}"
            )
        return cls.from_quantile(lambda p: half_width_rad * np.tan(np.pi * (p - 0.5)))

    @classmethod
    def ripple(cls, amplitude_rad: float) -> "ErrorLaw":
        """Return the law of a sine of slopes along the surface (arcsine law)."""
        if not amplitude_rad >= 0:
            raise SettingsError(
                f"amplitude_rad must not be below zero; got {amplitude_rad}"
            )
        return cls.from_quantile(lambda p: amplitude_rad * np.sin(np.pi * (p - 0.5)))

    @classmethod
    def from_cumulative(cls, angles_rad: np.ndarray, cumulative: np.ndarray) -> "ErrorLaw":
        """Return a law from its cumulative distribution at rising angles.

        Straight lines between; what lies beyond the first and last is put there.
        """
        angles, share = np.asarray(angles_rad, float), np.asarray(cumulative, float)
        if angles.shape != share.shape or angles.ndim != 1 or angles.size < 2:
            raise SettingsError("angles_rad and cumulative must be lists of one length")
        if np.any(np.diff(angles) <= 0) or np.any(np.diff(share) < 0):
            raise SettingsError("angles_rad must rise, and cumulative must not fall")
        if share[0] < 0 or share[-1] > 1 + 1e-12 or share[-1] == share[0]:
            raise SettingsError("cumulative must rise within 0 to 1")
        return cls.from_quantile(lambda p: np.interp(p, share, angles))

    @classmethod
    def from_slopes(cls, slopes_rad: np.ndarray) -> "ErrorLaw":
        """Return the law of measured slopes, each counting alike."""
        slopes = np.sort(np.ravel(np.asarray(slopes_rad, dtype=float)))
        if slopes.size < 2 or not np.isfinite(slopes).all():
            raise SettingsError("slopes_rad must hold at least two finite angles")
        return cls.from_quantile(lambda p: np.quantile(slopes, p))


def _within(angles_rad: np.ndarray) -> np.ndarray:
    return np.clip(angles_rad, -_LARGEST_RAD, _LARGEST_RAD)
