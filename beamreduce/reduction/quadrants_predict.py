"""The image of all quadrants together, predicted with its uncertainty."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import astropy.units as u
import numpy as np

from beamreduce.campaign import Campaign, Round
from beamreduce.infinity.configuration import Resolution
from beamreduce.infinity.declared import Declared, declared_optics
from beamreduce.quadrants import (
    Displacements,
    QuadrantLight,
    Quarters,
    WholeImage,
    planes_about,
    quarters_of,
)
from beamreduce.record import Uncertain
from beamreduce.reduction.quadrant_folds import FoldedQuadrant, MeasuredQuadrant

_TRACED = 5e-4  # relative error of a predicted HPD by quadrature and points
Angles = Mapping[str, tuple[float, float]]


@dataclass(frozen=True, kw_only=True)
class RoundFound:
    """What one round's images show.

    Parameters
    ----------
    round
        From the log.
    measured
        Its images.
    displaced
        Where they are, less where they belong; None with fewer than two quadrants.
    whole
        The image of all quadrants together at best focus, by the likely slope errors;
        None where it cannot be had.
    """

    round: Round
    measured: tuple[MeasuredQuadrant, ...]
    displaced: Displacements | None
    whole: WholeImage | None = None


@dataclass(frozen=True, kw_only=True)
class Predicted:
    """The image of all quadrants together in one state.

    Parameters
    ----------
    hpd_rad
        Half-power diameter at best focus.
    best_mm
        Where that is.
    area_mm2
        Effective area inside the reference radius there.
    at_detector_rad
        Half-power diameter in the plane of the detector.
    """

    hpd_rad: Uncertain
    best_mm: Uncertain
    area_mm2: Uncertain
    at_detector_rad: Uncertain


def lights_of(
    campaign: Campaign,
    rounds: Sequence[RoundFound],
    folded: Mapping[str, FoldedQuadrant],
    energy_kev: float,
) -> dict[str, dict[str, QuadrantLight]]:
    """Light of all quadrants by the likely slope errors, and by others that may be."""
    measured = [one for found in rounds for one in found.measured]
    lights: dict[str, dict[str, QuadrantLight]] = {"likely": {}, "other": {}}
    for name, one in folded.items():
        own = next(m for m in measured if m.image.aperture == name)
        optics = declared_optics(
            Declared(
                setup=campaign.setup,
                prescription=campaign.prescription,
                inputs=own.request.inputs,
                energies=np.array([energy_kev]) * u.keV,
            )
        )
        for kind in lights:
            ladder, weights = getattr(one, kind)
            light = QuadrantLight(optics=optics, ladder=ladder, weights=weights)
            lights[kind][name] = light
    return lights


def both_quarters(
    lights: Mapping[str, Mapping[str, QuadrantLight]],
    rounds: Sequence[RoundFound],
    folded: Mapping[str, FoldedQuadrant],
) -> dict[str, Quarters]:
    """Trace all quadrants in planes about the best focus, by either mixture."""
    resolution, view = _how_finely(rounds, folded)
    moved = [np.abs(r.displaced.angle_rad).max() for r in rounds if r.displaced is not None]
    optics = next(iter(lights["likely"].values())).optics
    largest = float(max(moved, default=0.0))
    planes = planes_about(optics, resolution.hpd_rad, largest)
    first = {
        kind: quarters_of(of_kind, planes, resolution, view)
        for kind, of_kind in lights.items()
    }
    states = [angles_of(r.displaced) for r in rounds if r.displaced is not None]
    near = first["likely"].planes_near_best([{}, *states])
    return {
        kind: first[kind].joined(quarters_of(of_kind, near, resolution, view))
        for kind, of_kind in lights.items()
    }


def _how_finely(
    rounds: Sequence[RoundFound], folded: Mapping[str, FoldedQuadrant]
) -> tuple[Resolution, tuple[float, float]]:
    """Resolution for all quadrants; side of a pixel (mm), reference radius (rad)."""
    measured = [one for found in rounds for one in found.measured]
    reference = max(
        float(one.request.reference_radius.to_value(u.mm)) / one.image.distance_mm
        for one in measured
    )
    finest = min((one.resolution for one in folded.values()), key=lambda r: r.hpd_rad)
    reach = max(one.resolution.reach_rad for one in folded.values())
    return replace(finest, reach_rad=reach), (measured[0].image.pixel_mm, reference)


class Predict:
    """Predicts the whole image in one state with its uncertainty."""

    def __init__(
        self,
        quarters: Mapping[str, Quarters],
        last: RoundFound,
        detector_mm: float,
        draws: np.ndarray,
    ) -> None:
        self._quarters, self._last = quarters, last
        self._detector_mm, self._draws = detector_mm, draws
        sizes = [m.image.hpd_arcsec for m in last.measured if m.image.hpd_arcsec]
        mean = float(np.mean([s.value for s in sizes]))
        self._statistical = (
            math.sqrt(sum(s.statistical**2 for s in sizes)) / len(sizes) / mean
        )
        self._systematic = max(s.systematic for s in sizes) / mean

    def __call__(self, displaced: Angles, *, known: bool = False) -> Predicted:
        """Predict one state; ``known`` where displacements have no uncertainty."""
        likely, another = (self._quarters[k].whole(displaced) for k in ("likely", "other"))
        (best_mm, hpd), (other_mm, other) = likely.best, another.best
        scatter = 0.0 if known else self._scatter(likely, displaced)

        def uncertain(value: float, change: float) -> Uncertain:
            return Uncertain(
                value=value,
                statistical=math.hypot(self._statistical * value, scatter),
                systematic=self._systematic * value,
                model=math.hypot(change, _TRACED * value),
            )

        here, there = (
            float(np.interp(self._detector_mm, one.distance_mm, one.hpd_rad))
            for one in (likely, another)
        )
        area, other_area = likely.area_at_best_mm2, another.area_at_best_mm2
        return Predicted(
            hpd_rad=uncertain(hpd, other - hpd),
            best_mm=Uncertain(
                value=best_mm, statistical=0.0, model=abs(other_mm - best_mm)
            ),
            area_mm2=Uncertain(
                value=area,
                statistical=0.0,
                model=math.hypot(other_area - area, _TRACED * area),
            ),
            at_detector_rad=uncertain(here, there - here),
        )

    def _scatter(self, whole: WholeImage, displaced: Angles) -> float:
        """Scatter of the HPD that uncertain places leave, in the best plane."""
        quarters, places = self._quarters["likely"], self._last.displaced
        plane = int(whole.hpd_rad.argmin())
        errors = places.error_rad
        sizes = [
            quarters.in_plane(
                plane,
                {
                    name: tuple(np.add(displaced.get(name, (0.0, 0.0)), error * draw))
                    for name, error, draw in zip(places.names, errors, chance, strict=True)
                },
            )[0]
            for chance in self._draws
        ]
        return float(np.std(sizes, ddof=1))


def angles_of(displaced: Displacements) -> dict[str, tuple[float, float]]:
    """Return the displacement of each quadrant's image, rad."""
    return {name: displaced.of(name) for name in displaced.names}
