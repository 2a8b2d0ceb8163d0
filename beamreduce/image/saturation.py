"""How close the brightest pixel comes to the limit of the detector, and what is safe."""

import math

import astropy.units as u
import numpy as np
from astropy.units import Quantity
from numba import njit

from beamreduce.beamline.stations import Detector
from beamreduce.errors import SettingsError
from beamreduce.frame.master import MasterFrame
from beamreduce.frame.master_set import MasterSet
from beamreduce.frame.photon_scale import adu_per_photon, saturation_adu
from beamreduce.image.focal_image import FocalImage
from beamreduce.units import positive_in, value_in

_PEAK_PHOTONS = 100.0
_LARGEST_BOX = 65
_GOOD_SHARE = 0.75
_SAFE_PART = 0.8
# The brightest of some ten thousand core pixels lies about four sigma up.
_SAFE_SIGMAS = 4.0
_PROFILE_RINGS = 5
_PROFILE_POWERS = (0.5, 1.0, 2.0)


def peak_photons(image: FocalImage) -> float:
    """Return the photons a pixel at the peak, in the pixels that are not saturated.

    The mean of the brightest square box of pixels, the smallest (1, 3, 5, 9 … pixels
    wide) that holds 100 photons: single pixels of a sparse image say how many photons
    came, not how many were to be expected.
    """
    usable = image.usable
    side, mean = 1, max(float(image.photons.max()), 0.0)
    while True:
        if side > 1:
            mean = _brightest_box(image.photons, usable, side)
        if mean * side**2 >= _PEAK_PHOTONS or 2 * side >= min(*image.shape, _LARGEST_BOX):
            return mean
        side = max(3, 2 * side - 1)


def peak_occupancy(image: FocalImage, *, frames: int) -> float:
    """Return the photons a pixel and frame at the peak.

    A counter that reads out frames takes two photons in one pixel of one frame for
    one: above some 0.01 the pile-up is no longer small.

    Parameters
    ----------
    image
        Photons summed over frames.
    frames
        Number of detector frames in the sum.
    """
    if frames < 1:
        raise SettingsError(f"frames must be at least 1; got {frames}")
    return peak_photons(image) / frames


def pedestal_of(masters: MasterSet) -> Quantity:
    """Return the typical pixel value that an exposure begins from.

    The bias level; where there is no bias, the dark of the same time; 0 with neither.
    """
    master = masters.bias if masters.bias is not None else masters.dark
    if not isinstance(master, MasterFrame):
        return 0 * u.adu
    return float(np.median(master.mean)) * u.adu


def safe_exposure_time(
    image: FocalImage,
    *,
    detector: Detector,
    frame_time: Quantity,
    pedestal: Quantity,
    peak: float | None = None,
) -> Quantity:
    """Estimate the longest frame that does not saturate in this beam.

    The peak may fill 80 % of the range above the pedestal, and four sigma of its photon
    noise must fit into the rest (a full pixel holds only some hundred photons).

    Parameters
    ----------
    image
        Photons summed over frames; saturated pixels flagged.
    detector
        With its saturation level.
    frame_time
        Exposure time of the longest frame in the sum. When pixels are saturated the
        peak must have been at the limit in it, so the answer is always below this.
    pedestal
        Pixel value without light, from :func:`pedestal_of`: it does not grow with the
        light, only what is above it does.
    peak
        From :func:`peak_photons`, where it is known already.

    Notes
    -----
    The peak of a saturated core is extrapolated from five rings about it: straight
    lines of ln(photons) against the root of the radius, the radius and its square (a
    cusp, an exponential, a Gaussian); of those that fit, the highest at the center. It
    is an estimate, so a test exposure should follow.

    Raises
    ------
    SettingsError
        When the detector has no saturation level, or it is not above the pedestal.
    """
    limit = saturation_adu(detector)
    if limit is None:
        raise SettingsError(
            "saturation must be declared to find a safe exposure time; got none "
            "(add it to [detector])"
        )
    offset = value_in(pedestal, u.adu, name="pedestal")
    full = (limit - offset) / adu_per_photon(detector, image.energy)
    if full <= 0:
        raise SettingsError(
            f"saturation must be above the pedestal; got {limit:g} and {offset:g} adu"
        )
    seconds = positive_in(image.live_time, u.s, name="live_time")
    frame_seconds = positive_in(frame_time, u.s, name="frame_time")
    rate = (peak_photons(image) if peak is None else peak) / seconds
    if image.saturated.any():
        rate = max(rate, _hidden_peak(image) / seconds, full / frame_seconds)
    if rate <= 0:
        raise SettingsError("image must hold photons to find a safe exposure; got none")
    half = _SAFE_SIGMAS / 2
    # m + 4 √m = full, solved for m.
    within_noise = (math.sqrt(half**2 + full) - half) ** 2
    return min(_SAFE_PART * full, within_noise) / rate * u.s


def _hidden_peak(image: FocalImage) -> float:
    """Photons a pixel at the middle of the largest saturated patch; 0 when unknown."""
    from scipy.ndimage import label  # noqa: PLC0415 - slow import, seldom needed

    patches, _ = label(image.saturated)
    sizes = np.bincount(patches.ravel())
    sizes[0] = 0
    rows, columns = np.nonzero(patches == np.argmax(sizes))
    y, x = np.ogrid[: image.shape[0], : image.shape[1]]
    radius = np.hypot(x - columns.mean(), y - rows.mean())
    edge = float(radius[rows, columns].max()) + 1.0
    width = max(1.0, edge / _PROFILE_RINGS)
    ring = np.floor((radius - edge) / width).astype(int)
    used = image.usable & (ring >= 0) & (ring < _PROFILE_RINGS)
    pixels = np.bincount(ring[used], minlength=_PROFILE_RINGS)
    photons = np.bincount(ring[used], weights=image.photons[used], minlength=_PROFILE_RINGS)
    lit = (pixels > 0) & (photons > 0)
    if lit.sum() < 2:
        return 0.0
    middle = edge + (np.arange(_PROFILE_RINGS)[lit] + 0.5) * width
    height = np.log(photons[lit] / pixels[lit])
    weight = np.sqrt(photons[lit])
    fits: list[tuple[float, float]] = []
    for power in _PROFILE_POWERS:
        line = np.polyfit(middle**power, height, 1, w=weight)
        misfit = weight * (height - np.polyval(line, middle**power))
        if line[0] < 0:
            fits.append((float(np.sum(misfit**2)), math.exp(line[1])))
    if not fits:
        return 0.0
    best = min(chi_square for chi_square, _ in fits)
    # Two sigma worse than the best still counts as a fit.
    return max(peak for chi_square, peak in fits if chi_square <= best + 4)


@njit(cache=True, nogil=True)
def _brightest_box(photons: np.ndarray, usable: np.ndarray, side: int) -> float:
    """Largest mean of the square boxes of a side, a quarter of it apart; at least 0.

    Boxes with bad pixels in them count by their good ones, photons being 0 in the others.
    """
    ny, nx = photons.shape
    step = max(1, side // 4)
    best = 0.0
    sums, counts = np.empty(nx), np.empty(nx)
    for top in range(0, ny - side + 1, step):
        sums[:] = photons[top]
        counts[:] = usable[top]
        for row in range(top + 1, top + side):
            sums += photons[row]
            counts += usable[row]
        for left in range(0, nx - side + 1, step):
            photons_in, count = 0.0, 0.0
            for column in range(left, left + side):
                photons_in += sums[column]
                count += counts[column]
            if count > _GOOD_SHARE * side**2 and photons_in > best * count:
                best = photons_in / count
    return best
