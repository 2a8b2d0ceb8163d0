"""Whole comparisons of results that a test has made."""

import numpy as np
import pytest

from beamreduce.before_after import (
    Assurance,
    CompareSettings,
    Margin,
    Margins,
    compare_results,
)
from beamreduce.errors import ResultsError
from beamreduce.record import Uncertain
from tests.before_after.made_results import (
    curve_of,
    measurement,
    settings_with,
    write_results,
)


def compared(tmp_path, before, after, settings=None, /, **folders):
    sides = [
        write_results(tmp_path / name, measurements, **folders.get(name, {}))
        for name, measurements in (("before", before), ("after", after))
    ]
    return compare_results(*sides, settings)


def by_key(comparison, identity="focus"):
    return {j.finding.key: j for j in comparison.judged if j.finding.id == identity}


def reasons(comparison, key):
    return [left.reason for left in comparison.left_out if left.key == key]


def test_a_shift_by_many_sigma_is_a_change(tmp_path):
    found = by_key(compared(tmp_path, [measurement()], [measurement(hpd=54.0)]))
    hpd = found["hpd_measured_arcsec"]
    assert hpd.verdict == "changed"
    assert hpd.finding.difference.quantity.value == pytest.approx(4.0)
    assert hpd.sentence == "changed by +4.00 ± 0.42 arcsec"
    assert hpd.needs is None


def test_what_is_common_cancels_and_what_is_not_adds(tmp_path):
    found = by_key(compared(tmp_path, [measurement()], [measurement(hpd=51.0)]))
    measured = found["hpd_measured_arcsec"].finding.difference
    assert measured.common == ("pixel size",)
    # One pixel size: its part of the difference alone. Roughness the same.
    assert measured.quantity.systematic == pytest.approx(5e-4 * 1.0)
    assert measured.quantity.statistical == pytest.approx(0.3 * np.sqrt(2))
    star = found["hpd_infinity_arcsec"].finding.difference
    assert star.quantity.systematic == pytest.approx(2e-3 * 1.0)


def test_other_settings_are_not_common(tmp_path):
    other = settings_with(detectors={"detector": {"name": "", "pixel_size": "20.1 um"}})
    comparison = compared(
        tmp_path, [measurement()], [measurement()], after={"settings": other}
    )
    measured = by_key(comparison)["hpd_measured_arcsec"].finding.difference
    assert measured.common == ()
    assert measured.quantity.systematic == pytest.approx(5e-4 * 50 * np.sqrt(2))


def test_what_a_budget_leaves_out_is_each_runs_own(tmp_path):
    loose = measurement(
        hpd_measured_arcsec=Uncertain(value=50.0, statistical=0.3, systematic=0.5)
    )
    found = by_key(compared(tmp_path, [loose], [loose]))["hpd_measured_arcsec"]
    rest = np.sqrt(0.5**2 - 0.025**2)
    assert found.finding.difference.quantity.systematic == pytest.approx(rest * np.sqrt(2))


def test_null_areas_are_said(tmp_path):
    area = Uncertain(value=100.0, statistical=1.0)
    known = measurement(effective_area_measured_cm2=area)
    comparison = compared(tmp_path, [known], [measurement()])
    (reason,) = reasons(comparison, "effective_area_measured_cm2")
    assert reason.startswith("null after: ")


def test_another_plane_leaves_the_star(tmp_path):
    moved = measurement(detector_distance_mm=5548.0)
    comparison = compared(tmp_path, [measurement()], [moved])
    assert set(by_key(comparison)) == {"hpd_infinity_arcsec"}
    (reason,) = reasons(comparison, "hpd_measured_arcsec")
    assert "5544 mm before and 5548 mm after" in reason


def test_positions_need_a_stage_or_a_word(tmp_path):
    before = [measurement()]
    after = [measurement(center_pixel=(503.0, 510.0))]
    comparison = compared(tmp_path / "a", before, after)
    assert "detector_x" in reasons(comparison, "position_x_arcsec")[0]
    settings = CompareSettings(detector_not_moved=True)
    found = by_key(compared(tmp_path / "b", before, after, settings))
    shift = found["position_x_arcsec"].finding.difference.quantity
    assert shift.value == pytest.approx(3 * 0.02 / 5544 * 206264.806, rel=1e-6)
    assert found["position_y_arcsec"].verdict == "unchanged"


def quadrants(places, **changes):
    return [
        measurement(f"quadrant_{k}", aperture=f"Q{k}", center_pixel=place, **changes)
        for k, place in enumerate(places, 1)
    ]


def test_a_quadrant_that_moved_alone_shows_though_the_stage_moved(tmp_path):
    """By 20 pixels in x: 15 against the mean of four, the others −5 each."""
    places = [(500.0, 500.0), (510.0, 500.0), (490.0, 500.0), (500.0, 510.0)]
    stage = (33.0, -12.0)
    moved = [
        (x + stage[0] + 20 * (k == 2), y + stage[1]) for k, (x, y) in enumerate(places)
    ]
    comparison = compared(tmp_path, quadrants(places), quadrants(moved))
    arcsec = 0.02 / 5544 * 206264.806
    for k in (1, 2, 3, 4):
        found = by_key(comparison, f"quadrant_{k}")["quadrant_position_x_arcsec"]
        expected = arcsec * (15 if k == 3 else -5)
        assert found.finding.difference.quantity.value == pytest.approx(expected, rel=1e-6)
        assert found.verdict == "changed"
        assert (
            by_key(comparison, f"quadrant_{k}")["quadrant_position_y_arcsec"].verdict
            == "unchanged"
        )
    # Own noise ¾ and that of three others ¼: √(9/16 + 3/16) = √¾ of one, in both runs.
    sigma = found.finding.difference.quantity.uncertainty
    assert sigma == pytest.approx(0.1 * arcsec * np.sqrt(0.75 * 2), rel=1e-6)


