"""What a background adds to the rings about a center."""

from dataclasses import dataclass, field

import numpy as np

from beamreduce.background.model import Background, Polynomial, draw
from beamreduce.rings import RingPlan

# Both fit any number of rings.
NO_MODES = np.zeros((0, 1))
NOTHING_SHARED = np.zeros((1, 1))


@dataclass(frozen=True, kw_only=True)
class BackgroundRings:
    """Background photons in rings, and how they may be wrong.

    Parameters
    ----------
    photons
        Expected background photons in each ring, shape (n,).
    covariance
        Covariance of its independent pixel noise, shape (n, n).
    shared
        Covariance of the rings of the level with those of the image it is taken from,
        which cancels in their difference (see :class:`Background`).
    modes
        One-standard-deviation changes common to all rings, shape (modes, n).
    model_modes
        The same for the choice of a model.
    systematic_modes
        The same from declared uncertainties.
    """

    photons: np.ndarray
    covariance: np.ndarray
    modes: np.ndarray
    model_modes: np.ndarray
    systematic_modes: np.ndarray = field(default_factory=NO_MODES.copy)
    shared: np.ndarray = field(default_factory=NOTHING_SHARED.copy)

    @classmethod
    def none(cls, rings: int) -> "BackgroundRings":
        """Return no background at all."""
        empty = np.zeros((0, rings))
        return cls(
            photons=np.zeros(rings),
            covariance=np.zeros((rings, rings)),
            modes=empty,
            model_modes=empty,
        )


def background_in_rings(
    background: Background, plan: RingPlan, usable: np.ndarray
) -> BackgroundRings:
    """Sum a background over the usable pixels of planned rings.

    Parameters
    ----------
    background
        What is known of the background.
    plan
        Rings about the center.
    usable
        Boolean image: pixels that count.
    """
    area = plan.sums(usable)

    def in_rings(level: Polynomial | np.ndarray) -> np.ndarray:
        if isinstance(level, Polynomial) and level.is_flat:
            return level.coefficients[0, 0] * area
        return plan.sums(np.where(usable, draw(level, plan.shape), 0.0))

    def stacked(modes: tuple[Polynomial | np.ndarray, ...]) -> np.ndarray:
        return np.array([in_rings(mode) for mode in modes]).reshape(-1, area.size)

    def covariance(noise: np.ndarray | float) -> np.ndarray:
        if np.isscalar(noise) and noise == 0.0:
            return np.zeros((area.size, area.size))
        return plan.covariance(np.where(usable, noise, 0.0))

    return BackgroundRings(
        photons=in_rings(background.level),
        covariance=covariance(background.photon_variance),
        shared=covariance(background.shared_variance),
        modes=stacked(background.modes),
        model_modes=stacked(background.model_modes),
        systematic_modes=stacked(background.systematic_modes),
    )
