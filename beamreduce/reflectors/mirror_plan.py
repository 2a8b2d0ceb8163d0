"""The filling plan of a whole mirror, and what it predicts for area and image."""

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import astropy.units as u
import numpy as np
from scipy.special import erf

from beamreduce.errors import SettingsError
from beamreduce.mirror import Nesting, coating_of, lit_area_cm2, reflect
from beamreduce.reflectors.filling_plan import (
    PLACED,
    Candidate,
    FillingPlan,
    Slot,
    ToForm,
    filling_plan,
    what_to_form,
)
from beamreduce.reflectors.folder import grazing_rad
from beamreduce.reflectors.grading import GRADES, STAGES
from beamreduce.reflectors.limits_file import energy_name
from beamreduce.reflectors.reflector_numbers import ReflectorNumbers
from beamreduce.reflectors.setup import ReflectorSetup
from beamreduce.reflectors.yields import Yield, pooled
from beamreduce.statistics import IN_PLANE_HPD


@dataclass(frozen=True, kw_only=True)
class QuadrantForecast:
    """What the plan predicts of one quadrant, or of the whole mirror, at one energy.

    Parameters
    ----------
    quadrant
        Its name; ``all`` for the whole.
    energy_kev
        Photon energy.
    filled_share
        Share of the area whose primary and secondary are both there.
    area_factor
        Of the light of those pairs, what keeps to the mirror beam.
    hpd_arcsec, core_hpd_arcsec
        With the scattered light in the image, and without; None where no figure is known.
    """

    quadrant: str
    energy_kev: float
    filled_share: float
    area_factor: float
    hpd_arcsec: float | None
    core_hpd_arcsec: float | None


@dataclass(frozen=True, kw_only=True)
class MirrorPlan:
    """Plan, orders and forecast.

    Parameters
    ----------
    plan
        What goes where.
    minimised
        What was made as small as it can be: ``area``, ``hpd`` or ``roughness``.
    to_form
        What to form next.
    forecast
        By quadrant and energy; empty without a mirror or energies.
    notes
        What could not be done, in sentences.
    """

    plan: FillingPlan
    minimised: str
    to_form: tuple[ToForm, ...]
    forecast: tuple[QuadrantForecast, ...]
    notes: tuple[str, ...]


def mirror_plan(numbers: Sequence[ReflectorNumbers], setup: ReflectorSetup) -> MirrorPlan:
    """Plan the filling of all slots of a mirror.

    Slots are nestings × stages × quadrants of the mirror, or of the nestings that have
    reflectors where no mirror is declared. The yield that orders rest on is that of all
    reflectors of the stage: single nestings have too few.

    Raises
    ------
    SettingsError
        When what shall be made small cannot be had of any reflector.
    """
    notes: list[str] = []
    aim = _aim(numbers, setup)
    figured = all("figure_slope" in n.values for n in numbers if n.values)
    losses = {n.reflector.reflector: _loss(n, aim, with_figure=figured) for n in numbers}
    unknown = [
        n.reflector.reflector
        for n in numbers
        if n.grade.grade in PLACED and losses[n.reflector.reflector] is None
    ]
    if unknown:
        notes.append(
            f"{len(unknown)} reflectors have no predicted loss and are not placed, "
            f"{unknown[0]} for one"
        )
    if not setup.limits:
        notes.append("no limits are declared, so no reflector is graded or placed")
    weights = _weights(setup)
    slots = _slots(numbers, setup)
    candidates = [
        Candidate(
            reflector=n.reflector.reflector,
            stage=n.reflector.stage,
            nesting=n.reflector.nesting,
            grade=n.grade.grade,
            loss=losses[n.reflector.reflector],
            quadrant=n.reflector.quadrant,
        )
        for n in numbers
        if n.grade.grade in PLACED and losses[n.reflector.reflector] is not None
    ]
    plan = filling_plan(
        candidates, slots, weights={s: weights.get(s.nesting, 1.0) for s in slots}
    )
    return MirrorPlan(
        plan=plan,
        minimised=aim,
        to_form=what_to_form(
            plan, _stage_yields(numbers, plan), confidence=setup.plan.confidence
        ),
        forecast=_forecast(plan, numbers, setup, weights),
        notes=tuple(notes),
    )


