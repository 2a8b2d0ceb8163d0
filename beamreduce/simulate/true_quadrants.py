"""Where quadrants really are in every round, and what that does to the whole image."""

from dataclasses import replace

import numpy as np

from beamreduce.raytrace import MirrorState, Placement, TracePlan, trace
from beamreduce.record import Uncertain
from beamreduce.simulate.as_made import CampaignAsMade
from beamreduce.simulate.focal_light import trace_rays
from beamreduce.simulate.scenario_records import ExposureSet
from beamreduce.simulate.true_images import PARTS, best_focus_mm, image_at
from beamreduce.units import arcsec_per_mm

_RAYS = 2_000_000


def true_quadrants(made: CampaignAsMade) -> dict[str, object]:
    """Return the displacement of each quadrant's image in every round.

    From where cones as designed would put it: a mean error of a quadrant's own cones moves
    its image as a shift does, and nothing tells them apart. And the half-power diameter of
    the whole mirror at best focus then, and with every quadrant where it belongs. All at
    the plane and energy of the first exposure of a single quadrant.
    """
    item = next(one for one in made.scenario.exposures if _single(one))
    straight = _straight(made.mirror)
    figure = replace(straight.figure, primary_mean_rad=0.0, secondary_mean_rad=0.0)
    home = _places(made, replace(straight, figure=figure), item)
    rounds = []
    for number in range(max(one.round for one in made.scenario.exposures) + 1):
        mirror = made.mirror_in(number)
        apart = _places(made, mirror, item) - home
        rounds.append(
            {
                "round": number,
                "displacement_mm": {
                    quadrant.name: [float(x), float(y)]
                    for quadrant, (x, y) in zip(mirror.quadrants, apart, strict=True)
                },
                **_whole(made, mirror, item, f"round {number}"),
            }
        )
    return {
        "detector_distance_mm": item.distance_mm,
        "rounds": rounds,
        "coincident": _whole(made, straight, item, "coincident"),
    }


def _single(item: ExposureSet) -> bool:
    return item.kind == "beam" and item.aperture not in ("", "full")


def _straight(mirror: MirrorState) -> MirrorState:
    """The mirror with every quadrant where it belongs."""
    at_home = tuple(
        replace(quadrant, primary=Placement(), secondary=Placement())
        for quadrant in mirror.quadrants
    )
    return replace(mirror, quadrants=at_home)


def _places(made: CampaignAsMade, mirror: MirrorState, item: ExposureSet) -> np.ndarray:
    """Mean place of the light of each quadrant, (quadrants, 2); the same chance for all."""
    plan = TracePlan(distances_mm=np.array([item.distance_mm]))
    rng = made.stream("", "places of quadrants")
    traced = trace(mirror, made.light(item), plan, rays=_RAYS, rng=rng)
    return traced.centroid_mm(item.distance_mm)[:, made.energy_index(item.line)]


def _whole(
    made: CampaignAsMade, mirror: MirrorState, item: ExposureSet, what: str
) -> dict[str, object]:
    """Numbers of the whole mirror at its best focus, without pixels."""
    rays = trace_rays(
        (mirror, made.light(item)),
        (made.scenario.truth.photons, PARTS),
        lambda part: np.zeros(part.focused.size, dtype=bool),
        made.stream(what, "whole image"),
    )
    energy = made.energy_index(item.line)
    angle = made.reference_mm / item.distance_mm
    length = float(made.setup.mirror.reflector_length.to_value("mm"))
    source = float(made.setup.facility.source_distance.to_value("mm"))
    focal = mirror.prescription.focal_length_mm
    middle = focal * source / (source - focal) + length / 8
    best: Uncertain = best_focus_mm(rays, energy, angle, (middle, length))
    image = image_at(rays, best.value, energy, angle * best.value)
    return {
        "hpd_best_focus_arcsec": image.quantity("hpd", arcsec_per_mm(best.value)).to_json(),
        "best_focus_mm": best.to_json(),
        "effective_area_within_reference_cm2": image.area_within_cm2.to_json(),
    }
