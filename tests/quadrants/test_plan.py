"""Plans of moves: what is left alone, what travel cannot reach, what was done before."""

import math
from dataclasses import replace

import numpy as np
import pytest

from beamreduce.campaign import Adjuster
from beamreduce.quadrants import Displacements, Effect, outwards, plan_moves

NAMES = ("Q1", "Q2", "Q3", "Q4")
OUTWARD = np.array([outwards((k * math.pi / 2, (k + 1) * math.pi / 2)) for k in range(4)])
DETECTOR_MM, HPD_MM = 5544.0, 1.0
LENS = 1 + DETECTOR_MM / 86_000


def adjuster(quadrant, name, azimuth_deg, **changed):
    plain = Adjuster(
        quadrant=quadrant,
        name=name,
        motion="shift",
        direction_rad=math.radians(azimuth_deg),
        stage="both",
        pivot_mm=0.0,
        step=0.01,
        travel_min=-0.6,
        travel_max=0.6,
    )
    return replace(plain, **changed)


def effect(one, size=LENS):
    along = np.array([math.cos(one.direction_rad), math.sin(one.direction_rad)])
    return Effect(
        adjuster=one,
        per_unit_mm=size * along,
        error_mm=np.zeros(2),
        hpd_change_rad=0.0,
        flux_per_unit=0.0,
    )


def two_shifts(**changed):
    return [
        effect(adjuster(q, name, azimuth, **changed))
        for q in NAMES
        for name, azimuth in (("x", 0), ("y", 90))
    ]


def displaced(places_mm):
    return Displacements(
        names=NAMES,
        angle_rad=np.array(places_mm) / DETECTOR_MM,
        covariance_rad2=np.tile((0.003 / DETECTOR_MM) ** 2 * np.eye(2), (4, 1, 1)),
        common_rad=np.zeros(3),
        outward_rad=0.0,
        outward_error_rad=0.03 / DETECTOR_MM,
        outward=OUTWARD,
        keeps_outward=False,
    )


# Neither a move of all nor one outwards.
PLACES = np.array([[0.2, -0.2], [-0.1, -0.1], [0.0, 0.0], [-0.1, 0.3]])
PLACES -= PLACES.mean(axis=0)
PLACES -= np.mean(np.sum(PLACES * OUTWARD, axis=1)) * OUTWARD


def of_quadrant(plan, name):
    return {m.adjuster.name: m for m in plan.moves if m.adjuster.quadrant == name}


def test_every_image_comes_within_a_step_of_its_target():
    plan = plan_moves(displaced(PLACES), two_shifts(), {}, (DETECTOR_MM, HPD_MM))
    left = np.array([plan.after_rad[name] for name in NAMES]) * DETECTOR_MM
    assert np.abs(left).max() < 0.01 * LENS
    assert not plan.short
    assert any("all quadrants together" in line for line in plan.left_alone)
    assert any("outwards" in line for line in plan.left_alone)


def test_moves_carry_the_uncertainty_of_the_places():
    """A shift of t moves an image by t(1 + D/L), so places of σ leave σ/(1 + D/L), less
    what three common directions of eight take: a factor √(5/8) in the mean."""
    plan = plan_moves(displaced(PLACES), two_shifts(), {}, (DETECTOR_MM, HPD_MM))
    errors = np.array([move.uncertainty for move in plan.moves])
    expected = 0.003 / LENS * math.sqrt(5 / 8)
    assert math.sqrt(np.mean(errors**2)) == pytest.approx(expected, rel=0.02)


def test_what_hardly_moves_an_image_is_left_alone_and_named():
    effects = two_shifts()
    tilt = adjuster("Q1", "lean", 45, motion="tilt", step=5e-6, travel_min=-3e-4,
                    travel_max=3e-4)  # fmt: skip
    effects.append(effect(tilt, size=20.0))  # 20 mm a rad: 12 um over the whole travel
    plan = plan_moves(displaced(PLACES), effects, {}, (DETECTOR_MM, HPD_MM))
    assert of_quadrant(plan, "Q1")["lean"].steps == 0
    assert any(line.startswith("Q1 lean: its whole travel") for line in plan.left_alone)


def test_locked_adjusters_stay_and_the_image_is_short_of_its_target():
    effects = [
        effect(replace(e.adjuster, locked=e.adjuster.label == "Q4 y")) for e in two_shifts()
    ]
    plan = plan_moves(displaced(PLACES), effects, {}, (DETECTOR_MM, HPD_MM))
    assert of_quadrant(plan, "Q4")["y"].steps == 0
    assert of_quadrant(plan, "Q4")["y"].note == "locked"
    # The others come to where it is: what counts is that images coincide.
    left = np.array([plan.after_rad[name] for name in NAMES]) * DETECTOR_MM
    assert np.abs(left).max() < 0.02


def test_redundant_adjusters_are_named_and_moved_the_least():
    effects = two_shifts()
    effects.append(effect(adjuster("Q1", "x2", 0)))
    plan = plan_moves(displaced(PLACES), effects, {}, (DETECTOR_MM, HPD_MM))
    moves = of_quadrant(plan, "Q1")
    assert abs(moves["x"].steps - moves["x2"].steps) <= 1
    assert any("x, x2 moved together" in line for line in plan.left_alone)


def test_steps_done_before_are_taken_off_the_travel():
    small = two_shifts(travel_min=-0.2, travel_max=0.2)
    fresh = plan_moves(displaced(PLACES), small, {}, (DETECTOR_MM, HPD_MM))
    wanted = of_quadrant(fresh, "Q1")["x"].steps
    assert wanted < -10
    done = {("Q1", "x"): -15}
    later = plan_moves(displaced(PLACES), small, done, (DETECTOR_MM, HPD_MM))
    assert of_quadrant(later, "Q1")["x"].steps >= -5
    assert "lower end" in of_quadrant(later, "Q1")["x"].note
