"""Beams of known numbers, for flux ratios."""

import astropy.units as u

from beamreduce.beamline import Detector, Facility
from beamreduce.campaign import Exposure
from beamreduce.campaign.exposure_amount import exposure_amount
from beamreduce.effective_area.beams import DirectBeam, FocusedBeam, direct_factor
from beamreduce.effective_area.readings import Reading
from beamreduce.effective_area.throughput import Throughput
from beamreduce.record import Uncertain

FACILITY = Facility(
    source_distance=86 * u.m,
    source_diameter=0.5 * u.mm,
    uncertainties={"source_distance": 5 * u.mm},
)
DETECTOR = Detector(
    name="",
    pixel_size=20 * u.um,
    mode="counting",
    uncertainties={"pixel_size": 0.01 * u.um},
)
COUNTER = {
    "counts": 1.0,
    "live_time": 100 * u.s,
    "collecting_area": 50 * u.mm**2,
    "distance_from_source": 91.5 * u.m,
}


def row(name, kind="direct", **cells):
    known = {
        "file": f"{name}.fits",
        "exposure_time": 100 * u.s,
        "energy": 4.511 * u.keV,
        "detector_distance": 5544 * u.mm,
    }
    return Exposure(exposure=name, kind=kind, **(known | cells))


def share(value):
    return None if value is None else Uncertain(value=value, statistical=0.0)


def throughput(filters=None, efficiency=None, line=None):
    parts = (filters, efficiency, line)
    filters, efficiency, line = (
        one if one is None or isinstance(one, Uncertain) else share(one) for one in parts
    )
    return Throughput(filters=filters, efficiency=efficiency, line=line)


def reading(exposure, photons, factor=1.0, by="time"):
    return Reading(
        exposure=exposure,
        photons=photons,
        noise_variance=0.0,
        variance_per_photon=1.0,
        amount=exposure_amount(exposure, by),
        factor=factor,
    )


def direct_beam(photons, *, shares=None, counters=False, by="time", **cells):
    """One exposure a number of photons, frames of 100 mm² or counters."""
    cells = (COUNTER | {"file": ""} if counters else {}) | cells
    rows = [row(f"direct_{k}", **cells) for k in range(len(photons))]
    factors = [direct_factor(one, FACILITY, 100.0) for one in rows]
    return DirectBeam(
        readings=tuple(
            reading(one, n, factor, by)
            for one, n, factor in zip(rows, photons, factors, strict=True)
        ),
        throughput=(shares or throughput(),) * len(rows),
        counters=counters,
        name="direct beam 4.511 keV",
    )


def focused_beam(photons, *, shares=None, by="time", **cells):
    rows = [row(f"beam_{k}", "beam", **cells) for k in range(len(photons))]
    total = sum(photons)
    return FocusedBeam(
        photons=Uncertain(value=total, statistical=total**0.5),
        readings=tuple(
            reading(one, n, 1.0, by) for one, n in zip(rows, photons, strict=True)
        ),
        throughput=(shares or throughput(),) * len(rows),
    )
