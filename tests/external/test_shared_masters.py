"""Net flux in circles where beam and beam-off frames share their masters, by repetition.

Every repeat draws bias, dark, flat, beam and beam-off frames anew and takes the scaled
beam-off sum away. The scatter of the net photons in sixteen circles is held against the
uncertainty that is quoted for each (method: derived; common practice).
"""

import math
from dataclasses import dataclass, replace

import astropy.units as u
import numpy as np
import pytest

from beamreduce.background import background_in_rings, from_exposure
from beamreduce.campaign import CalibratedBy, Exposure
from beamreduce.encircled_energy import net_rings
from beamreduce.frame import (
    FlatFrames,
    Frame,
    MasterSet,
    SummedFrames,
    adu_per_photon,
    calibrate_frames,
    make_dark_rate,
    make_flat,
    make_master,
    shared_covariance,
    variance_per_photon,
)
from beamreduce.image import FocalImage
from beamreduce.rings import count_in_image, plan_for
from tests.frame.made_frames import DETECTOR, ENERGY, Camera

SIDE = 64
CENTERS = [(x, y) for x in (8, 24, 40, 56) for y in (8, 24, 40, 56)]
RADII = np.array([4.0, 7.0]) * 20 * u.um
AREA_PX = math.pi * 7.0**2
READ_NOISE = 100.0  # electrons: 0.08 photons
NOISY = replace(DETECTOR, read_noise=READ_NOISE * u.electron)
NOTHING = np.zeros((SIDE, SIDE), dtype=bool)


@dataclass(frozen=True)
class Case:
    """Numbers and times (s) of frames, and light: photons a pixel in the sums."""

    beam: int = 12
    off: int = 12
    beam_seconds: float = 10.0
    off_seconds: float = 10.0
    level: float = 0.0
    image: float = 0.3
    biases: int = 3
    darks: int = 3
    same_time: bool = False
    flats: int = 0

    @property
    def scale(self):
        return self.beam * self.beam_seconds / (self.off * self.off_seconds)


CASES = {
    "frames of one time": Case(),
    # Part of the noise of the bias stays: 12 (1 - 10/30) less twice 12 (1 - 5/30).
    "shorter beam-off frames": Case(off_seconds=5.0),
    "fewer frames, darks of the same time": Case(off=6, same_time=True),
    # Three flats of 100 electrons know the response to 5.8 %: 23 photons of 400.
    "a coarse flat": Case(level=400.0, image=20.0, flats=3),
}


def masters_of(case, camera):
    if case.same_time:
        dark = make_master(camera.frames(case.darks, seconds=case.beam_seconds))
        return MasterSet(dark=dark, bad=NOTHING)
    bias = make_master(camera.frames(case.biases))
    dark = make_master(camera.frames(case.darks, seconds=30.0))
    rate = make_dark_rate([(dark, 30.0)], bias)
    masters = MasterSet(bias=bias, dark=rate, bad=NOTHING)
    if not case.flats:
        return masters
    # Of another detector setting, without pedestal: else its read noise ruled the flat.
    frames = [
        Frame(name=f"flat{k}", pixels=camera.rng.poisson(100.0, (SIDE, SIDE)))
        for k in range(case.flats)
    ]
    pedestals = [lambda: 0.0] * case.flats
    flat = make_flat(FlatFrames(frames, pedestals, NOTHING), noise=lambda level: level)
    return replace(masters, flat=flat)


def rows(case, kind, count, seconds):
    """Rows of the exposure table that all name the same masters."""

    def exposure(name, seconds, kind):
        return Exposure(
            exposure=name, file=f"{name}.fits", kind=kind, exposure_time=seconds * u.s
        )

    bias = () if case.same_time else (exposure("z", 0.0, "bias"),)
    return [
        CalibratedBy(
            exposure=exposure(f"{kind}-{k}", seconds, kind),
            bias=bias,
            dark=(exposure("d", 10.0 if case.same_time else 30.0, "dark"),),
            flat=(exposure("f", 1.0, "flat"),) if case.flats else (),
            dark_use="same_time" if case.same_time else "rate",
        )
        for k in range(count)
    ]


def summed(case, camera, masters, kind):
    """Image of the beam or the beam-off frames, and what they were summed from."""
    beam = kind == "beam"
    count, seconds = (
        (case.beam, case.beam_seconds) if beam else (case.off, case.off_seconds)
    )
    photons = case.level + case.image if beam else case.level / case.scale
    total = calibrate_frames(
        camera.frames(count, seconds=seconds, photons=photons / count),
        masters,
        detector=NOISY,
        exposure_times=[seconds] * count * u.s,
        energy=ENERGY,
    )
    image = FocalImage(
        photons=total.photons,
        flags=np.zeros((SIDE, SIDE), dtype=np.uint8),
        noise_variance=total.noise_variance,
        variance_per_photon=variance_per_photon(NOISY, ENERGY),
        pixel_size=20 * u.um,
        detector_distance=5.5 * u.m,
        live_time=count * seconds * u.s,
        energy=ENERGY,
    )
    frames = SummedFrames(exposures=rows(case, kind, count, seconds), photons=total.photons)
    return image, frames


def net_in_circles(case, camera, *, sharing=True):
    """Net photons and quoted variance in every circle of one repeat."""
    masters = masters_of(case, camera)
    image, beam = summed(case, camera, masters, "beam")
    beam_off, off = summed(case, camera, masters, "off")
    shared = shared_covariance(
        beam,
        off,
        masters=lambda item: masters,
        adu_per_photon=adu_per_photon(NOISY, ENERGY),
    )
    background = from_exposure(
        beam_off, scale=case.scale, shared=shared if sharing else 0.0
    )
    # What beam-off frames scatter beyond counting is never below zero, so on so few
    # pixels it is mostly chance, and no matter of masters: it is left out here.
    chance = case.scale * background.excess_variance * AREA_PX
    found = []
    for center in CENTERS:
        plan = plan_for(image, center, RADII)
        rings = count_in_image(image, plan)
        level = background_in_rings(background, plan, image.usable)
        net = net_rings(rings, level, RADII[-1])
        found.append((net.photons.sum(), net.covariance.sum() - chance))
    return np.array(found)


def scatter_and_quoted(case, repeats, seed, **options):
    camera = Camera(
        shape=(SIDE, SIDE),
        dark_rate=20.0,
        read_noise=READ_NOISE,
        rng=np.random.default_rng(seed),
    )
    found = np.array([net_in_circles(case, camera, **options) for _ in range(repeats)])
    # Deviations from the truth: the mean has to be right as well.
    return np.mean((found[:, :, 0] - case.image * AREA_PX) ** 2), np.mean(found[:, :, 1])


@pytest.mark.slow
@pytest.mark.parametrize("name", CASES)
def test_the_quoted_uncertainty_is_the_scatter_of_repeats(name, whole_grid):
    repeats = 200 if whole_grid else 25
    scatter, quoted = scatter_and_quoted(CASES[name], repeats, seed=20251 + len(name))
    # A variance of n draws is known to √(2/n): 7 % of 400 circles; four times that.
    draws = repeats * len(CENTERS)
    assert scatter / quoted == pytest.approx(1.0, abs=4 * math.sqrt(2 / draws))


@pytest.mark.parametrize("name", CASES)
def test_noise_counted_twice_would_show(name):
    """The quoted variance without what is shared is far above the one with it."""
    case = CASES[name]
    twice = scatter_and_quoted(case, 1, 7, sharing=False)[1]
    once = scatter_and_quoted(case, 1, 7)[1]
    assert twice > 1.4 * once
