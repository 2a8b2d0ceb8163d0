"""Where the uncertainty of a diameter comes from, term by term."""

import math
from dataclasses import dataclass, replace

import astropy.units as u
import numpy as np

from beamreduce.campaign import MeasurementInputs
from beamreduce.encircled_energy import (
    HALF_POWER,
    NINETY,
    Diameters,
    NetRings,
    UncertainCurve,
    crossing_diameters_mm,
    encircled_energy,
    measured_curve,
)
from beamreduce.record import Uncertain
from beamreduce.reduction.locate import Located
from beamreduce.rings import overlap_sums

SHARES = (HALF_POWER, NINETY)


@dataclass(frozen=True, kw_only=True)
class Systematics:
    """Relative standard uncertainties that the campaign declares.

    Parameters
    ----------
    pixel_size
        Of every length on the detector.
    detector_distance
        Of every angle, beside that.
    photon_scale
        Of every number of photons: gain and energy of an electron-hole pair.
    """

    pixel_size: float
    detector_distance: float
    photon_scale: float

    @property
    def angle(self) -> float:
        """Of an angle: pixel size and distance together."""
        return math.hypot(self.pixel_size, self.detector_distance)


@dataclass(frozen=True, kw_only=True)
class DiameterBudget:
    """Diameters with every term of their uncertainty.

    Parameters
    ----------
    diameters_mm
        Share of the photons to diameter in mm, all three kinds of uncertainty filled.
    terms_mm
        (term, kind, standard uncertainty of each share in mm).
    distance
        Relative uncertainty of the detector distance, for the angular form.
    """

    diameters_mm: dict[float, Uncertain]
    terms_mm: tuple[tuple[str, str, tuple[float, ...]], ...]
    distance: float

    def rows(self, arcsec_per_mm: float) -> tuple[dict[str, object], ...]:
        """Return the budget as results.json holds it, in arcsec."""
        values = [self.diameters_mm[share].value for share in SHARES]
        by_distance = tuple(self.distance * value for value in values)
        terms = (*self.terms_mm, ("detector distance", "systematic", by_distance))
        return tuple(
            {
                "term": term,
                "kind": kind,
                "hpd_measured_arcsec": sizes[0] * arcsec_per_mm,
                "w90_measured_arcsec": sizes[1] * arcsec_per_mm,
            }
            for term, kind, sizes in terms
        )


def systematics_of(inputs: MeasurementInputs) -> Systematics:
    """Collect the declared uncertainties that a measurement depends on."""
    detector = inputs.detector
    distance = 0.0
    for row in inputs.beam:
        declared = row.exposure.uncertainties.get("detector_distance")
        if declared is not None:
            ratio = (declared / inputs.detector_distance).to_value(u.one)
            distance = max(distance, float(ratio))
    scale = 0.0
    if detector.integrating:
        scale = math.hypot(
            detector.relative_uncertainty("gain"),
            detector.relative_uncertainty("electron_energy"),
        )
    return Systematics(
        pixel_size=detector.relative_uncertainty("pixel_size"),
        detector_distance=distance,
        photon_scale=scale,
    )


def uncertain_curve(net: NetRings, inputs: MeasurementInputs) -> UncertainCurve:
    """Return the curve of a measurement with all that makes it unsure."""
    systematics = systematics_of(inputs)
    return measured_curve(
        net,
        pixel_size=systematics.pixel_size,
        detector_distance=systematics.detector_distance,
    )


def diameter_budget(
    net: NetRings, diameters: Diameters, located: Located, systematics: Systematics
) -> DiameterBudget:
    """Work out every term of the uncertainty of HPD and W90.

    The bootstrap gives counting and background together; they are told apart by their
    shares in the variance of the curve at that diameter. The center adds the rise of the
    diameters as it moves by its own uncertainty. What the campaign declares of live times
    and monitor changes the scale of the beam-off exposures. Rings with uncovered area add
    half of what filling them evenly changed.
    """
    values = np.array([diameters.of(share).value for share in SHARES])
    total = np.array([diameters.of(share).statistical for share in SHARES])
    background = total * np.sqrt(background_share(net, values))
    counting = np.sqrt(np.maximum(total**2 - background**2, 0.0))
    center = _change_with_center(net, located, values)
    uncovered = _change_without_scaling(net, values)
    scale = np.array([diameters.of(share).systematic for share in SHARES])
    model = np.array([diameters.of(share).model for share in SHARES])
    pixel = systematics.pixel_size * values
    statistical = np.hypot(total, center)
    systematic = np.sqrt(pixel**2 + scale**2 + uncovered**2)
    terms = (
        ("photon counting and detector noise", "statistical", counting),
        ("background level", "statistical", background),
        ("center", "statistical", center),
        ("pixel size", "systematic", pixel),
        ("background scale", "systematic", scale),
        ("area without usable pixels", "systematic", uncovered),
        ("choice of background model", "model", model),
    )
    return DiameterBudget(
        diameters_mm={
            share: replace(
                diameters.of(share),
                statistical=float(statistical[k]),
                systematic=float(systematic[k]),
            )
            for k, share in enumerate(SHARES)
        },
        terms_mm=tuple((t, kind, tuple(map(float, sizes))) for t, kind, sizes in terms),
        distance=systematics.detector_distance,
    )


def background_share(net: NetRings, values: np.ndarray) -> np.ndarray:
    """Return the part of the curve's variance at each diameter (mm) from the background."""
    with_all = encircled_energy(net).covariance.diagonal()
    only = replace(
        net,
        poisson_part=np.zeros_like(net.poisson_part),
        noise_covariance=net.background_covariance,
    )
    with_background = encircled_energy(only).covariance.diagonal()
    at = np.searchsorted(net.radius_mm, values / 2).clip(max=net.radius_mm.size - 2)
    return np.clip(with_background[at] / with_all[at], 0.0, 1.0)


def _change_with_center(net: NetRings, located: Located, values: np.ndarray) -> np.ndarray:
    """Rise of the diameters as the center moves by one standard deviation each way."""
    center = located.center
    moves = [
        (sign * center.x_uncertainty, 0.0) for sign in (-1, 1) if center.x_uncertainty
    ] + [(0.0, sign * center.y_uncertainty) for sign in (-1, 1) if center.y_uncertainty]
    if not moves:
        return np.zeros(values.size)
    photons = np.ascontiguousarray(located.net.photons)
    radii_px = net.radius_mm / located.image.pixel_mm

    def sizes(dx: float, dy: float) -> np.ndarray:
        growth = overlap_sums(photons, (center.x + dx, center.y + dy), radii_px)
        return crossing_diameters_mm(net.radius_mm, growth, SHARES)[0]

    here = sizes(0.0, 0.0)
    changes = np.array([sizes(*move) - here for move in moves])
    # Two directions, each with a move to either side: the mean rise of x and of y add.
    return np.abs(np.nan_to_num(changes).mean(axis=0)) * 2


def _change_without_scaling(net: NetRings, values: np.ndarray) -> np.ndarray:
    if np.allclose(net.scale, 1.0, atol=1e-6):
        return np.zeros(values.size)
    moved = crossing_diameters_mm(
        net.radius_mm, np.cumsum(net.photons / net.scale), SHARES
    )[0]
    return np.abs(np.nan_to_num(moved - values)) / 2
