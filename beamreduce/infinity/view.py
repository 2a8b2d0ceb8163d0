"""One image as light comes to it: planes of light, open azimuths, and its own center."""

from dataclasses import dataclass, replace

import numpy as np

from beamreduce.infinity.ring_shares import OpenAzimuths, ring_shares
from beamreduce.infinity.slope_ladder import (
    Plane,
    SeenTargets,
    SlopeLadder,
    ladder_columns,
    mixed_profile,
    seen_targets,
)

_MOST_ROUNDS, _SETTLED = 60, 1e-4
_JOINED = 4


@dataclass(frozen=True, kw_only=True)
class View:
    """Light of one image, azimuth by azimuth, and the point that its rings are about.

    Parameters
    ----------
    planes
        Light by signed offset; on the axis one for all azimuths, off it one for each
        azimuth from the direction that the source is off to.
    azimuths
        Open azimuths that each plane stands for, and where their images are displaced to
        from the center of the rings.
    blur_mm
        Round blur of pixel, source and detector, standard deviation an axis.
    center_mm
        The center of the rings, from where the mirror's axis or, off it, the ray through
        the middle of the mirror meets the plane; in the frame of the mirror's azimuths.
    """

    planes: tuple[Plane, ...]
    azimuths: tuple[OpenAzimuths, ...]
    blur_mm: float
    center_mm: tuple[float, float] = (0.0, 0.0)

    @property
    def offsets_mm(self) -> np.ndarray:
        """Middle of each bin of signed offset."""
        return self.planes[0].table.grid.centers_mm

    @property
    def balanced(self) -> bool:
        """True when light comes alike from all azimuths, so that its center is known."""
        one = self.azimuths[0]
        alike = np.ptp(one.share) < 1e-9 and abs(one.share.sum() - 1) < 1e-9
        return len(self.azimuths) == 1 and bool(alike)

    def about(self, x_mm: float, y_mm: float) -> "View":
        """Return the view about a center displaced from this one."""
        move = np.array([x_mm, y_mm])
        return replace(
            self,
            azimuths=tuple(replace(a, shift_mm=a.shift_mm - move) for a in self.azimuths),
            center_mm=(self.center_mm[0] + x_mm, self.center_mm[1] + y_mm),
        )


def targets_of(view: View, radii_mm: np.ndarray) -> tuple[np.ndarray, ...]:
    """Return the share of each signed offset that goes into each ring, by plane."""
    return tuple(
        ring_shares(view.offsets_mm, radii_mm, view.blur_mm, azimuths)
        for azimuths in view.azimuths
    )


def seen_in_rings(view: View, radii_mm: np.ndarray) -> tuple[SeenTargets, ...]:
    """Return the rings as the light of each plane sees them."""
    return tuple(
        seen_targets(plane, target)
        for plane, target in zip(view.planes, targets_of(view, radii_mm), strict=True)
    )


def ring_columns(seen: tuple[SeenTargets, ...], ladder: SlopeLadder) -> np.ndarray:
    """Return what each pair of slope errors puts into rings, mm², (rings, pairs)."""
    return sum(ladder_columns(one, ladder) for one in seen)


def predicted_center(
    view: View, ladder: SlopeLadder, weights: np.ndarray, reference_mm: float
) -> tuple[float, float]:
    """Return where the center of a mixture's image is, from the center of the rings.

    The rule is that of the images: the mean inside the circle about itself whose radius
    is its own half-power diameter within the reference radius. The blur is round and
    small, and does not move it.
    """
    points = image_points(view, ladder, weights)
    step_mm = view.planes[0].table.grid.step_mm
    return center_of_points(points, reference_mm, step_mm)


def center_of_points(
    points: tuple[np.ndarray, np.ndarray, np.ndarray], reference_mm: float, step_mm: float
) -> tuple[float, float]:
    """Return the mean inside the circle about itself whose radius is its own HPD.

    Parameters
    ----------
    points
        x, y and light of each.
    reference_mm
        Radius that the HPD refers to.
    step_mm
        Step of the radii that half the light is looked for at.
    """
    x, y, light = points
    place = np.zeros(2)
    for _ in range(_MOST_ROUNDS):
        distance = np.hypot(x - place[0], y - place[1])
        edges, growth = growth_of_points(distance, light, step_mm)
        half = 0.5 * np.interp(reference_mm, edges, growth)
        hpd = 2 * np.interp(half, growth, edges)
        core = distance <= hpd
        mean = np.array([light[core] @ x[core], light[core] @ y[core]]) / light[core].sum()
        moved = np.hypot(*(mean - place))
        place = mean
        if moved < _SETTLED * hpd:
            break
    return float(place[0]), float(place[1])


def growth_of_points(
    distance: np.ndarray, light: np.ndarray, step_mm: float
) -> tuple[np.ndarray, np.ndarray]:
    """Return radii in even steps and the light of points inside each of them."""
    growth = np.cumsum(np.bincount((distance / step_mm).astype(int) + 1, light))
    return step_mm * np.arange(growth.size), growth


def image_points(
    view: View, ladder: SlopeLadder, weights: np.ndarray
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return an image as points: x, y (mm) and light (mm²) of each."""
    x, y, light = [], [], []
    for plane, azimuths in zip(view.planes, view.azimuths, strict=True):
        profile, offsets = _joined(mixed_profile(plane, ladder, weights), view.offsets_mm)
        along = np.outer(np.cos(azimuths.azimuth_rad), offsets)
        across = np.outer(np.sin(azimuths.azimuth_rad), offsets)
        x.append((along + azimuths.shift_mm[:, :1]).ravel())
        y.append((across + azimuths.shift_mm[:, 1:]).ravel())
        light.append(np.outer(azimuths.share, profile).ravel())
    return np.concatenate(x), np.concatenate(y), np.concatenate(light)


def _joined(profile: np.ndarray, offsets_mm: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Light of a few bins each at its mean: a center needs no such fine bins as rings."""
    whole = profile.size // _JOINED * _JOINED
    light = np.maximum(profile[:whole], 0.0).reshape(-1, _JOINED)
    place = offsets_mm[:whole].reshape(-1, _JOINED)
    total = light.sum(axis=1)
    lit = total > 0
    return total[lit], (light * place).sum(axis=1)[lit] / total[lit]
