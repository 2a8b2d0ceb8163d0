"""The image of a star: encircled energy and diameters of a mixture of slope errors."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from beamreduce.infinity.slope_ladder import SlopeLadder, mixed_profile
from beamreduce.infinity.view import (
    View,
    predicted_center,
    ring_columns,
    seen_in_rings,
    targets_of,
)

_COUNT = 300


@dataclass(frozen=True, kw_only=True)
class StarCurves:
    """Light inside circles, of one image.

    Parameters
    ----------
    radii_mm
        Radii, shape (radii,).
    growth
        Light inside each, shape (..., radii), mm².
    """

    radii_mm: np.ndarray
    growth: np.ndarray

    def inside(self, radii_mm: np.ndarray | float) -> np.ndarray:
        """Return the light inside radii, shape (..., wanted radii)."""
        rows = self.growth.reshape(-1, self.radii_mm.size)
        at = np.array([np.interp(radii_mm, self.radii_mm, row) for row in rows])
        return at.reshape(self.growth.shape[:-1] + np.shape(radii_mm))

    def fraction(self, radii_mm: np.ndarray, reference_mm: float) -> np.ndarray:
        """Return the share of the light inside radii, 1 at the reference radius."""
        return self.inside(radii_mm) / self.inside(reference_mm)[..., None]

    def diameter_mm(self, share: float, reference_mm: float) -> np.ndarray:
        """Return the diameter that holds a share of the light inside the reference."""
        rows = self.growth.reshape(-1, self.radii_mm.size)
        levels = share * np.ravel(self.inside(reference_mm))
        sizes = [
            2 * np.interp(level, row, self.radii_mm)
            for level, row in zip(levels, rows, strict=True)
        ]
        return np.array(sizes).reshape(self.growth.shape[:-1])


def star_radii(
    half_power_mm: float, reference_mm: float, count: int = _COUNT
) -> np.ndarray:
    """Return radii that resolve an image of about this half-power radius."""
    core = min(2.5 * half_power_mm, 0.5 * reference_mm)
    fine = np.linspace(0.0, core, 2 * count // 3 + 1)[1:]
    return np.concatenate([fine, np.geomspace(core, reference_mm, count // 3 + 1)[1:]])


def mixture_growths(
    view: View,
    radii_mm: np.ndarray,
    mixtures: Sequence[tuple[SlopeLadder, np.ndarray]],
) -> np.ndarray:
    """Return the light of mixtures inside circles about their own centers.

    Parameters
    ----------
    view
        The image; the middle of its circles is where rings are about.
    radii_mm
        Radii, shape (radii,).
    mixtures
        Ladder and weights of each.

    Returns
    -------
    numpy.ndarray
        Shape (mixtures, radii), mm².
    """
    targets = targets_of(view, radii_mm) if view.balanced else None
    growths = []
    for ladder, weights in mixtures:
        own = about_own_center(view, radii_mm[-1], ladder, weights)
        circles = targets_of(own, radii_mm) if targets is None else targets
        rings = sum(
            target @ mixed_profile(plane, ladder, weights)
            for plane, target in zip(own.planes, circles, strict=True)
        )
        growths.append(np.cumsum(rings))
    return np.array(growths)


def pair_growths(view: View, radii_mm: np.ndarray, ladder: SlopeLadder) -> np.ndarray:
    """Return the light of every pair of slope errors inside circles, (radii, pairs)."""
    return np.cumsum(ring_columns(seen_in_rings(view, radii_mm), ladder), axis=0)


def about_own_center(
    view: View, reference_mm: float, ladder: SlopeLadder, weights: np.ndarray
) -> View:
    """Return the view about the center of a mixture's image, by the rule of images."""
    if view.balanced:
        return view
    return view.about(*predicted_center(view, ladder, weights, reference_mm))


def axis_crossing_mm(
    first: tuple[float, View], second: tuple[float, View], ladder: SlopeLadder,
    weights: np.ndarray,
) -> float:  # fmt: skip
    """Return where mean rays cross the axis, from their mean offset in two planes."""
    places = []
    for distance_mm, view in (first, second):
        light = sum(mixed_profile(plane, ladder, weights) for plane in view.planes)
        places.append((distance_mm, float(light @ view.offsets_mm / light.sum())))
    (d1, o1), (d2, o2) = places
    return d1 - o1 * (d2 - d1) / (o2 - o1) if o1 != o2 else math.nan
