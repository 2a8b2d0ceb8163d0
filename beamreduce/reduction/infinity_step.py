"""One configuration as seen from infinity: a pure function of rings and settings."""

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace

import astropy.units as u
import numpy as np

from beamreduce.encircled_energy import HALF_POWER, NINETY, NetRings
from beamreduce.infinity.answer import (
    Numbers,
    SeenFromInfinity,
    StarPlane,
    seen_from_infinity,
)
from beamreduce.infinity.best_focus import (
    FocusScan,
    near_distances,
    scan_distances,
    scan_focus,
)
from beamreduce.infinity.configuration import Measured
from beamreduce.infinity.declared import Declared, changed, declared_optics
from beamreduce.infinity.families import Surfaces
from beamreduce.infinity.folded import Folded, fold
from beamreduce.infinity.optics import Optics
from beamreduce.infinity.variants import Response, Variant, responses
from beamreduce.record import Uncertain, random_stream
from beamreduce.reduction.request import MeasureRequest
from beamreduce.units import arcsec_per_mm

_ARCSEC = math.degrees(1) * 3600
SHARES = {"hpd": HALF_POWER, "w90": NINETY}
BACKGROUND_TERM = "background level"
FOLD_TERM = "families of slope errors, background model and trace"


@dataclass(frozen=True, kw_only=True)
class Folding:
    """What is folded together.

    Parameters
    ----------
    name
        Of the configuration, for random streams and files.
    requests
        Measurements whose curve is known.
    nets
        Their net photons in rings.
    center_mm
        Standard uncertainty an axis of their centers.
    quadrant_shifts
        Azimuth range to displacement, angles in rad.
    surfaces
        What a fold on the axis has found of the surfaces.
    """

    name: str
    requests: tuple[MeasureRequest, ...]
    nets: tuple[NetRings, ...]
    center_mm: tuple[float, ...]
    quadrant_shifts: Mapping[tuple[float, float], tuple[float, float]]
    surfaces: Surfaces | None = None


@dataclass(frozen=True, kw_only=True)
class AtInfinity:
    """One configuration as seen from infinity.

    Parameters
    ----------
    folded
        What describes it.
    declared
        What was declared of its optics.
    seen
        Star's image in the plane asked for, by energy.
    star_mm
        That plane.
    variants, base, changes
        What was changed, the answer without change, and with each.
    star_focus, beam_focus
        Planes about best focus: for a star, by energy, on the axis; and at the beamline
        (one energy; None off the axis, and for a part of the mirror at one distance).
    """

    folded: Folded
    declared: Declared
    seen: Mapping[int, SeenFromInfinity]
    star_mm: float
    variants: tuple[Variant, ...]
    base: Response
    changes: tuple[Response, ...]
    star_focus: Mapping[int, FocusScan]
    beam_focus: FocusScan | None


def fold_configuration(
    folding: Folding, progress: Callable[[int, int], None] | None = None
) -> AtInfinity:
    """Fold one configuration and work out the image of a star.

    Raises
    ------
    GeometryError, SettingsError, MeasurementError
        When the model cannot be had: no light gets through, the optical constants do not
        cover an energy, no mixture describes the rings.
    """
    first = folding.requests[0]
    kev = sorted({float(r.inputs.energy.to_value(u.keV)) for r in folding.requests})
    declared = Declared(
        setup=first.setup,
        prescription=first.prescription,
        inputs=first.inputs,
        energies=np.array(kev) * u.keV,
        quadrant_shifts=folding.quadrant_shifts,
    )
    optics = declared_optics(declared)
    measured = tuple(
        Measured(
            id=request.inputs.id,
            distance_mm=net.detector_distance_mm,
            energy=kev.index(float(request.inputs.energy.to_value(u.keV))),
            net=net,
            pixel_mm=float(request.inputs.detector.pixel_size.to_value(u.mm)),
            center_mm=center_mm,
        )
        for request, net, center_mm in zip(
            folding.requests, folding.nets, folding.center_mm, strict=True
        )
    )
    folded = fold(optics, measured, progress, folding.surfaces)
    plane = StarPlane(
        distance_mm=_star_mm(declared),
        reference_rad=max(one.reference_rad for one in measured),
    )
    settings = first.setup.reduction

    def stream(purpose: str) -> np.random.Generator:
        return random_stream(settings.random_seed, folding.name, purpose)

    seen = seen_from_infinity(
        folded, plane, settings.bootstrap_replicates, stream("infinity")
    )
    variants = tuple(_variants(declared, folded))
    base, changes = responses(folded, plane, variants)
    on_axis = not optics.off_axis_rad
    scans = _star_focus(folded, declared, stream) if on_axis else {}
    return AtInfinity(
        folded=folded,
        declared=declared,
        seen=seen,
        star_mm=plane.distance_mm,
        variants=variants,
        base=base,
        changes=changes,
        star_focus=scans,
        beam_focus=(
            _beam_focus(folded, declared, stream) if _tells_focus(folded, optics) else None
        ),
    )


def _tells_focus(folded: Folded, optics: Optics) -> bool:
    """True on the axis, for the whole mirror or a series of distances."""
    series = len({one.distance_mm for one in folded.measured}) > 1
    return not optics.off_axis_rad and (optics.open_rad is None or series)


def star_quantity(
    found: AtInfinity, energy: int, of: Callable[[Numbers], np.ndarray]
) -> tuple[Uncertain, tuple[tuple[str, str, float], ...]]:
    """Return any number of the star's image with every term of its uncertainty.

    ``of`` takes numbers of sets to one value a set.
    """
    value = found.seen[energy].quantity(of)
    terms = [
        ("photon counting", "statistical", value.statistical),
        (BACKGROUND_TERM, "systematic", value.systematic),
        (FOLD_TERM, "model", value.model),
    ]
    terms += [
        (term, kind, abs(change * value.value))
        for term, kind, change in relative_changes(found, energy, of)
    ]

    def total(kind: str) -> float:
        return math.hypot(*(size for _, of_kind, size in terms if of_kind == kind))

    whole = replace(value, systematic=total("systematic"), model=total("model"))
    return whole, tuple(terms)


