"""A small detector whose truth is known, and campaign rows for its frames."""

from dataclasses import dataclass, field

import astropy.units as u
import numpy as np
from astropy.io import fits

from beamreduce.beamline import Detector
from beamreduce.campaign import CalibratedBy, Exposure
from beamreduce.frame import Frame

ENERGY = 4.511 * u.keV
PAIR_EV = 3.65
FANO = 0.115
ELECTRONS = 4511 / PAIR_EV  # a photon
GAIN, READ_NOISE = 2.0, 6.0

DETECTOR = Detector(
    name="",
    pixel_size=20 * u.um,
    mode="integrating",
    gain=GAIN * u.electron / u.adu,
    read_noise=READ_NOISE * u.electron,
    electron_energy=PAIR_EV * u.eV,
    saturation=60000 * u.adu,
    fano_factor=FANO,
)
COUNTER = Detector(name="counter", pixel_size=55 * u.um, mode="counting")


@dataclass(frozen=True, kw_only=True)
class Camera:
    """Draws raw frames: pedestal, dark current, response, and noise of each."""

    shape: tuple = (64, 64)
    pedestal: object = 1000.0  # adu
    dark_rate: object = 0.0  # electrons a second
    response: object = 1.0
    read_noise: float = READ_NOISE
    rng: np.random.Generator = field(default_factory=lambda: np.random.default_rng(5))

    def frame(self, seconds=0.0, photons=0.0, light=0.0):
        """Raw pixels, uint16: expected photons a pixel, and electrons of plain light."""
        rng, shape = self.rng, self.shape
        count = rng.poisson(np.broadcast_to(photons, shape)).astype(float)
        charge = count * ELECTRONS
        charge += rng.normal(size=shape) * np.sqrt(FANO * charge)
        charge += rng.poisson(np.broadcast_to(light, shape))
        charge *= self.response
        charge += rng.poisson(np.broadcast_to(self.dark_rate, shape) * seconds)
        charge += rng.normal(0.0, self.read_noise, shape)
        adu = self.pedestal + charge / GAIN
        return np.clip(np.rint(adu), 0, 65535).astype(np.uint16)

    def frames(self, count, **kind):
        return [Frame(name=f"f{i}.fits", pixels=self.frame(**kind)) for i in range(count)]


def write(folder, name, pixels, seconds=10.0, kind="beam", **cells):
    """Write a frame and return the row that describes it."""
    fits.writeto(folder / name, pixels, overwrite=True)
    if kind in ("beam", "direct"):
        cells = {"energy": ENERGY, "detector_distance": 5500 * u.mm, **cells}
    return Exposure(
        exposure=name.removesuffix(".fits"),
        file=name,
        kind=kind,
        exposure_time=seconds * u.s,
        **cells,
    )


def write_all(folder, stem, frames, **row):
    return tuple(write(folder, f"{stem}-{i}.fits", p, **row) for i, p in enumerate(frames))


def plain(*exposures):
    """Exposures that no master belongs to."""
    return tuple(CalibratedBy(exposure=exposure) for exposure in exposures)