def test_missing_energies_are_a_partial_answer(tmp_path):
    al = measurement("al", energy_keV=1.487)
    comparison = compared(tmp_path, [measurement(), al], [measurement()])
    assert [left.id for left in comparison.left_out if left.key == ""] == ["al"]
    assert comparison.judged


def test_names_may_differ_when_settings_tell(tmp_path):
    comparison = compared(tmp_path, [measurement("a")], [measurement("b")])
    assert {j.finding.id for j in comparison.judged} == {"a"}


def test_repeats_of_other_names_are_not_guessed(tmp_path):
    before = [measurement("a"), measurement("b")]
    comparison = compared(tmp_path, before, [measurement("c")])
    reason = dict((left.id, left.reason) for left in comparison.left_out)
    assert "which belong together is not known" in reason["b"]


def test_nothing_in_common_is_an_error(tmp_path):
    with pytest.raises(ResultsError, match="no measurement at a setting of"):
        compared(tmp_path, [measurement()], [measurement(energy_keV=8.0)])


@pytest.mark.parametrize(
    ("key", "value"),
    [("focal_length", "8.2 m"), ("coating", "Pt"), ("outer_radius", "150 mm")],
)
def test_another_mirror_is_refused(tmp_path, key, value):
    other = settings_with(mirror={key: value})
    with pytest.raises(ResultsError, match=rf"mirror\.{key}: found '{value}'"):
        compared(tmp_path, [measurement()], [measurement()], after={"settings": other})


def test_a_focal_length_known_better_is_the_same_mirror(tmp_path):
    better = settings_with(mirror={"focal_length": "5201.3 mm"})
    comparison = compared(
        tmp_path, [measurement()], [measurement()], after={"settings": better}
    )
    assert comparison.judged


def curves(**sides):
    return {name: {"curves": {"focus": (curve, None)}} for name, curve in sides.items()}


def test_curves_that_differ_in_the_core(tmp_path):
    """HPD 50 → 54: a Gaussian's EEF at r falls by (r²/σ²) e^(−r²/2σ²) δ, at most 2/e δ.

    δ = 8 % here: 0.059 at the radius √2 σ, where the first order is good to δ² = 0.6 %.
    """
    sides = curves(before=curve_of(50.0), after=curve_of(54.0))
    comparison = compared(tmp_path, [measurement()], [measurement(hpd=54.0)], **sides)
    found = by_key(comparison)["eef_measured"]
    assert found.verdict == "changed"
    (curve,) = comparison.curves
    assert curve.difference.min() == pytest.approx(-2 / np.e * np.log(54 / 50), rel=0.02)
    sigma = 52 / 2 / np.sqrt(2 * np.log(2))
    most = curve.radius_arcsec[np.argmin(curve.difference)]
    assert most == pytest.approx(np.sqrt(2) * sigma, rel=0.05)
    # What is quoted of a change is where it is surest, not where it is largest.
    surest = np.argmax(np.abs(curve.difference) / curve.uncertainty)
    assert found.finding.at_arcsec == curve.radius_arcsec[surest]
    assert np.all(curve.band > 2 * curve.uncertainty)  # wider than at one radius


def test_curves_of_another_reference_radius_are_set_to_one_at_the_smaller(tmp_path):
    sides = curves(before=curve_of(50.0), after=curve_of(50.0, reference_mm=2.0))
    comparison = compared(tmp_path, [measurement()], [measurement()], **sides)
    found = by_key(comparison)["eef_measured"]
    assert found.verdict == "unchanged"
    assert abs(found.finding.difference.quantity.value) < 1e-3  # rings do not coincide


def test_other_reference_radii_leave_diameters_out(tmp_path):
    other = measurement(reference_radius_mm=5.0, reference_radius_arcsec=186.0)
    comparison = compared(tmp_path, [measurement()], [other])
    (reason,) = reasons(comparison, "hpd_measured_arcsec")
    assert "1 at 6 mm before and at 5 mm after" in reason
    assert "reference_radius" in reason


def test_results_without_covariance_say_so(tmp_path):
    comparison = compared(tmp_path, [measurement()], [measurement()])
    assert "reduce again" in reasons(comparison, "eef_measured")[0]


def test_json_holds_what_was_found(tmp_path):
    sides = curves(before=curve_of(50.0, seed=1), after=curve_of(50.0, seed=2))
    settings = CompareSettings(
        margins=Margins(hpd=Margin(size=2.0, unit="arcsec")),
        assurance=Assurance(confidence=0.9),
    )
    stored = compared(
        tmp_path, [measurement()], [measurement(hpd=50.9)], settings, **sides
    ).to_json()
    assert stored["format"] == "beamreduce-comparison/1"
    assert {"id", "key", "before", "after", "difference", "margin", "verdict"} <= set(
        stored["quantities"][0]
    )
    assert {q["verdict"] for q in stored["quantities"]} <= {
        "unchanged", "changed", "undecided",
    }  # fmt: skip
    hpd = next(q for q in stored["quantities"] if q["key"] == "hpd_measured_arcsec")
    assert hpd["margin"] == 2.0
    assert stored["settings"]["confidence"] == 0.9


def test_shared_frames_are_said(tmp_path):
    comparison = compared(tmp_path, [measurement()], [measurement()])
    assert "same frames (focus)" in comparison.notes[0]
