"""Which ring every pixel lies in, worked out once for a center and then applied often."""

from dataclasses import dataclass

import numpy as np
from numba import njit

from beamreduce.errors import SettingsError
from beamreduce.rings.overlap import checked_radii, strip_overlap

_MOST_RINGS = np.iinfo(np.int16).max


@dataclass(frozen=True, kw_only=True)
class RingPlan:
    """The shares of every pixel in the rings about one center.

    Ring ``k`` lies between radius ``k-1`` and radius ``k``; ring 0 is the innermost disc.

    Parameters
    ----------
    shape
        Rows and columns of the images it is for.
    center_xy
        Center in pixels.
    radii_px
        Outer radius of each ring, shape (n,), pixels.
    ring_of_pixel
        For pixels wholly inside one ring its number; ``n`` for pixels outside all rings;
        -1 for pixels that a circle crosses. Shape of the image.
    edge_pixel, edge_ring, edge_share
        One row for every ring that a crossed pixel shares: flat pixel index, ring number,
        shared area in pixels; sorted by pixel.
    """

    shape: tuple[int, int]
    center_xy: tuple[float, float]
    radii_px: np.ndarray
    ring_of_pixel: np.ndarray
    edge_pixel: np.ndarray
    edge_ring: np.ndarray
    edge_share: np.ndarray

    @property
    def area_px(self) -> np.ndarray:
        """Full area of each ring in pixels, wherever the image ends."""
        return np.pi * np.diff(self.radii_px**2, prepend=0.0)

    def sums(self, image: np.ndarray) -> np.ndarray:
        """Return the sum of an image in every ring, exact in shared area."""
        return self._apply(image, np.zeros(self.radii_px.size), whole_only=False)

    def whole_pixel_sums(self, image: np.ndarray) -> np.ndarray:
        """Return the sum in every ring over pixels that lie wholly inside it."""
        return self._apply(image, np.zeros(self.radii_px.size), whole_only=True)

    def covariance(self, variance: np.ndarray) -> np.ndarray:
        """Return the covariance of the ring sums of an image with independent pixels.

        ``cov[j, k] = Σ share_j share_k variance``; rings that share crossed pixels are
        correlated.

        Parameters
        ----------
        variance
            Variance of every pixel, shape of the image.
        """
        pixels = self._checked(variance)
        covariance = np.diag(self.whole_pixel_sums(pixels))
        _add_edge_covariance(
            pixels.ravel(), self.edge_pixel, self.edge_ring, self.edge_share, covariance
        )
        return covariance

    def _apply(self, image: np.ndarray, sums: np.ndarray, whole_only: bool) -> np.ndarray:
        pixels = self._checked(image)
        _sum_whole_pixels(pixels, self.ring_of_pixel, sums)
        if not whole_only:
            _sum_edges(
                pixels.ravel(), self.edge_pixel, self.edge_ring, self.edge_share, sums
            )
        return sums

    def _checked(self, image: np.ndarray) -> np.ndarray:
        if image.shape != self.shape:
            raise SettingsError(
                f"the image must have the shape the rings were planned for; "
                f"got {image.shape}, planned {self.shape}"
            )
        return np.ascontiguousarray(image, dtype=np.float64)


def plan_rings(
    shape: tuple[int, int], center_xy: tuple[float, float], radii_px: np.ndarray
) -> RingPlan:
    """Work out the share of every pixel in the rings about a center.

    Parameters
    ----------
    shape
        Rows and columns of the image.
    center_xy
        Center in pixels; the first pixel has its center at (0, 0).
    radii_px
        Outer radii of the rings in pixels, above zero, in rising order.

    Raises
    ------
    SettingsError
        When the radii do not rise from above zero, or are too many to number, or the
        center is not finite.
    """
    radii = checked_radii(radii_px)
    if radii[0] == 0:
        raise SettingsError("the radius of the innermost ring must be above zero; got 0")
    if radii.size > _MOST_RINGS:
        raise SettingsError(f"radii must be at most {_MOST_RINGS}; got {radii.size}")
    if not np.all(np.isfinite(center_xy)):
        raise SettingsError(f"center_xy must be finite; got {center_xy}")
    x0, y0 = float(center_xy[0]), float(center_xy[1])
    ring_of_pixel = np.empty(shape, dtype=np.int16)
    shares = _assign(x0, y0, radii, ring_of_pixel)
    edge_pixel = np.empty(shares, dtype=np.int32)
    edge_ring = np.empty(shares, dtype=np.int16)
    edge_share = np.empty(shares)
    _fill_edges(x0, y0, radii, ring_of_pixel, edge_pixel, edge_ring, edge_share)
    return RingPlan(
        shape=shape,
        center_xy=(x0, y0),
        radii_px=radii,
        ring_of_pixel=ring_of_pixel,
        edge_pixel=edge_pixel,
        edge_ring=edge_ring,
        edge_share=edge_share,
    )


@njit(cache=True, nogil=True, inline="always")
def _nearest(offset: float) -> float:
    return max(abs(offset) - 0.5, 0.0)


