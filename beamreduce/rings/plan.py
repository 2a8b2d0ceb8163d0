"""Which ring every pixel lies in, worked out once for a center and then applied often."""

from dataclasses import dataclass

import numpy as np
from numba import njit

from beamreduce.errors import SettingsError
from beamreduce.rings.overlap import checked_radii
from beamreduce.rings.shares import pixel_overlap

_MOST_RINGS = np.iinfo(np.uint16).max


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
        The outermost ring that each pixel has a share in; ``n`` for pixels that reach
        beyond all circles. Shape of the image.
    edge_pixel, edge_circle, edge_area
        One row for every circle that crosses a pixel: flat pixel index, number of the
        circle, area of the pixel inside it; sorted by pixel, then by circle.

    Notes
    -----
    A sum counts every pixel in its outermost ring first; then each crossing moves the
    area inside its circle one ring inwards. That is one term a crossing, and the pass
    over the frame has no branches.
    """

    shape: tuple[int, int]
    center_xy: tuple[float, float]
    radii_px: np.ndarray
    ring_of_pixel: np.ndarray
    edge_pixel: np.ndarray
    edge_circle: np.ndarray
    edge_area: np.ndarray

    @property
    def area_px(self) -> np.ndarray:
        """Full area of each ring in pixels, wherever the image ends."""
        return np.pi * np.diff(self.radii_px**2, prepend=0.0)

    def sums(self, image: np.ndarray) -> np.ndarray:
        """Return the sum of an image in every ring, exact in shared area."""
        pixels = self._checked(image)
        sums = _sum_by_ring(pixels, self.ring_of_pixel, self.radii_px.size)
        _move_inwards(pixels.ravel(), *self._edges, sums)
        return sums[:-1]

    def whole_pixel_sums(self, image: np.ndarray) -> np.ndarray:
        """Return the sum in every ring over pixels that lie wholly inside it."""
        pixels = self._checked(image)
        sums = _sum_by_ring(pixels, self.ring_of_pixel, self.radii_px.size)
        _leave_out_crossed(pixels.ravel(), *self._edges, sums)
        return sums[:-1]

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
        _add_edge_covariance(pixels.ravel(), *self._edges, covariance)
        return covariance

    @property
    def _edges(self) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        return self.edge_pixel, self.edge_circle, self.edge_area

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
    ring_of_pixel = np.empty(shape, dtype=np.uint16)
    edge_pixel, edge_circle, edge_area = _assign(x0, y0, radii, ring_of_pixel)
    return RingPlan(
        shape=shape,
        center_xy=(x0, y0),
        radii_px=radii,
        ring_of_pixel=ring_of_pixel,
        edge_pixel=edge_pixel,
        edge_circle=edge_circle,
        edge_area=edge_area,
    )


@njit(cache=True, nogil=True)
def _crossing(
    dx: float, dy: float, radii: np.ndarray, low: int, high: int
) -> tuple[int, int]:
    """First circle beyond the pixel's nearest point and first beyond its far corner.

    ``low`` and ``high`` of the pixel before are where the search begins.
    """
    x, y = abs(dx), abs(dy)
    near = np.sqrt(max(x - 0.5, 0.0) ** 2 + max(y - 0.5, 0.0) ** 2)
    far = np.sqrt((x + 0.5) ** 2 + (y + 0.5) ** 2)
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
def _assign(
    x0: float, y0: float, radii: np.ndarray, ring_of_pixel: np.ndarray
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Number the outermost ring of every pixel; return pixel, circle, area of crossings."""
    ny, nx = ring_of_pixel.shape
    room = 1024
    edge_pixel = np.empty(room, dtype=np.uint32)
    edge_circle = np.empty(room, dtype=np.uint16)
    edge_area = np.empty(room)
    at = 0
    for row in range(ny):
        low = high = 0
        for column in range(nx):
            dx, dy = column - x0, row - y0
            low, high = _crossing(dx, dy, radii, low, high)
            ring_of_pixel[row, column] = high
            if at + high - low > room:
                room = 2 * (at + high - low)
                edge_pixel = _longer(edge_pixel, room)
                edge_circle = _longer(edge_circle, room)
                edge_area = _longer(edge_area, room)
            for k in range(low, high):
                edge_pixel[at] = row * nx + column
                edge_circle[at] = k
                edge_area[at] = pixel_overlap(dx, dy, radii[k])
                at += 1
    return edge_pixel[:at].copy(), edge_circle[:at].copy(), edge_area[:at].copy()


