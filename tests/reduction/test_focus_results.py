"""What is said of the focus, from made scans of planes."""

from types import SimpleNamespace

import numpy as np
import pytest

from beamreduce.infinity.best_focus import FocusScan
from beamreduce.reduction.focus_results import ARCSEC_PER_RAD, focus_of

PLANES = np.linspace(5500.0, 5600.0, 11)
BEST = 5543.0
LEAST = 50.0  # arcsec


def parabola(best=BEST, least=LEAST, curvature=0.01):
    """HPD in arcsec: 25 more at 50 mm from the best."""
    return least + curvature * (PLANES - best) ** 2


def scan(*families, weight=(1.0,), repeats=None):
    repeats = [parabola()] * 2 if repeats is None else repeats
    return FocusScan(
        distance_mm=PLANES,
        by_family=np.array(families) / ARCSEC_PER_RAD,
        family_weight=np.array(weight),
        repeats=np.array(repeats) / ARCSEC_PER_RAD,
        crossing_mm=np.full(len(families), 5200.0),
    )


def found_of(beam, distances=(5540.0, 5560.0), means=(0.0,), weight=(1.0,)):
    """A fold, as far as the focus is concerned."""
    measured = tuple(
        SimpleNamespace(
            energy=0, distance_mm=d, net=SimpleNamespace(photons=np.array([10.0]))
        )
        for d in distances
    )
    families = tuple(SimpleNamespace(mean_rad=m / ARCSEC_PER_RAD) for m in means)
    folded = SimpleNamespace(
        measured=measured,
        counting=(families, np.array(weight)),
        best=SimpleNamespace(stage="secondary"),
    )
    return SimpleNamespace(folded=folded, beam_focus=beam, star_focus={0: beam})


def told(found, aperture="Q1"):
    """The entry for a part of the mirror, which has no astigmatism."""
    request = SimpleNamespace(
        inputs=SimpleNamespace(
            id="m", aperture=aperture, detector=SimpleNamespace(pixel_size=FIFTY)
        )
    )
    stored = {"id": "m", "detector_distance_mm": 5540.0, "sectors": []}
    return focus_of(found, [request], [stored])


FIFTY = SimpleNamespace(to_value=lambda unit: 0.05)


def test_off_the_axis_nothing_is_told():
    assert focus_of(found_of(None), [], []) is None


def test_best_focus_is_where_the_diameter_is_least():
    focus = told(found_of(scan(parabola())))
    assert focus["best_focus_mm"]["value"] == pytest.approx(BEST, abs=0.1)  # a step
    assert focus["hpd_best_focus_arcsec"]["value"] == pytest.approx(LEAST, rel=1e-4)
    # Five per cent of 50 at 0.01 a square millimetre: 15.8 mm on either side.
    assert focus["depth_mm"] == pytest.approx(2 * np.sqrt(0.05 * LEAST / 0.01), abs=0.2)


def test_families_that_differ_are_the_model_uncertainty():
    both = scan(parabola(BEST - 4), parabola(BEST + 4), weight=(0.5, 0.5))
    focus = told(found_of(both, means=(-3.0, 3.0), weight=(0.5, 0.5)))
    assert focus["best_focus_mm"]["value"] == pytest.approx(BEST, abs=0.1)
    assert focus["best_focus_mm"]["model"] == pytest.approx(4.0, abs=0.1)
    assert focus["cone_angle_error_arcsec"]["value"] == pytest.approx(0.0, abs=1e-9)
    assert focus["cone_angle_error_arcsec"]["model"] == pytest.approx(3.0)
    assert focus["cone_angle_sign_known"] is False


@pytest.mark.parametrize(("outward", "known"), [(0.94, False), (0.96, True)])
def test_the_sign_of_a_cone_angle_error_is_known_from_95_per_cent(outward, known):
    both = scan(parabola(), parabola(), weight=(outward, 1 - outward))
    focus = told(found_of(both, means=(5.0, -5.0), weight=(outward, 1 - outward)))
    assert focus["cone_angle_sign_known"] is known


def test_a_focus_beyond_the_planes_is_null_with_the_reason():
    focus = told(found_of(scan(parabola(5700.0))))
    for key in ("best_focus_mm", "star_best_focus_mm"):
        assert focus[key] is None
        assert "beyond the planes" in focus["notes"][key]


def test_the_next_distance_is_where_families_disagree_most():
    """Alike on one side of focus, and most apart at the far end of the other."""
    one = parabola()
    other = one + np.where(PLANES > 5560.0, 0.3 * (PLANES - 5560.0), 0.0)
    both = scan(one, other, weight=(0.5, 0.5))
    assert told(found_of(both))["next_detector_distance_mm"] == PLANES[-1]
    # What is measured there already would tell nothing new.
    there = told(found_of(both, distances=(5540.0, 5600.0)))
    assert there["next_detector_distance_mm"] == PLANES[-2]


def test_no_next_distance_where_all_families_agree():
    both = scan(parabola(), parabola() * 1.0001, weight=(0.5, 0.5))
    focus = told(found_of(both))
    assert focus["next_detector_distance_mm"] is None
    assert "add little" in focus["notes"]["next_detector_distance_mm"]


def test_one_distance_is_told_and_parts_have_no_astigmatism():
    focus = told(found_of(scan(parabola()), distances=(5540.0,)))
    assert "one detector distance" in focus["notes"]["best_focus_mm"]
    assert focus["astigmatism_mm"] is None
    assert focus["notes"]["astigmatism_mm"] == "only the whole mirror shows it"


def test_the_drawn_curve_is_smooth_between_planes():
    """A parabola comes back from eleven planes, and the spread of what counts."""
    wide, narrow = parabola(least=52.0), parabola(least=48.0)
    made = scan(
        wide,
        narrow,
        weight=(0.5, 0.5),
        repeats=[parabola(least=49.0), parabola(least=51.0)],
    )
    distance, hpd, uncertainty = made.curve(101)
    assert distance == pytest.approx(np.linspace(PLANES[0], PLANES[-1], 101))
    assert hpd * ARCSEC_PER_RAD == pytest.approx(LEAST + 0.01 * (distance - BEST) ** 2)
    both = np.hypot(2.0, np.sqrt(2.0))  # two each way; 49 and 51: variance 2
    assert uncertainty * ARCSEC_PER_RAD == pytest.approx(np.full(101, both))