@njit(cache=True, nogil=True)
def _crossing(
    dx: float, dy: float, radii: np.ndarray, low: int, high: int
) -> tuple[int, int]:
    """First circle beyond the pixel's near side and first beyond its far corner."""
    near = np.hypot(_nearest(dx), _nearest(dy))
    far = np.hypot(abs(dx) + 0.5, abs(dy) + 0.5)
    n = radii.size
    while low < n and radii[low] <= near:
        low += 1
    while low > 0 and radii[low - 1] > near:
        low -= 1
    while high < n and radii[high] < far:
        high += 1
    while high > 0 and radii[high - 1] >= far:
        high -= 1
    return low, high


@njit(cache=True, nogil=True)
def _assign(x0: float, y0: float, radii: np.ndarray, ring_of_pixel: np.ndarray) -> int:
    """Number the rings of whole pixels and count the shares of crossed ones."""
    ny, nx = ring_of_pixel.shape
    n = radii.size
    shares = 0
    for row in range(ny):
        low = high = 0
        for column in range(nx):
            low, high = _crossing(column - x0, row - y0, radii, low, high)
            if high > low:
                ring_of_pixel[row, column] = -1
                shares += high - low + (1 if high < n else 0)
            else:
                ring_of_pixel[row, column] = low
    return shares


@njit(cache=True, nogil=True)
def _fill_edges(
    x0: float, y0: float, radii: np.ndarray, ring_of_pixel: np.ndarray,
    edge_pixel: np.ndarray, edge_ring: np.ndarray, edge_share: np.ndarray,
) -> None:  # fmt: skip
    ny, nx = ring_of_pixel.shape
    n = radii.size
    at = 0
    for row in range(ny):
        low = high = 0
        for column in range(nx):
            if ring_of_pixel[row, column] != -1:
                continue
            dx, dy = column - x0, row - y0
            low, high = _crossing(dx, dy, radii, low, high)
            inside = 0.0
            for k in range(low, high + 1):
                if k == n:
                    break
                upto = 1.0 if k == high else pixel_overlap(dx, dy, radii[k])
                edge_pixel[at] = row * nx + column
                edge_ring[at] = k
                edge_share[at] = upto - inside
                inside = upto
                at += 1


@njit(cache=True, nogil=True)
def pixel_overlap(dx: float, dy: float, radius: float) -> float:
    """Area shared by a circle about the origin and a unit pixel centered at (dx, dy)."""
    x, y = abs(dx), abs(dy)
    area = _box_overlap(max(x - 0.5, 0.0), x + 0.5, max(y - 0.5, 0.0), y + 0.5, radius)
    if x < 0.5:
        area += _box_overlap(0.0, 0.5 - x, max(y - 0.5, 0.0), y + 0.5, radius)
    if y < 0.5:
        area += _box_overlap(max(x - 0.5, 0.0), x + 0.5, 0.0, 0.5 - y, radius)
    if x < 0.5 and y < 0.5:
        area += _box_overlap(0.0, 0.5 - x, 0.0, 0.5 - y, radius)
    return area


@njit(cache=True, nogil=True)
def _box_overlap(near: float, far: float, low: float, high: float, radius: float) -> float:
    r2 = radius * radius
    x_high = np.sqrt(max(r2 - high * high, 0.0))
    x_low = np.sqrt(max(r2 - low * low, 0.0))
    return strip_overlap(near, far, low, high, radius, min(x_high, far), x_low)


@njit(cache=True, nogil=True, fastmath={"reassoc", "contract", "nsz"})
def _sum_whole_pixels(
    image: np.ndarray, ring_of_pixel: np.ndarray, sums: np.ndarray
) -> None:
    ny, nx = image.shape
    n = sums.size
    for row in range(ny):
        column = 0
        while column < nx:
            ring = ring_of_pixel[row, column]
            start = column
            while column < nx and ring_of_pixel[row, column] == ring:
                column += 1
            if 0 <= ring < n:
                part = 0.0
                for j in range(start, column):
                    part += image[row, j]
                sums[ring] += part


@njit(cache=True, nogil=True)
def _sum_edges(
    pixels: np.ndarray, edge_pixel: np.ndarray, edge_ring: np.ndarray,
    edge_share: np.ndarray, sums: np.ndarray,
) -> None:  # fmt: skip
    for e in range(edge_pixel.size):
        sums[edge_ring[e]] += pixels[edge_pixel[e]] * edge_share[e]


@njit(cache=True, nogil=True)
def _add_edge_covariance(
    variance: np.ndarray, edge_pixel: np.ndarray, edge_ring: np.ndarray,
    edge_share: np.ndarray, covariance: np.ndarray,
) -> None:  # fmt: skip
    first = 0
    while first < edge_pixel.size:
        last = first
        while last < edge_pixel.size and edge_pixel[last] == edge_pixel[first]:
            last += 1
        v = variance[edge_pixel[first]]
        for a in range(first, last):
            for b in range(first, last):
                covariance[edge_ring[a], edge_ring[b]] += edge_share[a] * edge_share[b] * v
        first = last
