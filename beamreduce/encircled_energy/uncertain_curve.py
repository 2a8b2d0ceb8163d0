"""An encircled-energy curve with all that makes it unsure, and what moves it as a whole."""

from dataclasses import dataclass, replace

import numpy as np

from beamreduce.encircled_energy.curve import NetRings, encircled_energy
from beamreduce.errors import MeasurementError
from beamreduce.units import arcsec_per_mm


@dataclass(frozen=True, kw_only=True)
class CurveTerm:
    """One cause that moves all points of a curve together.

    Parameters
    ----------
    term, kind
        As in the uncertainty budget; kind is ``systematic`` or ``model``.
    change
        Change of the curve by one standard uncertainty, shape (n,), with its sign.
    """

    term: str
    kind: str
    change: np.ndarray


@dataclass(frozen=True, kw_only=True)
class UncertainCurve:
    """Encircled energy over the angle from the center, 1 at the reference radius.

    Parameters
    ----------
    radius_arcsec
        Shape (n,), rising; the last one is the reference radius.
    fraction
        Shape (n,).
    covariance
        Statistical covariance of ``fraction``, shape (n, n).
    terms
        Everything else that makes it unsure.
    """

    radius_arcsec: np.ndarray
    fraction: np.ndarray
    covariance: np.ndarray
    terms: tuple[CurveTerm, ...] = ()

    @property
    def whole_covariance(self) -> np.ndarray:
        """Covariance of all kinds together, shape (n, n)."""
        changes = np.array([term.change for term in self.terms])
        extra = changes.T @ changes if changes.size else 0.0
        return self.covariance + extra

    @property
    def uncertainty(self) -> np.ndarray:
        """Combined standard uncertainty, shape (n,)."""
        return np.sqrt(np.maximum(self.whole_covariance.diagonal(), 0.0))

    def part(self, kind: str) -> np.ndarray:
        """Return the standard uncertainty of one kind, shape (n,)."""
        if kind == "statistical":
            return np.sqrt(np.maximum(self.covariance.diagonal(), 0.0))
        squares = [term.change**2 for term in self.terms if term.kind == kind]
        return np.sqrt(np.sum(squares, axis=0)) if squares else np.zeros(self.fraction.size)

    def at(self, radius_arcsec: np.ndarray) -> "UncertainCurve":
        """Return the curve at other radii; the last need not be the reference radius.

        Within a ring the energy rises with the square of the radius.

        Raises
        ------
        MeasurementError
            When a radius is beyond the reference radius.
        """
        if radius_arcsec[-1] > self.radius_arcsec[-1] * (1 + 1e-9):
            raise MeasurementError(
                f"radii must not be beyond the reference radius "
                f"({self.radius_arcsec[-1]:g} arcsec); got {radius_arcsec[-1]:g} arcsec"
            )
        known = np.concatenate([[0.0], self.radius_arcsec**2])
        basis = np.eye(known.size)[1:]
        weights = np.array([np.interp(radius_arcsec**2, known, row) for row in basis])
        return self._mapped(np.asarray(radius_arcsec), weights.T)

    def within(self, reference_arcsec: float) -> "UncertainCurve":
        """Return the curve with another, smaller reference radius."""
        kept = self.radius_arcsec[self.radius_arcsec < reference_arcsec * (1 - 1e-9)]
        cut = self.at(np.append(kept, reference_arcsec))
        total = cut.fraction[-1]
        fraction = cut.fraction / total
        # d(E/E_R) = (dE − E/E_R dE_R)/E_R
        weights = np.eye(fraction.size) / total
        weights[:, -1] -= fraction / total
        return replace(cut._mapped(cut.radius_arcsec, weights), fraction=fraction)

    def _mapped(self, radius_arcsec: np.ndarray, weights: np.ndarray) -> "UncertainCurve":
        return UncertainCurve(
            radius_arcsec=radius_arcsec,
            fraction=weights @ self.fraction,
            covariance=weights @ self.covariance @ weights.T,
            terms=tuple(replace(term, change=weights @ term.change) for term in self.terms),
        )


def measured_curve(
    net: NetRings, *, pixel_size: float = 0.0, detector_distance: float = 0.0
) -> UncertainCurve:
    """Return the curve of measured rings with all declared and model uncertainties.

    Parameters
    ----------
    net
        Net photons in rings.
    pixel_size, detector_distance
        Relative standard uncertainties. The reference radius keeps its angle.

    Notes
    -----
    The center's own uncertainty moves the curve by less than a hundredth of its counting
    noise (it enters in second order) and is left out.
    """
    curve = encircled_energy(net)
    modes = [("background scale", "systematic", mode) for mode in net.systematic_modes] + [
        ("choice of background model", "model", mode) for mode in net.model_modes
    ]
    terms = [(term, kind, _with_background(net, mode)) for term, kind, mode in modes]
    if not np.allclose(net.scale, 1.0, atol=1e-6):
        uncovered = np.cumsum(net.photons / net.scale)
        change = (uncovered / uncovered[-1] - curve.fraction) / 2
        terms.append(("area without usable pixels", "systematic", change))
    terms.append(("pixel size", "systematic", _with_scale(curve.fraction, net, pixel_size)))
    # A longer distance makes angles smaller.
    moved = -_with_scale(curve.fraction, net, detector_distance)
    terms.append(("detector distance", "systematic", moved))
    return UncertainCurve(
        radius_arcsec=net.radius_mm * arcsec_per_mm(net.detector_distance_mm),
        fraction=curve.fraction,
        covariance=curve.covariance,
        terms=tuple(
            CurveTerm(term=term, kind=kind, change=change)
            for term, kind, change in terms
            if np.any(change)
        ),
    )


def _with_background(net: NetRings, mode: np.ndarray) -> np.ndarray:
    """Change of the curve as the background rises by a mode, to first order."""
    growth = net.growth
    less = -np.cumsum(net.scale * mode)
    return (less - growth / growth[-1] * less[-1]) / growth[-1]


def _with_scale(fraction: np.ndarray, net: NetRings, relative: float) -> np.ndarray:
    """Change of the curve as all lengths in the image become larger by a part."""
    squares = np.concatenate([[0.0], net.radius_mm**2])
    known = np.concatenate([[0.0], fraction])
    # Half of both ways: the slope is not the same in the rings on either side.
    smaller, larger = (
        np.interp(net.radius_mm**2 * factor, squares, known)
        for factor in ((1 + relative) ** -2, (1 + relative) ** 2)
    )
    change = (smaller - larger) / 2
    change[-1] = smaller[-1] - fraction[-1]  # nothing is known beyond
    return change - fraction * change[-1]
