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

from beamreduce.infinity.folded import Folded

_UNLIKELY = 1e-3
_TURN = 2 * math.pi


@dataclass(frozen=True, kw_only=True)
class Target:
    """Where one image is predicted.

    Parameters
    ----------
    place_mm
        From the mirror's axis, in the frame of its azimuths, (2,).
    outward_mm
        Standard uncertainty along the middle of the quadrant that a common error of the
        cone angles leaves, which moves an image as a displacement does.
    how
        What it rests on, in words.
    """

    place_mm: np.ndarray
    outward_mm: float
    how: str


def outwards(edges_rad: tuple[float, float]) -> np.ndarray:
    """Return the unit vector along the middle of a quadrant."""
    first, last = edges_rad
    middle = first + ((last - first) % _TURN or _TURN) / 2
    return np.array([math.cos(middle), math.sin(middle)])


def targets_of(folded: Folded, edges_rad: tuple[float, float]) -> Mapping[str, Target]:
    """Predict the center of every measurement of one quadrant.

    With cones as designed and the fitted slope errors, unless the images themselves rule
    those cones out; then the mean over the families of errors that they allow.
    """
    along = outwards(edges_rad)
    families, weight = folded.counting
    designed = folded.as_designed
    likely = [w for f, w in zip(families, weight, strict=True) if f is designed]
    allowed = bool(likely) and likely[0] > _UNLIKELY * weight.max()
    found = {}
    for one in folded.measured:
        places = np.array([f.described.center_mm(one.id) for f in families])
        mean = weight @ places
        spread = math.sqrt(float(weight @ ((places - mean) @ along) ** 2))
        if allowed:
            place = np.array(designed.described.center_mm(one.id))
            how = "fitted slope errors, cones as designed"
            spread = math.hypot(spread, float((mean - place) @ along))
        else:
            place, how = mean, "fitted slope errors, cones with the errors that fit"
        found[one.id] = Target(place_mm=place, outward_mm=spread, how=how)
    return found
