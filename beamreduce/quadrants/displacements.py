"""How far the images of quadrants are from where they belong, and what that leaves open."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from beamreduce.quadrants.places import QuadrantImage
from beamreduce.quadrants.targets import Target

# A common outward displacement of fewer standard uncertainties is left alone.
_SURE = 3.0


@dataclass(frozen=True, kw_only=True)
class Displacements:
    """Displacements of the images of quadrants from their targets, as angles.

    An angle is an offset over the detector's distance. They are given less what all have
    in common: where the mirror's axis meets the detector is not known. Where the mirror's
    cones are not known well enough, they are also given less a move of each image outwards.

    Parameters
    ----------
    names
        Quadrants, in order.
    angle_rad
        Shape (quadrants, 2), in the frame of the mirror's azimuths.
    covariance_rad2
        Of each quadrant's own place by counting, and by errors of the cones that it has
        alone, (quadrants, 2, 2).
    common_rad
        What was taken off all: move along x, along y, and outwards (0 where kept).
    outward_rad, outward_error_rad
        Move outwards of all together as measured, and its standard uncertainty, most of
        it from errors of the cones that a move outwards cannot be told from.
    outward
        Unit vectors along the middle of each quadrant, (quadrants, 2).
    keeps_outward
        True where the move outwards is sure enough to be corrected.
    """

    names: tuple[str, ...]
    angle_rad: np.ndarray
    covariance_rad2: np.ndarray
    common_rad: np.ndarray
    outward_rad: float
    outward_error_rad: float
    outward: np.ndarray
    keeps_outward: bool

    @property
    def free(self) -> np.ndarray:
        """Displacements that nothing tells, (2 quadrants, 2 or 3): x, y and outwards."""
        both = np.tile(np.eye(2), (len(self.names), 1))
        if self.keeps_outward:
            return both
        return np.column_stack([both, self.outward.ravel()])

    @property
    def error_rad(self) -> np.ndarray:
        """Standard uncertainty of each displacement, (quadrants, 2).

        By counting; and, where the move outwards is kept, what errors of the cones leave.
        """
        counted = self.counted_error_rad(self.free)
        if not self.keeps_outward:
            return counted
        return np.hypot(counted, self.outward_error_rad * self.outward)

    def counted_error_rad(self, free: np.ndarray) -> np.ndarray:
        """Return what counting leaves, less directions left out, (quadrants, 2)."""
        project = left_over(free)
        whole = np.zeros((2 * len(self.names),) * 2)
        for k, own in enumerate(self.covariance_rad2):
            whole[2 * k : 2 * k + 2, 2 * k : 2 * k + 2] = own
        variance = np.diag(project @ whole @ project.T)
        return np.sqrt(np.maximum(variance, 0.0)).reshape(-1, 2)

    def of(self, name: str) -> tuple[float, float]:
        """Return the displacement of one quadrant."""
        x, y = self.angle_rad[self.names.index(name)]
        return float(x), float(y)


def displacements(
    images: Sequence[QuadrantImage],
    targets: Mapping[str, Target],
    outward: Mapping[str, np.ndarray],
) -> Displacements:
    """Compare images of one round with their targets.

    Parameters
    ----------
    images
        At least one of each of two quadrants; several of one quadrant are averaged with
        the weight of their certainty.
    targets
        By measurement.
    outward
        Unit vectors by quadrant.
    """
    names = tuple(name for name in outward if any(i.aperture == name for i in images))
    angles, covariances, cones = [], [], []
    for name in names:
        own = [one for one in images if one.aperture == name]
        apart = [(i.place_mm - targets[i.id].place_mm) / i.distance_mm for i in own]
        weights = [np.linalg.inv(_sure(i.covariance_mm2) / i.distance_mm**2) for i in own]
        covariance = np.linalg.inv(sum(weights))
        angles.append(covariance @ sum(w @ a for w, a in zip(weights, apart, strict=True)))
        cones.append(np.mean([targets[i.id].outward_mm / i.distance_mm for i in own]))
        alone = np.mean([targets[i.id].own_mm / i.distance_mm for i in own])
        covariances.append(covariance + alone**2 * np.outer(outward[name], outward[name]))
    along = np.array([outward[name] for name in names])
    covariance = np.array(covariances)
    moved, outwards_rad = common_moves(np.array(angles), along)
    counting = np.mean([o @ c @ o for o, c in zip(along, covariance, strict=True)])
    error = float(np.hypot(np.mean(cones), np.sqrt(counting / len(names))))
    keeps = abs(outwards_rad) > _SURE * error and len(names) > 2
    common = np.array([*moved, 0.0 if keeps else outwards_rad])
    off = common[:2] + common[2] * along
    return Displacements(
        names=names,
        angle_rad=np.array(angles) - off,
        covariance_rad2=covariance,
        common_rad=common,
        outward_rad=outwards_rad,
        outward_error_rad=error,
        outward=along,
        keeps_outward=keeps,
    )


def common_moves(places: np.ndarray, outward: np.ndarray) -> tuple[np.ndarray, float]:
    """Return the move of all (x, y) and of each outwards that describe places best.

    Parameters
    ----------
    places
        Of each quadrant, (quadrants, 2).
    outward
        Unit vectors along their middles, (quadrants, 2).
    """
    both = np.tile(np.eye(2), (len(places), 1))
    equations = np.column_stack([both, outward.ravel()])
    x, y, out = np.linalg.lstsq(equations, places.ravel(), rcond=None)[0]
    return np.array([x, y]), float(out)


def left_over(free: np.ndarray) -> np.ndarray:
    """Return the projection that takes displacements that nothing tells out."""
    numbers = free.shape[0]
    if free.size == 0:
        return np.eye(numbers)
    left, sizes, _ = np.linalg.svd(free, full_matrices=False)
    kept = left[:, sizes > 1e-12 * sizes.max()]
    return np.eye(numbers) - kept @ kept.T


def _sure(covariance: np.ndarray) -> np.ndarray:
    """Covariance that can be inverted; a center that was given has none."""
    return covariance + 1e-12 * np.eye(2)