def _aim(numbers: Sequence[ReflectorNumbers], setup: ReflectorSetup) -> str:
    has = {
        "hpd": any(n.hpd_arcsec for n in numbers),
        "area": bool(setup.energies_kev) and setup.prescription is not None,
        "roughness": True,
    }
    wanted = setup.plan.minimise
    if wanted is None:
        return next(aim for aim, there in has.items() if there)
    if not has[wanted] and any(n.values for n in numbers):
        needs = "energies and [mirror]" + (", and image.hpd or traces" * (wanted == "hpd"))
        raise SettingsError(
            f"reflectors.toml: filling.minimise: found {wanted!r}; expected {needs} to "
            f"predict it from; declare them, or minimise roughness"
        )
    return wanted


def _loss(numbers: ReflectorNumbers, aim: str, *, with_figure: bool) -> float | None:
    """Mean predicted loss over the energies: share of area, arcsec of HPD, or nm."""
    if aim == "roughness":
        sq = numbers.values.get("Sq")
        return None if sq is None else sq.value
    if aim == "area":
        shares = [v.value for k, v in numbers.values.items() if k.startswith("scatter_")]
        return float(np.mean(shares)) if shares else None
    if not numbers.hpd_arcsec or numbers.core_hpd_arcsec is None:
        return None
    # Figure counts only where every reflector has a trace: what is declared for the others
    # is no number of theirs.
    core = 0.0 if with_figure else numbers.core_hpd_arcsec
    return max(0.0, float(np.mean(list(numbers.hpd_arcsec.values()))) - core)


def _slots(numbers: Sequence[ReflectorNumbers], setup: ReflectorSetup) -> list[Slot]:
    if setup.prescription is not None:
        nestings = [nesting.number for nesting in setup.prescription.nestings]
    else:
        nestings = sorted({n.reflector.nesting for n in numbers})
    return [
        Slot(quadrant=quadrant, stage=stage, nesting=nesting)
        for quadrant in setup.plan.quadrants
        for stage in STAGES
        for nesting in nestings
    ]


def _weights(setup: ReflectorSetup) -> dict[int, float]:
    """Share of the mirror's area that each nesting has, mean over the energies."""
    if setup.prescription is None or setup.design is None:
        return {}
    areas = {n.number: _smooth_area(n, setup) for n in setup.prescription.nestings}
    total = sum(areas.values())
    return {number: area / total for number, area in areas.items()} if total else {}


def _smooth_area(nesting: Nesting, setup: ReflectorSetup) -> float:
    ring = lit_area_cm2(nesting)
    if not setup.energies_kev:
        return ring
    coating = coating_of(setup.design, formula=nesting.coating, roughness=0 * u.nm)
    angles = [grazing_rad(nesting, stage) for stage in STAGES] * u.rad
    both = reflect(coating, np.array(setup.energies_kev) * u.keV, angles).specular
    return ring * float(np.mean(both[:, 0] * both[:, 1]))


def _stage_yields(
    numbers: Sequence[ReflectorNumbers], plan: FillingPlan
) -> Mapping[tuple[str, int], Yield]:
    """Yield of flight grade by stage, for every nesting of it."""
    counts: dict[str, list[tuple[int, int]]] = defaultdict(list)
    for n in numbers:
        if n.grade.grade in GRADES:
            counts[n.reflector.stage].append((int(n.grade.grade == GRADES[0]), 1))
    stages = {stage: pooled(own) for stage, own in counts.items()}
    return {
        (slot.stage, slot.nesting): stages[slot.stage]
        for slot in (entry.slot for entry in plan.filled)
        if slot.stage in stages
    }


