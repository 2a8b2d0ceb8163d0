"""Effective area from a ratio of fluxes: focused photons over those of the direct beam."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

from beamreduce.beamline import Detector, Facility
from beamreduce.effective_area.beams import DirectBeam, FocusedBeam
from beamreduce.effective_area.flux_terms import (
    detector_terms,
    direct_terms,
    distance_terms,
    focused_terms,
)
from beamreduce.effective_area.readings import Rate, Reading, rate_of
from beamreduce.effective_area.shares import compared_shares
from beamreduce.effective_area.terms import Term, with_terms
from beamreduce.record import Uncertain
from beamreduce.statistics import poisson_ratio_interval

_MANY = 1e15  # counts beyond which an interval needs no counting statistics
MONOCHROMATIC = "assumed monochromatic: no line_fraction is given"


@dataclass(frozen=True, kw_only=True)
class FluxRatio:
    """Effective area inside the reference radius, as measured.

    Parameters
    ----------
    area_cm2
        At the flux of the reference plane.
    terms
        Every term of its uncertainty.
    interval_cm2
        Central 68.3 % interval: counting intervals of the ratio, all else in quadrature.
    flux_per_cm2
        Photons a cm² at the reference plane for each second or net monitor count.
    direct, focused
        Common rates, for repeats.
    notes
        Sentences by key.
    """

    area_cm2: Uncertain
    terms: tuple[Term, ...]
    interval_cm2: tuple[float, float]
    flux_per_cm2: Uncertain
    direct: Rate
    focused: Rate
    notes: Mapping[str, str] = field(default_factory=dict)


def flux_ratio(
    focused: FocusedBeam, direct: DirectBeam, facility: Facility, detector: Detector
) -> FluxRatio:
    """Return the effective area that the ratio of two fluxes tells.

    ``A = (N_focused/Σ m q) / (Σ N_direct / Σ m q a (L/s)²)`` with the amount ``m`` (live
    time, or net monitor counts) and the share ``q`` that is counted of each exposure, the
    collecting area ``a`` of each direct one, its distance ``s`` from the source. What both
    beams have in common cancels: gain, efficiency and filters of one detector.

    Raises
    ------
    AreaError
        When the shares of the two beams cannot be compared.
    MeasurementError
        When there is no flux.
    """
    shares = compared_shares(focused, direct)
    lit = tuple(
        _with_factor(reading, share)
        for reading, share in zip(focused.readings, shares.focused, strict=True)
    )
    open_beam = tuple(
        _with_factor(reading, share)
        for reading, share in zip(direct.readings, shares.direct, strict=True)
    )
    through, flux = rate_of(lit), rate_of(open_beam)
    collected = sum(reading.collected for reading in lit)
    area_mm2 = focused.photons.value / collected / flux.value
    every = (
        *focused_terms(focused.photons, through),
        *direct_terms(direct, open_beam, flux),
        *distance_terms(direct, facility, detector),
        *shares.terms,
        *detector_terms(direct, detector),
    )
    terms = tuple(term for term in every if term.relative)
    return FluxRatio(
        area_cm2=with_terms(area_mm2 / 100, terms),
        terms=terms,
        interval_cm2=_interval(area_mm2 / 100, terms),
        flux_per_cm2=Uncertain(
            value=flux.value * 100,
            statistical=flux.value * 100 * math.hypot(flux.photons, flux.monitor),
        ),
        direct=flux,
        focused=through,
        notes=_notes(focused, direct, detector),
    )


def _with_factor(reading: Reading, share: float) -> Reading:
    return replace(reading, factor=reading.factor * share)


def _notes(focused: FocusedBeam, direct: DirectBeam, detector: Detector) -> dict[str, str]:
    notes = {}
    shares = (*focused.throughput, *direct.throughput)
    lines = [one.line for one in shares]
    if all(line is None for line in lines):
        notes["line_fraction"] = MONOCHROMATIC
    elif any(line is None for line in lines):
        notes["line_fraction"] = (
            "given for one of image and direct beam only; the other is "
            "assumed monochromatic"
        )
    if detector.linearity is None:
        notes["linearity"] = (
            "the detector's linearity is not declared and not in the budget, though the "
            "two beams differ much in flux"
        )
    return notes


def _interval(area_cm2: float, terms: Sequence[Term]) -> tuple[float, float]:
    """Counting interval of the ratio, with all that is no counting added to each side."""
    names = ("photons in the image", "photons in the direct beam")
    lit, bare = (
        min(1 / max(next(t.relative for t in terms if t.name == name) ** 2, 1e-300), _MANY)
        for name in names
    )
    low, high = (limit / (lit / bare) - 1 for limit in poisson_ratio_interval(lit, bare))
    rest = math.hypot(*(t.relative for t in terms if t.name not in names))
    return (
        area_cm2 * (1 - math.hypot(low, rest)),
        area_cm2 * (1 + math.hypot(high, rest)),
    )
