"""Stated errors of calibrated sums against the scatter of whole repeats.

Every repeat draws its own bias, dark, flat and beam frames (Poisson photons, Fano noise,
dark shot noise, read noise, rounding to whole adu) and goes through the whole chain. The
frame is cut into blocks; the scatter of each block's sum between repeats is compared
with the variance that the calibration states (method: derived; common practice).
"""

import math
from dataclasses import dataclass, replace

import astropy.units as u
import numpy as np
import pytest

from beamreduce.frame import (
    FlatFrames,
    Frame,
    MasterSet,
    calibrate_frames,
    make_dark_rate,
    make_flat,
    make_master,
    variance_per_photon,
)
from tests.frame.made_frames import COUNTER, DETECTOR, ELECTRONS, ENERGY, GAIN, Camera

SIDE, BLOCK = 64, 16
PER_PHOTON = variance_per_photon(DETECTOR, ENERGY)


@dataclass(frozen=True)
class Case:
    """One way of taking a measurement; times in seconds, light in electrons."""

    photons: float
    frames: int = 6
    seconds: float = 10.0
    dark_rate: float = 0.5
    biases: int = 4
    darks: int = 4
    same_time: bool = False
    flats: int = 0
    light: float = 0.0
    vignetting: float = 0.0


CASES = {
    "sparse photons": Case(photons=0.05),
    "many photons": Case(photons=20.0),
    # 30 frames and 3 biases: the biases hold ten times the variance of the frames.
    "the bias is common to all frames": Case(photons=0.0, frames=30, biases=3, darks=3),
    "dark current": Case(photons=0.0, dark_rate=200.0, darks=3),
    "darks of the same time": Case(photons=0.0, dark_rate=50.0, same_time=True, darks=5),
    # Three flats of 1 200 electrons know the response to 1.7 %; 1 200 photons to 2.9 %.
    "the flat": Case(photons=40.0, frames=30, flats=3, light=1200.0),
    "division by the flat": Case(photons=5.0, flats=4, light=4e4, vignetting=0.3),
}


def response_of(case):
    x = np.linspace(-1, 1, SIDE)
    return 1 + case.vignetting * x * np.ones((SIDE, 1))


def masters_of(case, camera):
    nothing = np.zeros((SIDE, SIDE), dtype=bool)
    if case.same_time:
        dark = make_master(camera.frames(case.darks, seconds=case.seconds))
        return MasterSet(dark=dark, bad=nothing)
    bias = make_master(camera.frames(case.biases))
    dark_master = make_master(camera.frames(case.darks, seconds=40))
    masters = MasterSet(
        bias=bias, dark=make_dark_rate([(dark_master, 40.0)], bias), bad=nothing
    )
    if not case.flats:
        return masters
    frames = camera.frames(case.flats, seconds=1, light=case.light)
    pedestals = [lambda: masters.pedestal(count=1, seconds=1)] * case.flats
    flat = make_flat(FlatFrames(frames, pedestals, nothing), noise=lambda level: level)
    return MasterSet(bias=bias, dark=masters.dark, flat=flat, bad=nothing)


