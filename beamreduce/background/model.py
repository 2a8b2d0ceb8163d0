"""What every way of finding the background returns."""

from dataclasses import dataclass, field

import numpy as np

from beamreduce.errors import SettingsError


@dataclass(frozen=True)
class Polynomial:
    """A smooth surface over the image, kept as coefficients and drawn when asked for.

    ``value(x, y) = Σ c[j, i] X^i Y^j`` with ``X = (x - nx/2)/nx``, ``Y = (y - ny/2)/ny``
    in pixels of an image of the given shape.

    Parameters
    ----------
    coefficients
        Shape (degree in y + 1, degree in x + 1); photons a pixel.
    shape
        Rows and columns of the image.
    """

    coefficients: np.ndarray
    shape: tuple[int, int]

    @classmethod
    def flat(cls, level: float, shape: tuple[int, int]) -> "Polynomial":
        """Return a constant."""
        return cls(np.array([[float(level)]]), shape)

    @property
    def is_flat(self) -> bool:
        """True when there is only the constant term."""
        return self.coefficients.size == 1

    def draw(self, rows: slice = slice(None)) -> np.ndarray:
        """Return the surface as an image, shape (ny, nx), or some rows of it."""
        ny, nx = self.shape
        x = (np.arange(nx) - nx / 2) / nx
        y = (np.arange(ny)[rows] - ny / 2) / ny
        return np.polynomial.polynomial.polygrid2d(y, x, self.coefficients)


@dataclass(frozen=True, kw_only=True)
class Background:
    """Photons a pixel that do not come from the image, and how sure that is.

    Parameters
    ----------
    method
        ``exposure``, ``annulus``, ``surface``, ``wings`` or ``none``.
    level
        Expected background photons a pixel in the measurement: a smooth surface, or an
        image (a scaled beam-off exposure).
    photon_variance
        Variance a pixel of the level that is independent from pixel to pixel
        (the counting noise of a beam-off exposure); 0 for a smooth surface.
    shared_variance
        Covariance a pixel of the level with the image it is taken from (noise of masters
        that both were calibrated with). It is part of the variance of each and cancels in
        their difference, whose variance is the sum of both less twice this.
    modes
        Each a one-standard-deviation change of the level that is common to all pixels;
        independent of each other.
    systematic_modes
        The same from what the campaign declares (the scale of a beam-off exposure).
    model_modes
        The same for the choice of a model (the shape of the wing, for example).
    excess_variance
        Variance a pixel that the background brings to the image it is taken from beyond
        counting (cosmic rays, photons of other energies), in photons squared.
    notes
        Sentences that belong with the numbers, by key.
    """

    method: str
    level: Polynomial | np.ndarray
    photon_variance: np.ndarray | float = 0.0
    shared_variance: np.ndarray | float = 0.0
    modes: tuple[Polynomial | np.ndarray, ...] = ()
    systematic_modes: tuple[Polynomial | np.ndarray, ...] = ()
    model_modes: tuple[Polynomial | np.ndarray, ...] = ()
    excess_variance: float = 0.0
    notes: dict[str, str] = field(default_factory=dict)

    def __post_init__(self) -> None:
        known = ("exposure", "annulus", "surface", "wings", "none")
        if self.method not in known:
            raise SettingsError(
                f"background method must be one of {', '.join(known)}; got {self.method!r}"
            )

    @classmethod
    def none(cls, shape: tuple[int, int]) -> "Background":
        """Return no background: method ``none``, nothing is taken off."""
        return cls(
            method="none",
            level=Polynomial.flat(0.0, shape),
            notes={"background": "no background is taken off, by setting"},
        )

    def level_image(self, shape: tuple[int, int]) -> np.ndarray:
        """Return the level as an image of the given shape."""
        return draw(self.level, shape)


def draw(level: Polynomial | np.ndarray, shape: tuple[int, int]) -> np.ndarray:
    """Return a level or mode as an image, after checking that it fits."""
    image = level.draw() if isinstance(level, Polynomial) else level
    if image.shape != shape:
        raise SettingsError(
            f"background must have the shape of the image; got {image.shape} for {shape}"
        )
    return image