def relative_changes(
    found: AtInfinity, energy: int, of: Callable[[Numbers], np.ndarray]
) -> list[tuple[str, str, float]]:
    """Return how any number changes with each variant: term, kind, part of the number.

    With its sign: what one variant changes at several energies goes together.
    """
    base = _of_response(found.base, energy, of)
    # At other resolution than the number itself, so only the ratio counts.
    return [
        (variant.term, variant.kind, _of_response(response, energy, of) / base - 1)
        for variant, response in zip(found.variants, found.changes, strict=True)
    ]


def reference_mm(found: AtInfinity, identity: str) -> float:
    """Reference radius of a star's image: the angle that the measurement has."""
    one = next(m for m in found.folded.measured if m.id == identity)
    return one.reference_rad * found.star_mm


def diameter_of(share: float, reference: float) -> Callable[[Numbers], np.ndarray]:
    """Return what takes numbers to a diameter in mm."""
    return lambda numbers: numbers.diameters_mm(share, reference)


def area_ratio(numbers: Numbers) -> np.ndarray:
    """Whole effective area for a star over that at the beamline."""
    return numbers.area_ratio


def star_arcsec(found: AtInfinity) -> float:
    """Arcseconds of a millimetre in the plane of the star's image."""
    return arcsec_per_mm(found.star_mm)


def _of_response(
    response: Response, energy: int, of: Callable[[Numbers], np.ndarray]
) -> float:
    curves = response.curves[energy]
    numbers = Numbers(
        curves=replace(curves, growth=curves.growth[None]),
        area_ratio=np.array([response.area_ratio[energy]]),
        star_mm2=np.array(response.star_mm2[energy : energy + 1]),
        inside_mm2={name: np.array([size]) for name, size in response.inside_mm2.items()},
    )
    return float(of(numbers)[0])


def _star_mm(declared: Declared) -> float:
    asked = declared.setup.reduction.infinity_detector_distance
    if asked is not None:
        return float(asked.to_value(u.mm))
    return declared.prescription.focal_length_mm


def _variants(declared: Declared, folded: Folded) -> list[Variant]:
    """Everything declared as uncertain, and other models, one at a time."""
    found = [
        Variant(term=term, kind=kind, optics=optics, measured=folded.measured)
        for term, kind, optics in changed(declared)
    ]
    detector = declared.inputs.detector
    pixel = 1 + detector.relative_uncertainty("pixel_size")
    moved = max((_distance_step(r) for r in declared.inputs.beam), default=0.0)
    for term, change in (
        ("pixel size", lambda one: _rescaled(one, pixel) if pixel > 1 else None),
        ("detector distance", lambda one: _displaced(one, moved) if moved else None),
    ):
        measured = tuple(change(one) for one in folded.measured)
        if None not in measured:
            found.append(
                Variant(
                    term=term, kind="systematic", optics=folded.optics, measured=measured
                )
            )
    return found


def _distance_step(row: object) -> float:
    declared = row.exposure.uncertainties.get("detector_distance")  # type: ignore[attr-defined]
    return 0.0 if declared is None else float(declared.to_value(u.mm))


def _rescaled(one: Measured, factor: float) -> Measured:
    net = replace(one.net, radius_mm=one.net.radius_mm * factor)
    return replace(one, net=net, pixel_mm=one.pixel_mm * factor)


def _displaced(one: Measured, step_mm: float) -> Measured:
    return replace(one, distance_mm=one.distance_mm + step_mm)


def _star_focus(
    folded: Folded, declared: Declared, stream: Callable[[str], np.random.Generator]
) -> dict[int, FocusScan]:
    """Planes about a star's best focus at every energy, the best measured one first."""
    first = focus_energy(folded.measured)
    scans: dict[int, FocusScan] = {}
    for energy in sorted(folded.energies, key=lambda energy: energy != first):
        distances = scan_distances(folded, declared.prescription.focal_length_mm)
        if energy != first and scans[first].found:
            distances = near_distances(scans[first])
        scans[energy] = scan_focus(
            folded,
            distances,
            star=True,
            energy=energy,
            rng=stream(f"star focus {energy}"),
        )
    return scans


def _beam_focus(
    folded: Folded, declared: Declared, stream: Callable[[str], np.random.Generator]
) -> FocusScan:
    """Planes about best focus at the beamline, at the best measured energy."""
    source = float(declared.setup.facility.source_distance.to_value(u.mm))
    focal = declared.prescription.focal_length_mm
    distances = scan_distances(folded, focal * source / (source - focal))
    # As far as was measured, so that the curve can be compared with all of it.
    measured = np.array(sorted({one.distance_mm for one in folded.measured}))
    beyond = (measured < distances[0]) | (measured > distances[-1])
    distances = np.sort(np.concatenate([distances, measured[beyond]]))
    return scan_focus(
        folded,
        distances,
        star=False,
        energy=focus_energy(folded.measured),
        rng=stream("beam focus"),
    )


def focus_energy(measured: Sequence[Measured]) -> int:
    """Energy that was measured in most planes, and with most photons."""
    totals: dict[int, tuple[int, float]] = {}
    for one in measured:
        planes, photons = totals.get(one.energy, (0, 0.0))
        totals[one.energy] = planes + 1, photons + float(one.net.photons.sum())
    return max(totals, key=lambda energy: totals[energy])
