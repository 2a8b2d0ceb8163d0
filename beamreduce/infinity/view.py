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
    """

    planes: tuple[Plane, ...]
    azimuths: tuple[OpenAzimuths, ...]
    blur_mm: float

    @property
    def offsets_mm(self) -> np.ndarray:
        """Middle of each bin of signed offset."""
        return self.planes[0].table.grid.centers_mm

    @property
    def round(self) -> bool:
        """True when the image is the same all around the center of the rings."""
        one = self.azimuths[0]
        return len(self.azimuths) == 1 and one.azimuth_rad.size == 1 and one.centered

    def about(self, x_mm: float, y_mm: float) -> "View":
        """Return the view about a center displaced from this one."""
        move = np.array([x_mm, y_mm])
        return replace(
            self,
            azimuths=tuple(replace(a, shift_mm=a.shift_mm - move) for a in self.azimuths),
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
    x, y, light = _points(view, ladder, weights)
    place = np.zeros(2)
    for _ in range(60):
        distance = np.hypot(x - place[0], y - place[1])
        order = np.argsort(distance)
        inside = order[distance[order] <= reference_mm]
        growth = np.cumsum(light[inside])
        hpd = 2 * distance[inside[np.searchsorted(growth, 0.5 * growth[-1])]]
        core = distance <= hpd
        mean = np.array([light[core] @ x[core], light[core] @ y[core]]) / light[core].sum()
        moved = np.hypot(*(mean - place))
        place = mean
        if moved < 1e-4 * hpd:
            break
    return float(place[0]), float(place[1])


def _points(
    view: View, ladder: SlopeLadder, weights: np.ndarray
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """The image as points with their light."""
    x, y, light = [], [], []
    for plane, azimuths in zip(view.planes, view.azimuths, strict=True):
        profile = mixed_profile(plane, ladder, weights)
        along = np.outer(np.cos(azimuths.azimuth_rad), view.offsets_mm)
        across = np.outer(np.sin(azimuths.azimuth_rad), view.offsets_mm)
        x.append((along + azimuths.shift_mm[:, :1]).ravel())
        y.append((across + azimuths.shift_mm[:, 1:]).ravel())
        light.append(np.outer(azimuths.share, profile).ravel())
    return np.concatenate(x), np.concatenate(y), np.concatenate(light)