@njit(cache=True, nogil=True)
def _longer(values: np.ndarray, room: int) -> np.ndarray:
    longer = np.empty(room, dtype=values.dtype)
    longer[: values.size] = values
    return longer


@njit(cache=True, nogil=True)
def _sum_by_ring(image: np.ndarray, ring_of_pixel: np.ndarray, n: int) -> np.ndarray:
    """Sum whole pixels by their ring, shape (n + 1,); the last is outside all circles.

    Neighbouring pixels often share a ring; four tables spare each the wait for the sum
    before it.
    """
    ny, nx = image.shape
    parts = np.zeros((4, n + 1))
    for row in range(ny):
        pixels, rings = image[row], ring_of_pixel[row]
        for j in range(np.uint64(0), np.uint64(nx - nx % 4), np.uint64(4)):
            parts[0, rings[j]] += pixels[j]
            parts[1, rings[j + np.uint64(1)]] += pixels[j + np.uint64(1)]
            parts[2, rings[j + np.uint64(2)]] += pixels[j + np.uint64(2)]
            parts[3, rings[j + np.uint64(3)]] += pixels[j + np.uint64(3)]
        for j in range(nx - nx % 4, nx):
            parts[0, rings[j]] += pixels[j]
    return parts.sum(axis=0)


@njit(cache=True, nogil=True)
def _move_inwards(
    pixels: np.ndarray, edge_pixel: np.ndarray, edge_circle: np.ndarray,
    edge_area: np.ndarray, sums: np.ndarray,
) -> None:  # fmt: skip
    moved = np.zeros(sums.size - 1)
    for e in range(edge_pixel.size):
        moved[edge_circle[e]] += pixels[edge_pixel[e]] * edge_area[e]
    for k in range(moved.size):
        sums[k] += moved[k]
        sums[k + 1] -= moved[k]


@njit(cache=True, nogil=True)
def _leave_out_crossed(
    pixels: np.ndarray, edge_pixel: np.ndarray, edge_circle: np.ndarray,
    edge_area: np.ndarray, sums: np.ndarray,
) -> None:  # fmt: skip
    last = edge_pixel.size - 1
    for e in range(edge_pixel.size):
        if e == last or edge_pixel[e + 1] != edge_pixel[e]:
            sums[edge_circle[e] + 1] -= pixels[edge_pixel[e]]


@njit(cache=True, nogil=True)
def _add_edge_covariance(
    variance: np.ndarray, edge_pixel: np.ndarray, edge_circle: np.ndarray,
    edge_area: np.ndarray, covariance: np.ndarray,
) -> None:  # fmt: skip
    n = covariance.shape[0]
    shares = np.empty(n + 1)
    first = 0
    while first < edge_pixel.size:
        end = first
        while end < edge_pixel.size and edge_pixel[end] == edge_pixel[first]:
            end += 1
        # Circles k … k + m - 1 divide the pixel among rings k … k + m.
        ring, count = int(edge_circle[first]), end - first
        inside = 0.0
        for i in range(count):
            shares[i] = edge_area[first + i] - inside
            inside = edge_area[first + i]
        shares[count] = 1.0 - inside
        v = variance[edge_pixel[first]]
        count = min(count + 1, n - ring)
        for a in range(count):
            for b in range(count):
                covariance[ring + a, ring + b] += shares[a] * shares[b] * v
        first = end
