"""From images and folds of single quadrants to displacements, moves and predictions."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import astropy.units as u
import numpy as np

from beamreduce.campaign import Adjuster, Campaign, Round, quadrants_of, steps_done
from beamreduce.mirror.bar_errors import BarSensitivity, bar_sensitivities
from beamreduce.quadrants import (
    VISIBLE_KEV,
    Diffraction,
    Effect,
    MovePlan,
    WholeImage,
    diffraction_of,
    displacements,
    effects_of,
    outwards,
    plan_moves,
)
from beamreduce.raytrace import ErrorLaw, FigureErrors, Light, MirrorState, Quadrant
from beamreduce.record import random_stream
from beamreduce.reduction.quadrant_folds import FoldedQuadrant, MeasuredQuadrant
from beamreduce.reduction.quadrants_bars import BarsAllowed, bars_allowed
from beamreduce.reduction.quadrants_predict import (
    Predict,
    Predicted,
    RoundFound,
    angles_of,
    both_quarters,
    lights_of,
)

_REPEATS = 40


@dataclass(frozen=True, kw_only=True)
class QuadrantsFound:
    """Everything that a campaign tells of its quadrants.

    Parameters
    ----------
    log
        All rounds of the log.
    rounds
        Those with images, in order; the last one is the present state.
    folded
        By quadrant.
    adjusters, effects, plan
        Adjusters of the campaign, what each does, the next moves; None where there are no
        adjusters or moves are refused.
    now, after, coincident
        Predicted image as it is, after the planned moves, with no displacement left.
    now_whole, coincident_whole
        Curves of the first and the last of these.
    diffraction
        By energy in keV.
    bars, budget
        Effects of errors of alignment bars by nesting; how far bars may be out, None where
        that was not asked for or the image cannot be predicted.
    detector_mm, energy_kev
        Plane and energy that the predictions are for.
    refused
        Why there are no moves; empty where there are.
    unpredicted
        Why there is no predicted image; empty where there is.
    """

    log: tuple[Round, ...]
    rounds: tuple[RoundFound, ...]
    folded: Mapping[str, FoldedQuadrant]
    adjusters: tuple[Adjuster, ...] | None
    effects: tuple[Effect, ...]
    plan: MovePlan | None
    now: Predicted | None
    after: Predicted | None
    coincident: Predicted | None
    now_whole: WholeImage | None
    coincident_whole: WholeImage | None
    diffraction: Mapping[float, Diffraction]
    bars: tuple[BarSensitivity, ...]
    budget: BarsAllowed | None
    detector_mm: float
    energy_kev: float
    refused: str
    unpredicted: str

    @property
    def last(self) -> RoundFound:
        """The present state."""
        return self.rounds[-1]


def find_quadrants(
    campaign: Campaign,
    rounds: Sequence[Round],
    measured: Sequence[MeasuredQuadrant],
    folded: Mapping[str, FoldedQuadrant],
    wanted: tuple[tuple[Adjuster, ...] | None, float | None],
) -> QuadrantsFound:
    """Compare images with targets, choose moves, predict the images before and after.

    Parameters
    ----------
    campaign
        What was read.
    rounds
        The log.
    measured
        Every image that the log names.
    folded
        Slope errors and targets by quadrant.
    wanted
        Adjusters, None when the campaign has none; HPD that errors of bars have to keep,
        as an angle in rad, or None.
    """
    adjusters, target_rad = wanted
    found = [_in_round(campaign, r, measured, folded) for r in rounds if r.measured]
    last = found[-1]
    detector_mm, energy_kev = _plane_of(last.measured)
    unpredicted = _unpredicted(campaign, folded, measured)
    quarters, budget = None, None
    bars = bar_sensitivities(
        campaign.prescription,
        source_distance=campaign.setup.facility.source_distance,
        detector_distance=detector_mm * u.mm,
    )
    if not unpredicted:
        lights = lights_of(campaign, found, folded, energy_kev)
        quarters = both_quarters(lights, found, folded)
        if target_rad is not None:
            budget = bars_allowed(
                quarters["likely"], campaign.prescription, bars, target_rad
            )
        found = [
            replace(one, whole=None if one.displaced is None else
                    quarters["likely"].whole(angles_of(one.displaced)))
            for one in found
        ]  # fmt: skip
        last = found[-1]
    refused = _refused(last, adjusters) or _unmeasured(rounds, last.round)
    effects: tuple[Effect, ...] = ()
    plan = None
    if adjusters is not None:
        effects = effects_of(
            adjusters, _mirror(campaign, folded), _light(campaign), detector_mm
        )
        if not refused:
            hpd_mm = _mean_hpd_rad(last.measured) * detector_mm
            done = steps_done(rounds)
            plan = plan_moves(last.displaced, effects, done, (detector_mm, hpd_mm))
    states: dict[str, Predicted | None] = dict.fromkeys(("now", "after", "coincident"))
    if quarters is not None and last.displaced is not None:
        rng = random_stream(campaign.setup.reduction.random_seed, "quadrants", "places")
        draws = rng.standard_normal((_REPEATS, len(last.displaced.names), 2))
        predict = Predict(quarters, last, detector_mm, draws)
        states["now"] = predict(angles_of(last.displaced))
        states["coincident"] = predict({}, known=True)
        if plan is not None:
            states["after"] = predict(plan.after_rad)
    return QuadrantsFound(
        log=tuple(rounds),
        rounds=tuple(found),
        folded=folded,
        adjusters=adjusters,
        effects=effects,
        plan=plan,
        now_whole=last.whole,
        coincident_whole=None if quarters is None else quarters["likely"].whole({}),
        diffraction={
            kev: diffraction_of(campaign.prescription, _source_mm(campaign), kev)
            for kev in sorted({one.image.energy_kev for one in measured})
        },
        bars=bars,
        budget=budget,
        detector_mm=detector_mm,
        energy_kev=energy_kev,
        refused=refused,
        unpredicted=unpredicted,
        **states,
    )


def _in_round(
    campaign: Campaign,
    log: Round,
    measured: Sequence[MeasuredQuadrant],
    folded: Mapping[str, FoldedQuadrant],
) -> RoundFound:
    own = tuple(one for one in measured if one.image.id in log.measured)
    edges = quadrants_of(campaign.setup)
    targets = {k: t for one in folded.values() for k, t in one.targets.items()}
    displaced = None
    if len({one.image.aperture for one in own}) > 1:
        along = {name: outwards(between) for name, between in edges.items()}
        displaced = displacements([one.image for one in own], targets, along)
    return RoundFound(round=log, measured=own, displaced=displaced)


def _plane_of(measured: Sequence[MeasuredQuadrant]) -> tuple[float, float]:
    """Detector distance and energy to speak of: of most quadrants, X-rays, the sharpest."""
    settings: dict[tuple[float, float], set[str]] = {}
    sizes: dict[float, list[float]] = {}
    for one in measured:
        image = one.image
        place = image.distance_mm, image.energy_kev
        settings.setdefault(place, set()).add(image.aperture)
        size = math.inf if image.hpd_arcsec is None else image.hpd_arcsec.value
        sizes.setdefault(image.distance_mm, []).append(size)

    def preferred(setting: tuple[float, float]) -> tuple[bool, int, float, float]:
        distance_mm, kev = setting
        size = float(np.mean(sizes[distance_mm]))
        return kev >= VISIBLE_KEV, len(settings[setting]), -size, kev

    return max(settings, key=preferred)


def _unpredicted(
    campaign: Campaign,
    folded: Mapping[str, FoldedQuadrant],
    measured: Sequence[MeasuredQuadrant],
) -> str:
    missing = [name for name in quadrants_of(campaign.setup) if name not in folded]
    if missing:
        return f"no image of {', '.join(missing)}: the whole mirror needs all quadrants"
    without = [f"{one.name} ({one.note})" for one in folded.values() if one.note]
    if without:
        return f"the slope errors are not known of {', '.join(without)}"
    return ""


def _refused(last: RoundFound, adjusters: Sequence[Adjuster] | None) -> str:
    """Say why there are no moves; nothing where there can be."""
    detector = last.measured[0].request.inputs.detector
    absent = [key for key in ("x_flipped", "rotation") if getattr(detector, key) is None]
    if absent:
        return (
            f"no moves: {' and '.join(absent)} of [detector] do not say how the detector "
            f"is turned against the mirror, so directions on the hardware are not known"
        )
    if adjusters is None:
        return "no moves: the campaign has no adjusters.ecsv"
    if last.displaced is None:
        return "no moves: one quadrant alone has nothing to coincide with"
    return ""


def _unmeasured(rounds: Sequence[Round], last: Round) -> str:
    """Say which moves were made and not measured; nothing where there are none."""
    later = [str(one.number) for one in rounds if one.number > last.number and one.done]
    if not later:
        return ""
    return (
        f"no moves: those of round {', '.join(later)} are done and nothing was measured "
        f"after them; measure the quadrants first"
    )


def _mean_hpd_rad(measured: Sequence[MeasuredQuadrant]) -> float:
    sizes = [m.image.hpd_arcsec.value for m in measured if m.image.hpd_arcsec is not None]
    return math.radians(float(np.mean(sizes)) / 3600) if sizes else 1e-4


def _source_mm(campaign: Campaign) -> float:
    return float(campaign.setup.facility.source_distance.to_value(u.mm))


def _light(campaign: Campaign) -> Light:
    facility = campaign.setup.facility
    return Light.near(facility.source_distance, facility.source_diameter)


def _mirror(campaign: Campaign, folded: Mapping[str, FoldedQuadrant]) -> MirrorState:
    """The nest with the slope errors that were found, before any displacement."""
    slopes = [one.scatter_rad for one in folded.values() if one.scatter_rad > 0]
    law = ErrorLaw.gaussian(float(np.mean(slopes)) if slopes else 0.0)
    return MirrorState(
        prescription=campaign.prescription,
        figure=FigureErrors(primary=law, secondary=law),
        quadrants=tuple(
            Quadrant(name=name, azimuth_rad=edges)
            for name, edges in quadrants_of(campaign.setup).items()
        ),
    )
