"""From rings measured with a diverging beam to the image of a star.

The measured rings of one configuration (all detector distances and energies) are
described as one mixture of slope errors, each pair traced with the source at its distance;
the same mixture of the pairs traced with a parallel beam is the image of a star.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from beamreduce.infinity.mixture import Mixture, RingData, fit_mixture, whiten
from beamreduce.infinity.ring_shares import OpenAzimuths, ring_shares
from beamreduce.infinity.slope_ladder import LadderProfiles, SlopeLadder, ladder_profiles
from beamreduce.raytrace.meridian import MeridianTable


@dataclass(frozen=True, kw_only=True)
class MeasuredRings:
    """Net photons of one measurement in rings coarse enough to be fitted.

    Parameters
    ----------
    id
        Measurement.
    distance, energy
        Index of its detector distance and energy in the tables.
    radii_mm
        Outer radii, shape (rings,).
    photons, covariance
        Net photons and their covariance.
    poisson
        Variance of each ring that its photons bring, shape (rings,): the fit replaces it
        by what the model expects, since photons that came by chance few would weigh more.
    blur_mm
        Round blur of pixel, source and detector, standard deviation an axis.
    azimuths
        Open azimuths and displacements about the measured center.
    """

    id: str
    distance: int
    energy: int
    radii_mm: np.ndarray
    photons: np.ndarray
    covariance: np.ndarray
    poisson: np.ndarray
    blur_mm: float
    azimuths: OpenAzimuths


@dataclass(frozen=True, kw_only=True)
class Tables:
    """Meridian tables of one configuration: as measured, and for a star.

    Parameters
    ----------
    measured
        At the detector distances and energies of the measurements.
    star
        For a parallel beam, at the planes where the star's image is wanted, for the same
        energies.
    """

    measured: MeridianTable
    star: MeridianTable


@dataclass(frozen=True, kw_only=True)
class Described:
    """How one family of slope errors describes a configuration.

    Parameters
    ----------
    ladder
        The family: steps, and mean errors.
    mixture
        Shares of its pairs.
    star
        Light of a star by signed offset, shape (planes, energies, bins), mm² a bin.
    star_area_mm2, measured_area_mm2
        Effective area wherever light lands, shape (energies,).
    """

    ladder: SlopeLadder
    mixture: Mixture
    star: np.ndarray
    star_area_mm2: np.ndarray
    measured_area_mm2: np.ndarray


@dataclass(frozen=True, kw_only=True)
class Prepared:
    """Profiles and whitened columns of one family, for fitting data and replicates."""

    ladder: SlopeLadder
    star: LadderProfiles
    measured: LadderProfiles
    data: tuple[RingData, ...]


def prepare(
    rings: Sequence[MeasuredRings], tables: Tables, ladder: SlopeLadder
) -> Prepared:
    """Work out what each pair of slope errors would put into every measured ring."""
    measured = ladder_profiles(tables.measured, ladder)
    data = tuple(
        RingData(
            photons=one.photons,
            covariance=one.covariance,
            columns=ring_shares(
                measured.offsets_mm, one.radii_mm, one.blur_mm, one.azimuths
            )
            @ measured.profile[one.distance, one.energy].T,
        )
        for one in rings
    )
    return Prepared(
        ladder=ladder,
        star=ladder_profiles(tables.star, ladder),
        measured=measured,
        data=data,
    )


def describe(rings: Sequence[MeasuredRings], prepared: Prepared) -> Described:
    """Fit one family of slope errors, the second time with the variance it expects."""
    photons = [one.photons for one in rings]
    mixture = fit_mixture(whiten(prepared.data), photons)
    mixture = fit_mixture(whiten(expected_noise(rings, prepared, mixture)), photons)
    return seen_from_infinity(prepared, mixture)


def expected_noise(
    rings: Sequence[MeasuredRings], prepared: Prepared, mixture: Mixture
) -> tuple[RingData, ...]:
    """Return the data with the counting variance that the mixture expects."""
    corrected = []
    for one, data, scale in zip(rings, prepared.data, mixture.photons_per_mm2, strict=True):
        expected = scale * (data.columns @ mixture.weights)
        ratio = one.poisson / np.maximum(one.photons, 1.0)
        change = np.diag(np.clip(ratio, 0.0, 3.0) * (expected - one.photons))
        floor = 0.3 * np.diag(one.covariance.diagonal())
        covariance = one.covariance + change
        small = covariance.diagonal() < floor.diagonal()
        covariance[small, small] = floor.diagonal()[small]
        corrected.append(replace(data, covariance=covariance))
    return tuple(corrected)


def seen_from_infinity(prepared: Prepared, mixture: Mixture) -> Described:
    """Apply a mixture to the light of a star."""
    weights = mixture.weights
    return Described(
        ladder=prepared.ladder,
        mixture=mixture,
        star=np.einsum("c,decb->deb", weights, prepared.star.profile),
        star_area_mm2=prepared.star.area @ weights,
        measured_area_mm2=prepared.measured.area @ weights,
    )
