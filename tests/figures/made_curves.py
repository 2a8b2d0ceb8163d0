"""Banded curves and ring residuals with made-up numbers, and readers of artists."""

import numpy as np

from beamreduce.figures import BandedCurve, RingResiduals


def curve(scale, spread, at=None):
    at = np.linspace(0, 200, 101) if at is None else at
    return BandedCurve(
        at=at, values=1 - np.exp(-at / scale), uncertainty=np.full(at.size, spread)
    )


def residuals(name, values):
    values = np.array(values, dtype=float)
    at = np.linspace(5, 100, values.size)
    return RingResiduals(name=name, radius_arcsec=at, sigmas=values)


def legend_texts(owner):
    return [text.get_text() for text in owner.get_texts()]


def band_height(band, at):
    (path,) = band.get_paths()
    rim = path.vertices[np.isclose(path.vertices[:, 0], at)][:, 1]
    return float(np.ptp(rim))
