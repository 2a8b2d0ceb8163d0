"""Encircled energy of a star at the radii of a measured curve."""

from dataclasses import dataclass

import numpy as np


@dataclass(frozen=True, kw_only=True)
class StarCurve:
    """Encircled energy of a star at the same angles as a measured curve.

    Parameters
    ----------
    fraction, uncertainty
        With the combined standard uncertainty, shape (radii,).
    """

    fraction: np.ndarray
    uncertainty: np.ndarray
