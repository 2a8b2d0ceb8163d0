"""Where the image of each quadrant should be: predicted, with the errors that it shows.

Cone blur is one-sided in a single quadrant, and slope errors cut rays off on one side, so
the center of a quadrant's image is off the mirror's axis by itself. A common centroid would
be the wrong target: what counts is where an image is, less where the mirror model with the
fitted errors says it would be.
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from beamreduce.quadrants.cones import ConesSeen, ConesTold

_TURN = 2 * math.pi


@dataclass(frozen=True, kw_only=True)
class Target:
    """Where one image is predicted.

    Parameters
    ----------
    place_mm
        From the mirror's axis, in the frame of its azimuths, (2,).
    outward_mm
        Standard uncertainty along the middle of the quadrant that an error of the cone
        angles leaves, which moves an image as a displacement does: of an error that all
        quadrants have in common.
    how
        What it rests on, in words.
    own_mm
        The same of an error that this quadrant has by itself.
    """

    place_mm: np.ndarray
    outward_mm: float
    how: str
    own_mm: float = 0.0


def outwards(edges_rad: tuple[float, float]) -> np.ndarray:
    """Return the unit vector along the middle of a quadrant."""
    first, last = edges_rad
    middle = first + ((last - first) % _TURN or _TURN) / 2
    return np.array([math.cos(middle), math.sin(middle)])


def targets_of(
    seen: ConesSeen, told: ConesTold, edges_rad: tuple[float, float]
) -> Mapping[str, Target]:
    """Predict the center of every measurement of one quadrant.

    With cones as designed and the fitted slope errors, unless the images themselves rule
    those cones out; then the mean over the errors that they allow.
    """
    along = outwards(edges_rad)
    found = {}
    for identity in seen.place_mm:
        places = seen.place_at(identity, told.mean_rad)
        place = told.weight @ places
        spread = math.sqrt(float(told.weight @ ((places - place) @ along) ** 2))
        how = "cones with the error that fits"
        if told.allows_design:
            mean, place = place, seen.place_at(identity, np.zeros(1))[0]
            spread = math.hypot(spread, float((mean - place) @ along))
            how = "cones as designed"
        whose = "" if told.common else ", of this quadrant alone"
        found[identity] = Target(
            place_mm=place,
            outward_mm=spread if told.common else 0.0,
            own_mm=0.0 if told.common else spread,
            how=f"fitted slope errors, {how}{whose}",
        )
    return found
