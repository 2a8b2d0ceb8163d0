"""Terms of the uncertainty of a flux ratio: counts, monitor, lengths, detector."""

import math
from collections.abc import Sequence

import astropy.units as u
from astropy.units import Quantity

from beamreduce.beamline import Detector, Facility
from beamreduce.campaign.exposure_amount import declared_of
from beamreduce.effective_area.beams import DirectBeam
from beamreduce.effective_area.readings import Rate, Reading, scatter_between
from beamreduce.effective_area.terms import Term
from beamreduce.record import Uncertain


def focused_terms(photons: Uncertain, through: Rate) -> list[Term]:
    """Terms of the image: its photons, its background, the monitor meanwhile."""
    counting = photons.statistical / photons.value * through.scatter
    return [
        Term(name="photons in the image", kind="statistical", relative=counting),
        Term(name="monitor counts, image", kind="statistical", relative=through.monitor),
        Term(
            name="background of the image",
            kind="systematic",
            relative=photons.systematic / photons.value,
        ),
        Term(
            name="choice of background model",
            kind="model",
            relative=photons.model / photons.value,
        ),
        Term(name="monitor as declared, image", kind="systematic",
             relative=through.declared),
    ]  # fmt: skip


def direct_terms(direct: DirectBeam, readings: Sequence[Reading], flux: Rate) -> list[Term]:
    """Terms of the direct beam, common to all areas that it serves.

    Exposures at several places tell how even the beam is; a mirror sees the mean over
    many places, which is as sure as the mean of those measured.
    """
    count = len(readings)
    even = len(_places(direct)) > 1
    scatter = scatter_between(readings, flux) / math.sqrt(count) if even else 0.0
    repeats = 1.0 if even else flux.scatter
    shared = direct.name
    return [
        Term(name="photons in the direct beam", kind="statistical",
             relative=-flux.photons * repeats, shared=f"{shared}, photons"),
        Term(name="monitor counts, direct beam", kind="statistical",
             relative=flux.monitor, shared=f"{shared}, monitor"),
        Term(name="monitor as declared, direct beam", kind="systematic",
             relative=flux.declared, shared=f"{shared}, monitor as declared"),
        Term(name="beam not even", kind="systematic", relative=-scatter,
             shared=f"{shared}, places"),
    ]  # fmt: skip


def _places(direct: DirectBeam) -> set[tuple[float | None, float | None]]:
    return {
        tuple(
            None if place is None else round(float(place.to_value(u.mm)), 6)
            for place in (one.exposure.detector_x, one.exposure.detector_y)
        )
        for one in direct.readings
    }


def distance_terms(
    direct: DirectBeam, facility: Facility, detector: Detector
) -> list[Term]:
    """Terms of lengths, common to all energies: distances, pixel or hole.

    ``A ∝ a (L/s)²``: with ``s = L + D`` a source further away by dL changes it by
    ``2 dL (1/L − 1/(L+D))``.
    """
    source = facility.source_distance
    step = _plain(facility.uncertainties.get("source_distance", 0 * u.m), u.mm)
    source_mm = _plain(source, u.mm)
    row = direct.readings[0].exposure
    terms = []
    if direct.counters:
        far_mm = _plain(row.distance_from_source, u.mm)
        far = _largest(direct, "distance_from_source", u.mm)
        hole = max(
            declared_of(one.exposure, "collecting_area", u.mm**2)
            / _plain(one.exposure.collecting_area, u.mm**2)
            for one in direct.readings
        )
        terms.append(_length("source distance", 2 * step / source_mm))
        terms.append(_length("distance of the counter", -2 * far / far_mm))
        terms.append(_length("area of the hole", hole))
        return terms
    behind_mm = _plain(row.detector_distance, u.mm)
    change = 2 * step * (1 / source_mm - 1 / (source_mm + behind_mm))
    far = _largest(direct, "detector_distance", u.mm)
    terms.append(_length("source distance", change))
    terms.append(_length("detector distance", -2 * far / (source_mm + behind_mm)))
    terms.append(_length("pixel size", 2 * detector.relative_uncertainty("pixel_size")))
    return terms


def _length(name: str, relative: float) -> Term:
    return Term(name=name, kind="systematic", relative=relative, shared=name)


def _largest(direct: DirectBeam, column: str, unit: u.UnitBase) -> float:
    return max(declared_of(one.exposure, column, unit) for one in direct.readings)


def _plain(value: Quantity | float, unit: u.UnitBase) -> float:
    return float(Quantity(value).to_value(unit))


def detector_terms(direct: DirectBeam, detector: Detector) -> list[Term]:
    """The scale of photons where a counter counts the direct beam; linearity elsewhere.

    The two beams differ by orders of magnitude in flux, so whatever the detector's
    response is not proportional by goes into their ratio.
    """
    terms = []
    if direct.counters and detector.integrating:
        scale = math.hypot(
            detector.relative_uncertainty("gain"),
            detector.relative_uncertainty("electron_energy"),
        )
        # More electrons an adu, or fewer a photon, make the same charge more photons.
        terms.append(Term(name="photon scale", kind="systematic", relative=scale,
                          shared="photon scale"))  # fmt: skip
    if detector.linearity is not None:
        terms.append(Term(name="linearity of the detector", kind="systematic",
                          relative=detector.linearity, shared="linearity"))  # fmt: skip
    return terms