def _forecast(
    plan: FillingPlan,
    numbers: Sequence[ReflectorNumbers],
    setup: ReflectorSetup,
    weights: Mapping[int, float],
) -> tuple[QuadrantForecast, ...]:
    if not weights or not setup.energies_kev:
        return ()
    known = {n.reflector.reflector: n for n in numbers}
    placed = {e.slot: known[e.reflector] for e in plan.filled if e.reflector}
    pairs: dict[str, list[tuple[float, ReflectorNumbers, ReflectorNumbers]]] = {}
    for quadrant in setup.plan.quadrants:
        pairs[quadrant] = []
        for number, weight in weights.items():
            both = [
                placed.get(Slot(quadrant=quadrant, stage=stage, nesting=number))
                for stage in STAGES
            ]
            if None not in both:
                pairs[quadrant].append((weight, *both))
    parts = {**pairs, "all": [pair for own in pairs.values() for pair in own]}
    whole = {name: 1.0 for name in pairs} | {"all": float(len(pairs))}
    return tuple(
        _predict(name, energy, own, whole[name])
        for name, own in parts.items()
        if own
        for energy in setup.energies_kev
    )


def _predict(
    quadrant: str,
    energy: float,
    pairs: Sequence[tuple[float, ReflectorNumbers, ReflectorNumbers]],
    whole: float,
) -> QuadrantForecast:
    """Predict area and image of some pairs of reflectors."""
    name = energy_name(energy)
    weights = np.array([weight for weight, _, _ in pairs])
    stages = [[pair[side] for pair in pairs] for side in (1, 2)]
    lost = np.array([[n.values[f"scatter_{name}"].value for n in s] for s in stages])
    kept = np.prod(1 - lost, axis=0)
    cores = [_core(first, second) for _, first, second in pairs]
    hpd = core = None
    if None not in cores:
        core = _half_power(weights, np.array(cores), np.ones(len(pairs)), None)
        hpd = _half_power(weights, np.array(cores), kept, (stages, lost, energy))
    return QuadrantForecast(
        quadrant=quadrant,
        energy_kev=energy,
        filled_share=float(weights.sum()) / whole,
        area_factor=float(weights @ kept / weights.sum()),
        hpd_arcsec=hpd,
        core_hpd_arcsec=core,
    )


def _core(first: ReflectorNumbers, second: ReflectorNumbers) -> float | None:
    """Half-power diameter of a pair without scatter.

    In-plane normal errors of the two stages add in quadrature where both have traces. What
    ``image.hpd`` declares is that of a pair already.
    """
    if "figure_slope" in first.values and "figure_slope" in second.values:
        return float(np.hypot(first.core_hpd_arcsec, second.core_hpd_arcsec))
    given = [n.core_hpd_arcsec for n in (first, second) if n.core_hpd_arcsec is not None]
    return max(given) if given else None


def _half_power(
    weights: np.ndarray,
    cores: np.ndarray,
    kept: np.ndarray,
    halo: tuple[list[list[ReflectorNumbers]], np.ndarray, float] | None,
) -> float | None:
    """Diameter that holds half the light of all pairs, scattered light included."""
    sigma = cores / IN_PLANE_HPD
    radii = np.geomspace(0.05 * sigma.min(), 60 * sigma.max(), 1000)
    direct = erf(radii[:, np.newaxis] / (np.sqrt(2) * sigma)) @ (weights * kept)
    curve = direct / weights.sum()
    if halo is not None:
        stages, lost, energy = halo
        share = lost / np.maximum(lost.sum(axis=0), 1e-300)
        for own, part in zip(stages, share, strict=True):
            for n, weight in zip(own, weights * (1 - kept) * part, strict=True):
                if n.halo is None:
                    continue
                angles = n.halo.turned_arcsec(energy, n.grazing_rad)
                within = np.interp(radii, np.r_[0, angles], np.r_[0, n.halo.shares])
                curve = curve + within * weight / weights.sum()
    if curve[-1] < 0.5:
        return None  # half of the light and more is scattered out of the image
    return float(2 * np.interp(0.5, curve, radii))
