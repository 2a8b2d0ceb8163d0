"""Photons to charge to the numbers that a detector writes."""

import math
from dataclasses import dataclass

import astropy.units as u
import numpy as np
from scipy.special import erf

from beamreduce.beamline import Detector
from beamreduce.errors import SettingsError
from beamreduce.simulate.scenario_records import SensorAsMade

_PHOTONS_AT_ONCE = 50_000
_REACH_PX = 3  # charge further from a photon's pixel than this is put into the last ring
_TRACK_E_PER_UM = 80.0  # electrons a micrometre along a charged particle's path, common
_DEPTH_UM = 40.0  # sensitive depth of the silicon
_LEAST_COSINE = 0.05  # of the angle between a track and the normal of the detector
_LANDAU = (0.7, 1.5)  # a track's charge over the common one, evenly drawn
_LARGEST = 65535


@dataclass(frozen=True, kw_only=True)
class DetectorAsMade:
    """A detector with all its pixels; images have shape (rows, columns), float32.

    Parameters
    ----------
    declared
        What campaign.toml says about it.
    image_center
        Pixel (x, y) on which the beam's axis falls.
    cloud_px
        Standard deviation of the charge cloud of one photon.
    bias_adu
        Value without light.
    dark_e_per_s
        Dark current, hot pixels among it.
    response
        Of each pixel to light, mean 1; 0 in dead ones.
    stuck
        Pixels that always read the largest value.
    flat_e_per_s
        Light of the lamp for flat fields.
    cosmic_rays_per_s
        Particles on the whole frame.
    """

    declared: Detector
    image_center: tuple[float, float]
    cloud_px: float
    bias_adu: np.ndarray
    dark_e_per_s: np.ndarray
    response: np.ndarray
    stuck: np.ndarray
    flat_e_per_s: float
    cosmic_rays_per_s: float

    @property
    def shape(self) -> tuple[int, int]:
        """Rows and columns."""
        return self.response.shape

    @property
    def pixel_mm(self) -> float:
        """Side of a pixel in mm."""
        return float(self.declared.pixel_size.to_value(u.mm))

    def to_pixels(self, place_mm: np.ndarray) -> np.ndarray:
        """Return pixel coordinates of places in the beam frame, shape (2, n).

        A pixel's place as seen from the source is had by turning x round where the
        detector is flipped and then rotating from +x towards +y; this is the way back.
        """
        rotation = self.declared.rotation
        angle = 0.0 if rotation is None else float(rotation.to_value(u.rad))
        cosine, sine = math.cos(angle), math.sin(angle)
        x = cosine * place_mm[0] + sine * place_mm[1]
        y = -sine * place_mm[0] + cosine * place_mm[1]
        if self.declared.x_flipped:
            x = -x
        return np.stack(
            [
                self.image_center[0] + x / self.pixel_mm,
                self.image_center[1] + y / self.pixel_mm,
            ]
        )


@dataclass(frozen=True, kw_only=True)
class ArrivingPhotons:
    """Photons that the detector absorbs: pixel coordinates (2, n) and energy each."""

    place_px: np.ndarray
    energy_kev: np.ndarray

    def joined(self, other: "ArrivingPhotons") -> "ArrivingPhotons":
        """Return both together."""
        return ArrivingPhotons(
            place_px=np.concatenate([self.place_px, other.place_px], axis=1),
            energy_kev=np.concatenate([self.energy_kev, other.energy_kev]),
        )


