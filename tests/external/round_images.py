"""Round images with closed forms, and pixel frames of them made without noise.

Lengths are pixels. Sources: Gaussian, disc, annulus, exponential, cone blur and the rotated
Gaussian are plain integrals (derived); Airy: Rayleigh 1881, Phil. Mag. 11, 214; with a
central obscuration: Born & Wolf, Principles of Optics, section 8.6.2; Moffat 1969, A&A 3,
455 and King 1962, AJ 67, 471 (from memory; the values in the tests follow from them).
"""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy import integrate, special

GOLDEN_TURN = np.pi * (3 - np.sqrt(5))


@dataclass(frozen=True)
class RoundImage:
    """An image by its share of light inside a radius, and the radius of a share."""

    inside: Callable[[np.ndarray], np.ndarray]
    radius: Callable[[np.ndarray], np.ndarray]

    @classmethod
    def by_table(cls, inside, largest, steps=400_001):
        """Invert the share by interpolation, fine enough for 1e-9."""
        radii = largest * np.linspace(0, 1, steps) ** 2
        shares = inside(radii)
        return cls(inside, lambda q: np.interp(q, shares, radii))

    def slope(self, r, step=1e-3):
        """Change of the share with the radius."""
        return (self.inside(r + step) - self.inside(r - step)) / (2 * step)

    def pixel_term(self, r, step=0.05):
        """What the pixel adds to the share inside a radius, to first order.

        A pixel gathers light over its width and gives it back evenly over its width: two
        blurs of 1/12 pixel² along each axis. I becomes I + ∇²I/12, and the disc gains
        2πr I′/12, with I = EE′/2πr (derived).
        """

        def light(r):
            return self.slope(r, step / 10) / (2 * np.pi * r)

        return np.pi * r / 6 * (light(r + step) - light(r - step)) / (2 * step)


def gaussian(sigma):
    return RoundImage(
        lambda r: -np.expm1(-(np.square(r)) / (2 * sigma**2)),
        lambda q: sigma * np.sqrt(-2 * np.log1p(-q)),
    )


def two_gaussians(share, narrow, wide):
    one, other = gaussian(narrow), gaussian(wide)
    return RoundImage.by_table(
        lambda r: share * one.inside(r) + (1 - share) * other.inside(r), 8 * wide
    )


def rotated_gaussian(sigma):
    """Each azimuth spreads along its own radius only: the radius is a normal number."""
    return RoundImage(
        lambda r: special.erf(np.asarray(r) / sigma / np.sqrt(2)),
        lambda q: sigma * special.ndtri((1 + q) / 2),
    )


def cone_blur(width):
    return RoundImage(lambda r: np.clip(np.asarray(r) / width, 0, 1), lambda q: width * q)


def annulus(inner, outer):
    full = outer**2 - inner**2
    return RoundImage(
        lambda r: np.clip((np.square(r) - inner**2) / full, 0, 1),
        lambda q: np.sqrt(inner**2 + q * full),
    )


def exponential(height):
    return RoundImage.by_table(
        lambda r: -np.expm1(-np.asarray(r) / height) - r / height * np.exp(-r / height),
        60 * height,
    )


def moffat(b, core):
    return RoundImage(
        lambda r: 1 - (1 + np.square(np.asarray(r) / core)) ** (1 - b),
        lambda q: core * np.sqrt((1 - q) ** (1 / (1 - b)) - 1),
    )


def airy(scale):
    """``scale`` is λ/D in pixels."""

    def inside(r):
        v = np.pi * np.asarray(r) / scale
        return 1 - special.j0(v) ** 2 - special.j1(v) ** 2

    return RoundImage.by_table(inside, 400 * scale)


def obscured_airy(scale, obscured):
    """Energy by quadrature of [J1(t) - ε J1(εt)]²/t; beyond the table nothing."""
    v = np.linspace(0, 1200, 1_200_001)
    amplitude = special.j1(v) - obscured * special.j1(obscured * v)
    light = np.divide(amplitude**2, v, out=np.zeros_like(v), where=v > 0)
    share = 2 / (1 - obscured**2) * integrate.cumulative_simpson(light, x=v, initial=0)
    radii = v * scale / np.pi
    share = np.maximum.accumulate(share)
    return RoundImage(
        lambda r: np.interp(r, radii, share), lambda q: np.interp(q, share, radii)
    )


def pixel_frame(image, shape, center_xy, points):
    """Return the light in every pixel of a frame, total 1 (some of it beyond the frame).

    Points of equal light on a spiral: point i at the radius of share (i + 1/2)/N and i
    golden turns, so every ring and every sector holds its share to a few points. This
    needs no profile, so cusps and infinite wings are as good as smooth images.
    """
    i = np.arange(points)
    radius, turn = image.radius((i + 0.5) / points), i * GOLDEN_TURN
    column = np.rint(center_xy[0] + radius * np.cos(turn))
    row = np.rint(center_xy[1] + radius * np.sin(turn))
    ny, nx = shape
    on = (column >= 0) & (column < nx) & (row >= 0) & (row < ny)
    flat = (row[on] * nx + column[on]).astype(np.int64)
    return np.bincount(flat, minlength=ny * nx).reshape(shape) / points
