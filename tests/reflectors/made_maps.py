"""Surfaces with closed forms, and normal surfaces with a known spectrum."""

import astropy.units as u
import numpy as np

from beamreduce.reflectors import height_map


def as_map(heights_nm, pixel_um=1.0, pixel_y_um=None):
    return height_map(
        np.asarray(heights_nm) * u.nm,
        pixel_size=pixel_um * u.um,
        pixel_size_y=None if pixel_y_um is None else pixel_y_um * u.um,
    )


def sine(rows=64, columns=64, waves=4, amplitude=2.0):
    x = np.arange(columns) / columns
    return np.tile(amplitude * np.sin(2 * np.pi * waves * x), (rows, 1))


def power_law(rng, size, pixel_um, *, density, exponent, low, high):
    """A normal surface whose two-sided 2-D spectrum is density·f^-exponent in low…high."""
    fy, fx = (np.fft.fftfreq(size, pixel_um) for _ in range(2))
    radius = np.hypot(fx, fy[:, np.newaxis])
    inside = (radius >= low) & (radius <= high)
    power = np.zeros_like(radius)
    power[inside] = density * radius[inside] ** -exponent
    white = np.fft.fft2(rng.standard_normal((size, size)))
    cell = 1 / (size * pixel_um) ** 2
    return np.fft.ifft2(white * np.sqrt(power * cell)).real * size, power * cell
