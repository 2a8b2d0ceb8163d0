"""What tests of areas share: an invented facility, and random streams by purpose."""

import zlib

import astropy.units as u
import numpy as np

from beamreduce.beamline import Facility
from beamreduce.campaign import Reduction, Setup

FOCAL, SOURCE, LENGTH = 5200.0, 86_000.0, 90.0


def stream(purpose):
    return np.random.default_rng([20261126, zlib.crc32(purpose.encode())])


def setup_of(design):
    return Setup(
        name="made",
        facility=Facility(source_distance=SOURCE * u.mm, source_diameter=0 * u.mm),
        mirror=design,
        detectors={},
        reduction=Reduction(),
        cards={},
        quadrants={},
        uncertainties={},
    )
