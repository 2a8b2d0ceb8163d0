"""Bias, dark, flat and gain against an independent library, and the silicon numbers."""

import astropy.units as u
import ccdproc
import numpy as np
import pytest
from astropy.nddata import CCDData

from beamreduce.beamline import line_width
from beamreduce.campaign import CalibratedBy
from beamreduce.frame import (
    Frame,
    MasterSet,
    adu_per_photon,
    calibrate_frame,
    make_master,
    sum_exposures,
)
from tests.frame.made_frames import (
    DETECTOR,
    ELECTRONS,
    ENERGY,
    GAIN,
    Camera,
    write_all,
)

SHAPE = (60, 70)
BEAM_SECONDS, DARK_SECONDS = 10.0, 40.0


@pytest.fixture(scope="module")
def stacks():
    """Integer frames of every kind; no outliers, so that means are plain means."""
    rng = np.random.default_rng(20240902)
    camera = Camera(
        shape=SHAPE,
        pedestal=rng.normal(1000, 5, SHAPE),
        dark_rate=rng.gamma(2, 2, SHAPE),
        response=rng.normal(1, 0.04, SHAPE),
        rng=rng,
    )
    return {
        "bias": [camera.frame() for _ in range(5)],
        "dark": [camera.frame(seconds=DARK_SECONDS) for _ in range(4)],
        "flat": [camera.frame(seconds=2, light=4e4) for _ in range(3)],
        "beam": [camera.frame(seconds=BEAM_SECONDS, photons=1.5) for _ in range(3)],
    }


def library_electrons(stacks):
    """The beam frames in electrons, by ccdproc alone."""

    def ccd(pixels):
        return CCDData(np.asarray(pixels, dtype=float), unit=u.adu)

    def combined(frames):
        return ccdproc.combine(
            [ccd(pixels) for pixels in frames], method="average", dtype=float
        )

    bias = combined(stacks["bias"])
    dark = ccdproc.subtract_bias(combined(stacks["dark"]), bias)
    times = {"data_exposure": BEAM_SECONDS * u.s, "dark_exposure": DARK_SECONDS * u.s}
    flats = []
    for pixels in stacks["flat"]:
        flat = ccdproc.subtract_bias(ccd(pixels), bias)
        flat_times = {**times, "data_exposure": 2 * u.s}
        flat = ccdproc.subtract_dark(flat, dark, scale=True, **flat_times)
        flats.append(flat.data / flat.data.mean())
    flat = combined(flats)
    total = np.zeros(SHAPE)
    for pixels in stacks["beam"]:
        frame = ccdproc.subtract_bias(ccd(pixels), bias)
        frame = ccdproc.subtract_dark(frame, dark, scale=True, **times)
        frame = ccdproc.flat_correct(frame, flat)
        frame = ccdproc.gain_correct(frame, GAIN * u.electron / u.adu)
        total += frame.data
    return total


def test_sum_of_a_measurement_against_ccdproc(tmp_path, stacks):
    bias = write_all(tmp_path, "bias", stacks["bias"], seconds=0, kind="bias")
    dark = write_all(tmp_path, "dark", stacks["dark"], seconds=DARK_SECONDS, kind="dark")
    flat = write_all(tmp_path, "flat", stacks["flat"], seconds=2, kind="flat")
    beam = write_all(tmp_path, "beam", stacks["beam"], seconds=BEAM_SECONDS)
    group = [
        CalibratedBy(exposure=row, bias=bias, dark=dark, flat=flat, dark_use="rate")
        for row in beam
    ]
    got = sum_exposures(group, folder=tmp_path, detector=DETECTOR)
    assert not got.bad.any()
    # Our flats are kept in single precision: 6e-8 of the signal a pixel.
    np.testing.assert_allclose(
        got.photons * ELECTRONS, library_electrons(stacks), rtol=3e-7, atol=1e-6
    )


def test_dark_of_the_same_time_against_ccdproc(stacks):
    dark = make_master([Frame(name="d", pixels=p) for p in stacks["dark"]])
    frame = stacks["beam"][0]
    got = calibrate_frame(
        Frame(name="b", pixels=frame),
        MasterSet(dark=dark),
        detector=DETECTOR,
        exposure_time=BEAM_SECONDS * u.s,
        energy=ENERGY,
    )
    master = ccdproc.combine(
        [CCDData(p.astype(float), unit="adu") for p in stacks["dark"]],
        method="average",
        dtype=float,
    )
    difference = ccdproc.subtract_dark(
        CCDData(frame.astype(float), unit="adu"),
        master,
        data_exposure=BEAM_SECONDS * u.s,
        dark_exposure=BEAM_SECONDS * u.s,
    )
    electrons = ccdproc.gain_correct(difference, GAIN * u.electron / u.adu).data
    np.testing.assert_allclose(got.photons * ELECTRONS, electrons, rtol=1e-12, atol=1e-9)


