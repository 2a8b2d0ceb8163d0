"""Displacements: what is common is left out, what is sure is kept, errors are right."""

import numpy as np
import pytest

from beamreduce.quadrants import (
    QuadrantImage,
    Target,
    common_moves,
    displacements,
    outwards,
)

EDGES = {f"Q{k + 1}": (k * np.pi / 2, (k + 1) * np.pi / 2) for k in range(4)}
OUTWARD = {name: outwards(edges) for name, edges in EDGES.items()}
DISTANCE_MM = 5544.0


def images(places_mm, sigma_mm=0.005, names=tuple(EDGES)):
    covariance = sigma_mm**2 * np.eye(2)
    return [
        QuadrantImage(
            aperture=name,
            id=name,
            distance_mm=DISTANCE_MM,
            energy_kev=4.5,
            pixel_mm=0.02,
            center_px=np.zeros(2),
            covariance_px2=covariance / 0.02**2,
            place_mm=np.array(place),
            covariance_mm2=covariance,
            hpd_arcsec=None,
            shape=None,
            stage_mm=(np.nan, np.nan),
        )
        for name, place in zip(names, places_mm, strict=True)
    ]


def targets(outward_mm=0.03, at=0.0):
    return {
        name: Target(place_mm=at * OUTWARD[name], outward_mm=outward_mm, how="")
        for name in EDGES
    }


def test_a_move_of_all_is_nothing():
    found = displacements(images(np.tile([3.0, -7.0], (4, 1))), targets(), OUTWARD)
    assert found.angle_rad == pytest.approx(np.zeros((4, 2)), abs=1e-12)
    assert found.common_rad[:2] * DISTANCE_MM == pytest.approx([3.0, -7.0])


def test_targets_are_each_quadrants_own():
    """Images where the model puts them, 0.2 mm off a common centroid, are not displaced."""
    places = [0.2 * OUTWARD[name] for name in EDGES]
    found = displacements(images(places), targets(at=0.2), OUTWARD)
    assert found.angle_rad == pytest.approx(np.zeros((4, 2)), abs=1e-12)
    assert found.outward_rad == pytest.approx(0.0, abs=1e-12)


def test_one_quadrant_that_is_out_is_out_by_three_quarters_and_the_others_by_a_quarter():
    """Sideways of its middle, where no move outwards takes part."""
    aside = np.array([-1.0, 1.0]) / np.sqrt(2)
    places = np.zeros((4, 2))
    places[0] = 0.4 * aside
    found = displacements(images(places), targets(), OUTWARD)
    assert found.angle_rad[0] * DISTANCE_MM == pytest.approx(0.3 * aside)
    assert found.angle_rad[2] * DISTANCE_MM == pytest.approx(-0.1 * aside)


@pytest.mark.parametrize(("outward_mm", "keeps"), [(0.05, False), (0.2, True)])
def test_a_move_outwards_is_corrected_only_when_it_is_sure(outward_mm, keeps):
    """Errors of the cones leave 0.03 mm: 0.05 is no sign, 0.2 is six standard errors."""
    places = [outward_mm * OUTWARD[name] for name in EDGES]
    found = displacements(images(places), targets(), OUTWARD)
    assert found.keeps_outward is keeps
    assert found.outward_rad * DISTANCE_MM == pytest.approx(outward_mm)
    assert found.outward_error_rad * DISTANCE_MM == pytest.approx(0.03, rel=0.02)
    size = np.hypot(*found.angle_rad.T) * DISTANCE_MM
    assert size == pytest.approx(np.full(4, outward_mm if keeps else 0.0), abs=1e-9)


def test_errors_are_the_scatter_of_repeats():
    rng = np.random.default_rng(20260420)
    true = 0.02 * rng.normal(size=(4, 2))
    found = [
        displacements(images(true + rng.normal(0, 0.005, (4, 2))), targets(), OUTWARD)
        for _ in range(600)
    ]
    scatter = np.std([one.angle_rad for one in found], axis=0)
    # 600 repeats tell a standard deviation to 2.9 %; four of these.
    assert found[0].error_rad == pytest.approx(scatter, rel=4 * 0.029)


def test_two_images_of_one_quadrant_count_by_their_certainty():
    sure, vague = images([[0.1, 0.0]], 0.002, ("Q1",)), images([[0.4, 0.0]], 0.02, ("Q1",))
    others = images(np.zeros((3, 2)), 0.002, ("Q2", "Q3", "Q4"))
    found = displacements([*sure, *vague, *others], targets(), OUTWARD)
    mean = (0.1 * 100 + 0.4) / 101
    expected, _ = common_moves(np.array([[mean, 0], [0, 0], [0, 0], [0, 0]]),
                               np.array(list(OUTWARD.values())))  # fmt: skip
    assert found.common_rad[:2] * DISTANCE_MM == pytest.approx(expected, abs=1e-6)


def test_errors_of_the_cones_that_a_quadrant_has_alone_are_its_own():
    """Q1's target is off by chance along its middle; repeats scatter as the error says."""
    rng = np.random.default_rng(20261127)
    found = []
    for _ in range(600):
        own = targets(outward_mm=0.0)
        away = rng.normal(0, 0.02) * OUTWARD["Q1"]
        own["Q1"] = Target(place_mm=away, outward_mm=0.0, own_mm=0.02, how="")
        found.append(displacements(images(rng.normal(0, 0.005, (4, 2))), own, OUTWARD))
    free = [one for one in found if not one.keeps_outward]
    scatter = np.std([one.angle_rad for one in free], axis=0)
    # Repeats tell a standard deviation to 1/√(2n); four of these.
    assert len(free) > 550
    assert free[0].error_rad == pytest.approx(scatter, rel=4 / np.sqrt(2 * len(free)))