def make_detector(
    declared: Detector, sensor: SensorAsMade, rng: np.random.Generator
) -> DetectorAsMade:
    """Draw the pixels of a detector: bias pattern, response, bad ones."""
    shape = (sensor.rows, sensor.columns)
    pattern_adu = sensor.bias_pattern.to_value(u.adu)
    columns = rng.standard_normal(sensor.columns, dtype=np.float32)
    slope = np.linspace(-1, 1, sensor.rows, dtype=np.float32)[:, None]
    bias = sensor.bias_level.to_value(u.adu) + pattern_adu * (columns + slope)
    response = 1 + sensor.response_spread * rng.standard_normal(shape, dtype=np.float32)
    dark_e = sensor.dark_current.to_value(u.electron / u.s)
    dark = np.full(shape, dark_e, dtype=np.float32)
    bad = rng.choice(
        sensor.rows * sensor.columns,
        size=sensor.hot_pixels + sensor.dead_pixels + sensor.stuck_pixels,
        replace=False,
    )
    hot, dead, stuck_at = np.split(
        bad, [sensor.hot_pixels, sensor.hot_pixels + sensor.dead_pixels]
    )
    hot_e = sensor.hot_current.to_value(u.electron / u.s)
    dark.flat[hot] += hot_e * rng.uniform(0.3, 3.0, len(hot)).astype(np.float32)
    response.flat[dead] = 0
    dark.flat[dead] = 0
    stuck = np.zeros(shape, dtype=bool)
    stuck.flat[stuck_at] = True
    area = declared.pixel_size**2 * response.size
    return DetectorAsMade(
        declared=declared,
        image_center=sensor.image_center,
        cloud_px=sensor.charge_cloud,
        bias_adu=(bias * np.ones(shape, dtype=np.float32)).astype(np.float32),
        dark_e_per_s=dark,
        response=response,
        stuck=stuck,
        flat_e_per_s=float(sensor.flat_light.to_value(u.electron / u.s)),
        cosmic_rays_per_s=float((sensor.cosmic_rays * area).to_value(1 / u.s)),
    )


def expose(
    detector: DetectorAsMade,
    photons: ArrivingPhotons,
    time_s: float,
    rng: np.random.Generator,
    *,
    lamp: bool = False,
) -> np.ndarray:
    """Return one raw frame as uint16, shape (rows, columns).

    Parameters
    ----------
    detector
        The detector.
    photons
        What it absorbs in this exposure.
    time_s
        How long it collects dark current and cosmic rays, and the lamp's light.
    rng
        Where chance comes from.
    lamp
        True when the lamp for flat fields is on.
    """
    if not detector.declared.integrating:
        return _count(detector, photons, rng)
    light = detector.response * _photon_charge(detector, photons, rng)
    if lamp:
        light += rng.poisson(detector.response * detector.flat_e_per_s * time_s)
    charge = light + rng.poisson(detector.dark_e_per_s * time_s)
    _add_cosmic_rays(charge, detector, time_s, rng)
    declared = detector.declared
    noise_e = np.float32(declared.read_noise.to_value(u.electron))
    charge += noise_e * rng.standard_normal(detector.shape, dtype=np.float32)
    gain = declared.gain.to_value(u.electron / u.adu)
    most = min(declared.saturation.to_value(u.adu), _LARGEST)
    raw = np.rint(detector.bias_adu + charge / gain)
    raw[detector.stuck] = most
    return np.clip(raw, 0, most).astype(np.uint16)


def _count(
    detector: DetectorAsMade, photons: ArrivingPhotons, rng: np.random.Generator
) -> np.ndarray:
    """Count each photon in the pixel that its charge, spread about it, falls into."""
    cloud = detector.cloud_px * rng.standard_normal(photons.place_px.shape)
    cells = np.rint(photons.place_px + cloud).astype(np.int64)
    seen = rng.random(cells.shape[1])
    image = np.zeros(detector.shape, dtype=np.int64)
    inside = _inside(cells, detector.shape)
    x, y = cells[:, inside]
    alive = seen[inside] < detector.response[y, x]
    np.add.at(image, (y[alive], x[alive]), 1)
    if image.max() > _LARGEST:
        raise SettingsError(
            f"a pixel must not count more than {_LARGEST} photons; got {image.max()}; "
            f"make the exposure shorter or the source weaker"
        )
    return image.astype(np.uint16)


def _photon_charge(
    detector: DetectorAsMade, photons: ArrivingPhotons, rng: np.random.Generator
) -> np.ndarray:
    """Return electrons a pixel: Fano noise a photon, a Gaussian cloud over its pixels."""
    pair_kev = detector.declared.electron_energy.to_value(u.keV)
    mean = photons.energy_kev / pair_kev
    noise = np.sqrt(detector.declared.fano_factor * mean)
    electrons = np.maximum(mean + noise * rng.standard_normal(len(mean)), 0.0)
    total = np.zeros(detector.shape)
    for first in range(0, len(mean), _PHOTONS_AT_ONCE):
        part = slice(first, first + _PHOTONS_AT_ONCE)
        _add_clouds(total, detector, photons.place_px[:, part], electrons[part])
    return total.astype(np.float32)