def test_a_clipped_mean_against_ccdproc():
    """Hits far out and none near the limit: any sound clipping takes out the same."""
    camera = Camera(shape=SHAPE, rng=np.random.default_rng(7))
    stack = [camera.frame() for _ in range(15)]
    for number in range(60):
        at = camera.rng.integers(0, stack[0].size)
        stack[number % 15].reshape(-1)[at] += np.uint16(2000)
    ours = make_master([Frame(name="f", pixels=pixels) for pixels in stack]).mean
    theirs = ccdproc.combine(
        [CCDData(pixels.astype(float), unit="adu") for pixels in stack],
        method="average",
        dtype=float,
        sigma_clip=True,
        sigma_clip_low_thresh=30,
        sigma_clip_high_thresh=30,
        sigma_clip_func=np.ma.median,
        sigma_clip_dev_func=lambda values, axis=None: 3.0 * np.ones(SHAPE),
    ).data
    np.testing.assert_allclose(ours, theirs, rtol=1e-12)


# Energy eV, read noise e-, Fano factor, pair energy eV -> electrons, FWHM eV.
# N_e = E/w and FWHM = 2.354820 w sqrt(noise² + F E/w): Janesick, Scientific
# Charge-Coupled Devices (2001), from memory; numbers computed from it by hand.
SILICON = [
    (5895.0, 0.0, 0.115, 3.65, 1615.0685, 117.137238),
    (5895.0, 5.0, 0.115, 3.65, 1615.0685, 124.771885),
    (5898.75, 3.0, 0.118, 3.66, 1611.6803, 121.635347),
    (1486.6, 5.0, 0.115, 3.65, 407.2877, 72.849731),
    (277.0, 5.0, 0.115, 3.65, 75.8904, 49.916256),
    (8047.8, 5.0, 0.115, 3.65, 2204.8767, 143.453321),
]


def silicon(noise, fano, pair):
    return DETECTOR.__class__(
        name="",
        pixel_size=20 * u.um,
        mode="integrating",
        gain=GAIN * u.electron / u.adu,
        read_noise=noise * u.electron,
        electron_energy=pair * u.eV,
        saturation=60000 * u.adu,
        fano_factor=fano,
    )


@pytest.mark.parametrize(("energy", "noise", "fano", "pair", "electrons", "fwhm"), SILICON)
def test_electrons_and_line_width_of_silicon(energy, noise, fano, pair, electrons, fwhm):
    detector = silicon(noise, fano, pair)
    # Given to four decimals.
    scale = adu_per_photon(detector, energy * u.eV)
    assert scale * GAIN == pytest.approx(electrons, abs=5.1e-5)
    # Widths here use 2.355 for the rounded 2.354820: 8e-5.
    width = line_width(detector, energy * u.eV).full_width
    assert width.to_value(u.eV) == pytest.approx(fwhm, rel=1e-4)


@pytest.mark.parametrize(("energy", "noise", "fano", "pair", "electrons", "fwhm"), SILICON)
def test_calibrated_single_photons_have_that_width(
    energy, noise, fano, pair, electrons, fwhm
):
    """One photon in every pixel, drawn as charge, calibrated as a frame."""
    rng = np.random.default_rng(int(energy))
    detector = silicon(noise, fano, pair)
    count = 400_000
    charge = rng.normal(energy / pair, np.sqrt(fano * energy / pair), count)
    raw = (charge + rng.normal(0, noise, count)) / GAIN  # not rounded: no noise of that
    frame = Frame(name="photons.fits", pixels=raw.reshape(500, -1))
    got = calibrate_frame(
        frame,
        MasterSet(),
        detector=detector,
        exposure_time=1 * u.s,
        energy=energy * u.eV,
    )
    spectrum = got.photons * energy
    # Relative error of a standard deviation: 1/sqrt(2 n) = 0.11 %, taken four times.
    measured = np.sqrt(8 * np.log(2)) * spectrum.std()
    assert measured == pytest.approx(fwhm, rel=4 / np.sqrt(2 * count))
    assert spectrum.mean() == pytest.approx(energy, abs=4 * fwhm / 2.35 / count**0.5)
    assert np.mean(spectrum / energy * electrons) == pytest.approx(electrons, rel=1e-3)
