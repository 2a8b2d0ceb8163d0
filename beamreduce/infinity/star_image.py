"""Encircled energy and diameters of light that is known by its signed offset."""

import numpy as np


def encircled(
    profile: np.ndarray, step_mm: float, radius_mm: np.ndarray, reference_mm: float
) -> np.ndarray:
    """Return the share of the light inside radii, 1 at the reference radius.

    Parameters
    ----------
    profile
        Light by signed offset, shape (bins,), symmetric bins about zero.
    step_mm
        Width of a bin.
    radius_mm
        Radii, any shape.
    reference_mm
        Where the curve is 1.
    """
    growth, edges = _growth(profile, step_mm)
    return np.interp(radius_mm, edges, growth) / np.interp(reference_mm, edges, growth)


def diameter(
    profile: np.ndarray, step_mm: float, reference_mm: float, share: float
) -> float:
    """Return the diameter in mm that holds a share of the light inside the reference."""
    growth, edges = _growth(profile, step_mm)
    level = share * np.interp(reference_mm, edges, growth)
    return 2 * float(np.interp(level, growth, edges))


def within(profile: np.ndarray, step_mm: float, radius_mm: float) -> float:
    """Return the light inside a radius, in the unit of the profile."""
    growth, edges = _growth(profile, step_mm)
    return float(np.interp(radius_mm, edges, growth))


def _growth(profile: np.ndarray, step_mm: float) -> tuple[np.ndarray, np.ndarray]:
    half = profile.size // 2
    folded = profile[half:] + profile[:half][::-1]
    growth = np.concatenate([[0.0], np.cumsum(folded)])
    return growth, np.arange(half + 1) * step_mm