def _add_clouds(
    charge: np.ndarray, detector: DetectorAsMade, place: np.ndarray, electrons: np.ndarray
) -> None:
    """Spread the charge of photons over the 7 × 7 pixels about each, in place."""
    cell = np.rint(place).astype(np.int64)
    x_share, y_share = (
        _cloud_shares(place[k] - cell[k], detector.cloud_px) for k in (0, 1)
    )
    steps = np.arange(-_REACH_PX, _REACH_PX + 1)
    box = (len(electrons), len(steps), len(steps))
    x = np.broadcast_to((cell[0][:, None] + steps)[:, None, :], box)
    y = np.broadcast_to((cell[1][:, None] + steps)[:, :, None], box)
    shared = electrons[:, None, None] * y_share[:, :, None] * x_share[:, None, :]
    inside = _inside((x, y), detector.shape)
    flat = y[inside] * detector.shape[1] + x[inside]
    added = np.bincount(flat, shared[inside], minlength=charge.size)
    charge += added.reshape(charge.shape)


def _cloud_shares(offset_px: np.ndarray, cloud_px: float) -> np.ndarray:
    """Return the share of a cloud in each of 7 pixels of one row, shape (n, 7)."""
    edges = np.arange(-_REACH_PX + 0.5, _REACH_PX) - offset_px[:, None]
    if cloud_px > 0:
        below = (1 + erf(edges / (cloud_px * math.sqrt(2)))) / 2
    else:
        below = (edges > 0).astype(float)
    ends = np.ones((len(offset_px), 1))
    return np.diff(np.concatenate([0 * ends, below, ends], axis=1), axis=1)


def _inside(
    cells: tuple[np.ndarray, np.ndarray] | np.ndarray, shape: tuple[int, int]
) -> np.ndarray:
    x, y = cells
    return (x >= 0) & (x < shape[1]) & (y >= 0) & (y < shape[0])


def cosmic_charge_e_per_s(detector: DetectorAsMade) -> float:
    """Return the mean charge of cosmic rays a pixel and second, in electrons.

    Depth times the mean of 1/cosine, ``ln(1/c)/(1 - c)``; the few tracks that leave the
    frame are not taken off (about 1 % of this charge).
    """
    length_um = _DEPTH_UM * math.log(1 / _LEAST_COSINE) / (1 - _LEAST_COSINE)
    charge = length_um * _TRACK_E_PER_UM * sum(_LANDAU) / 2
    return charge * detector.cosmic_rays_per_s / detector.response.size


def _add_cosmic_rays(
    charge: np.ndarray, detector: DetectorAsMade, time_s: float, rng: np.random.Generator
) -> None:
    """Add straight tracks of charged particles to an image of electrons, in place.

    Their cosine is drawn evenly, which gives short tracks and a few long ones.
    """
    ny, nx = detector.shape
    pixel_um = detector.pixel_mm * 1000
    for _ in range(rng.poisson(detector.cosmic_rays_per_s * time_s)):
        cosine = rng.uniform(_LEAST_COSINE, 1.0)
        heading = rng.uniform(0, 2 * math.pi)
        length_um = _DEPTH_UM / cosine
        lateral_px = length_um * math.sqrt(1 - cosine**2) / pixel_um
        points = np.linspace(0, lateral_px, max(int(4 * lateral_px), 1))
        x = np.rint(rng.uniform(-0.5, nx - 0.5) + points * math.cos(heading)).astype(int)
        y = np.rint(rng.uniform(-0.5, ny - 0.5) + points * math.sin(heading)).astype(int)
        inside = _inside((x, y), detector.shape)
        share = length_um * _TRACK_E_PER_UM * rng.uniform(*_LANDAU) / len(points)
        np.add.at(charge, (y[inside], x[inside]), share)