def blocks(image):
    cut = image.reshape(SIDE // BLOCK, BLOCK, SIDE // BLOCK, BLOCK)
    return cut.sum(axis=(1, 3)).ravel()


def scatter_and_statement(case, repeats, seed):
    """Variance of block sums between repeats, and the mean of what was stated."""
    camera = Camera(
        shape=(SIDE, SIDE),
        dark_rate=case.dark_rate,
        response=response_of(case),
        rng=np.random.default_rng(seed),
    )
    sums, stated = [], []
    for _ in range(repeats):
        masters = masters_of(case, camera)
        got = calibrate_frames(
            camera.frames(case.frames, seconds=case.seconds, photons=case.photons),
            masters,
            detector=DETECTOR,
            exposure_times=[case.seconds] * case.frames * u.s,
            energy=ENERGY,
        )
        assert not (got.bad | got.saturated).any()
        sums.append(blocks(got.photons))
        stated.append(blocks(PER_PHOTON * got.photons + got.noise_variance))
    return np.var(sums, axis=0, ddof=1), np.mean(stated, axis=0)


def test_counts_divided_by_a_flat_scatter_as_stated():
    """A counter's response is a chance: counts are thinned before they are divided."""
    rng = np.random.default_rng(20240905)
    response = response_of(Case(photons=0, vignetting=0.4))
    flat = replace(
        make_master([Frame(name="flat", pixels=response)]),
        variance=np.zeros(response.shape, dtype=np.float32),
    )
    masters = MasterSet(flat=flat, bad=np.zeros(response.shape, dtype=bool))
    sums, stated = [], []
    for _ in range(1000):
        counts = Frame(name="f", pixels=rng.poisson(0.3 * response))
        times = [1] * u.s
        got = calibrate_frames([counts], masters, detector=COUNTER, exposure_times=times)
        sums.append(blocks(got.photons))
        stated.append(blocks(got.photons + got.noise_variance))
    ratio = np.var(sums, axis=0, ddof=1) / np.mean(stated, axis=0)
    # 4.5 % a block, five sigma for the largest of 16; without the term up to 45 % off.
    assert np.abs(ratio - 1).max() < 5 * math.sqrt(2 / 999)


@pytest.mark.slow
@pytest.mark.parametrize("name", CASES)
def test_stated_variance_is_the_scatter_of_repeats(name, whole_grid):
    repeats = 400 if whole_grid else 40
    scatter, stated = scatter_and_statement(CASES[name], repeats, seed=len(name))
    # Each of 16 blocks knows its variance to sqrt(2/(repeats - 1)); three sigma of the
    # mean ratio. Rounding to whole adu adds 1/12 adu² to 9: 1 % of read noise.
    error = math.sqrt(2 / (repeats - 1) / scatter.size)
    assert np.mean(scatter / stated) == pytest.approx(1, abs=3 * error + 0.01)
    # Each block on its own: five sigma, the largest of 16 x 7 draws.
    assert np.abs(scatter / stated - 1).max() < 5 * math.sqrt(2 / (repeats - 1))


def test_the_cases_are_ruled_by_what_they_are_named_after():
    """Without the term in question the statement would be far off."""
    case = CASES["the bias is common to all frames"]
    masters = masters_of(case, Camera(shape=(SIDE, SIDE), rng=np.random.default_rng(1)))
    common = np.mean(masters.pedestal_variance(count=30, seconds=300))
    single = np.mean(masters.frame_variance(DETECTOR, count=30, seconds=300))
    assert common > 3 * single
    case = CASES["the flat"]
    camera = Camera(shape=(SIDE, SIDE), rng=np.random.default_rng(2))
    relative = masters_of(case, camera).flat.variance.mean()
    assert (case.photons * case.frames) ** 2 * relative > 0.3 * case.photons * case.frames


KERNEL = np.array([0.25, 0.5, 0.25])  # charge of one photon along each axis


def spread_frame(rng, level):
    """Photons whose charge is shared by 3 x 3 pixels; the frame wraps around."""
    charge = rng.poisson(level, (SIDE, SIDE)) * ELECTRONS
    for axis in (0, 1):
        charge = sum(
            part * np.roll(charge, step, axis)
            for step, part in zip((-1, 0, 1), KERNEL, strict=True)
        )
    raw = 1000 + (charge + rng.normal(0, 6, charge.shape)) / GAIN
    return Frame(name="f", pixels=np.rint(raw).astype(np.uint16))


def test_sums_scatter_as_stated_when_charge_is_spread():
    rng = np.random.default_rng(20240904)
    repeats, level = 300, 0.5
    bias = make_master(Camera(shape=(SIDE, SIDE), rng=rng).frames(50))
    sums, stated, pixels = [], [], []
    for _ in range(repeats):
        got = calibrate_frames(
            [spread_frame(rng, level) for _ in range(2)],
            MasterSet(bias=bias),
            detector=DETECTOR,
            exposure_times=[1, 1] * u.s,
            energy=ENERGY,
        )
        assert not got.bad.any()
        sums.append(blocks(got.photons))
        pixels.append(got.photons)
        stated.append(PER_PHOTON * got.photons)
    # Photons at the rim of a block leave part of their charge outside: along an axis the
    # block acts as if it were 2 (1 - 0.75² - 0.25²) = 0.75 pixels shorter.
    rim = ((BLOCK - 0.75) / BLOCK) ** 2
    ratio = np.var(sums, axis=0, ddof=1) / (blocks(np.mean(stated, axis=0)) * rim)
    # 16 blocks of 300 repeats: 2.0 %, three sigma; read noise of 1e-4 photons² adds less.
    assert ratio.mean() == pytest.approx(1, abs=3 * math.sqrt(2 / 299 / ratio.size))
    # Single pixels scatter by (Σ kernel²)² = 0.14 of that: no measure of the error.
    single = np.var(pixels, axis=0, ddof=1).mean() / np.mean(stated)
    assert single == pytest.approx(np.sum(KERNEL**2) ** 2, rel=0.02)
    assert single < 0.25
