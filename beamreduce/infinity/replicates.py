"""Mixtures that repeats of the same exposures would have given."""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from beamreduce.infinity.fold import Described, MeasuredRings, unlike
from beamreduce.infinity.mixture import RingData, fit_mixture, refit_near, whiten
from beamreduce.statistics import correlated_normals


def replicate_weights(
    described: Described, replicates: int, rng: np.random.Generator
) -> np.ndarray:
    """Return weights of repeats, (replicates, pairs), not normalised.

    Photons are drawn about what the mixture expects, with the noise it expects (a
    parametric bootstrap, Efron & Tibshirani 1993, An Introduction to the Bootstrap,
    section 6.5). Drawing about the measured photons would count their noise twice, which
    matters where shares are held at zero.
    """
    whitened = whiten(described.data, described.cost)
    mixture = described.mixture
    scales = mixture.photons_per_mm2
    white = []
    for one, data, factor, columns, scale in zip(
        described.rings, described.data, whitened.factors, whitened.columns, scales,
        strict=True,
    ):  # fmt: skip
        drawn = correlated_normals(_statistical(one, data), replicates, rng)
        white.append(scale * (columns @ mixture.weights) + drawn @ factor.T)
    return refit_near(whitened, mixture, white)


def bias_of(repeats: np.ndarray, fit: np.ndarray) -> np.ndarray:
    """Return how far repeats, one a row, lie on one side of the fit they were drawn from.

    What a fit without negative shares does to repeats it has done to the exposures
    (Efron & Tibshirani 1993, An Introduction to the Bootstrap, section 10.6).
    """
    return repeats.mean(axis=0) - fit


def changed_weights(described: Described) -> tuple[np.ndarray, tuple[str, ...]]:
    """Return weights with each common part of a background changed, and its kind.

    The first row, without a kind, is the unchanged fit: shape (1 + modes, pairs).
    """
    whitened = whiten(described.data, described.cost)
    changes = _changes(described.rings)
    white = [
        (one.photons + change) @ factor.T
        for one, change, factor in zip(
            described.rings, changes, whitened.factors, strict=True
        )
    ]
    kinds = tuple(kind for one in described.rings for kind in one.mode_kinds)
    return refit_near(whitened, described.mixture, white), kinds


def uneven_weights(described: Described) -> np.ndarray:
    """Return weights with either stage preferred to be better than the other, (2, pairs).

    Not normalised. By one standard deviation of what is thought of the ratio of their
    errors before anything is measured: what rings say of it stays as it is, and what they
    leave open follows the preference.
    """
    whitened = whiten(described.data)
    photons = [one.photons for one in described.rings]
    costs = [unlike(described.ladder, log_ratio) for log_ratio in (-1.0, 1.0)]
    return np.array(
        [fit_mixture(replace(whitened, cost=cost), photons).weights for cost in costs]
    )


def _changes(rings: Sequence[MeasuredRings]) -> list[np.ndarray]:
    """Every mode of every measurement in a row of its own, after a row of none."""
    rows = 1 + sum(one.modes.shape[0] for one in rings)
    changes, row = [], 1
    for one in rings:
        change = np.zeros((rows, one.photons.size))
        change[row : row + one.modes.shape[0]] = one.modes
        row += one.modes.shape[0]
        changes.append(change)
    return changes


def _statistical(one: MeasuredRings, data: RingData) -> np.ndarray:
    """Covariance of repeats: what is common to them is not part of it."""
    return data.covariance - one.modes.T @ one.modes
