"""What is wrong with the reflectors of an invented mirror.

Slopes of two scales in the plane of reflection, drawn for every ray (a narrow core and
a wider tail); a fixed cone-angle error of every reflector; a fixed sideways shift of
every quadrant; light scattered by roughness.
"""

from dataclasses import dataclass

import numpy as np

STAGES = ("primary", "secondary")
QUADRANTS = 4


@dataclass(frozen=True, kw_only=True)
class FigureErrors:
    """Errors of one mirror as made.

    Parameters
    ----------
    core_rad, tail_rad
        Standard deviation of the in-plane slope, both stages.
    tail_share
        Share of rays, a reflection, that meet the tail instead of the core.
    offsets_rad
        Fixed cone-angle error, shape (nestings, quadrants, stages); positive is steeper.
    shifts_mm
        Sideways shift of each quadrant, shape (quadrants, 2), x and y.
    scatter_rad
        Half width at half maximum of the scattered light in the plane of reflection
        (a Lorentzian, cut at the surface).
    """

    core_rad: float
    tail_rad: float
    tail_share: float
    offsets_rad: np.ndarray
    shifts_mm: np.ndarray
    scatter_rad: float

    @classmethod
    def none(cls, nestings: int) -> "FigureErrors":
        """Return a perfect mirror."""
        return cls(
            core_rad=0.0,
            tail_rad=0.0,
            tail_share=0.0,
            offsets_rad=np.zeros((nestings, QUADRANTS, len(STAGES))),
            shifts_mm=np.zeros((QUADRANTS, 2)),
            scatter_rad=0.0,
        )

    def tilts(
        self,
        stage: int,
        reflector: tuple[np.ndarray, np.ndarray],
        rng: np.random.Generator,
    ) -> np.ndarray:
        """Return the slope error that each ray meets, in rad.

        Parameters
        ----------
        stage
            0 for the primary, 1 for the secondary.
        reflector
            Nesting index and quadrant index of each ray.
        rng
            Where chance comes from.

        Notes
        -----
        A facet that leans towards the light catches a little more of it; that weight,
        of order slope error over grazing angle, is not drawn.
        """
        rays = len(reflector[0])
        spread = np.where(rng.random(rays) < self.tail_share, self.tail_rad, self.core_rad)
        fixed = self.offsets_rad[reflector[0], reflector[1], stage]
        return spread * rng.standard_normal(rays) + fixed

    def scatter(self, share: np.ndarray, rng: np.random.Generator) -> np.ndarray:
        """Return by how much scattering turns each ray in its plane, in rad; mostly 0."""
        turn = np.zeros(len(share))
        scattered = np.flatnonzero(rng.random(len(share)) < share)
        turn[scattered] = self.scatter_rad * rng.standard_cauchy(len(scattered))
        return turn


def draw_offsets(spread_rad: float, nestings: int, rng: np.random.Generator) -> np.ndarray:
    """Draw the fixed cone-angle error of every reflector, shape as in FigureErrors."""
    return spread_rad * rng.standard_normal((nestings, QUADRANTS, len(STAGES)))
