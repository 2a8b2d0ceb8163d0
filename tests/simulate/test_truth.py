import dataclasses
import json

import numpy as np
import pytest

from beamreduce.record import Measurement
from beamreduce.simulate.exposures_plan import plan_exposures
from beamreduce.simulate.focal_light import focal_light, settings_of
from beamreduce.simulate.image_numbers import image_numbers
from beamreduce.simulate.light import arriving_photons


@pytest.fixture(scope="module")
def truth(tiny_campaign):
    file = tiny_campaign.with_name("campaign.truth.json")
    content = json.loads(file.read_text(encoding="utf-8"))
    assert content["format"] == "beamreduce-truth/1"
    return {entry["id"]: entry for entry in content["measurements"]}


def test_ids_and_keys_are_those_of_results(truth):
    assert list(truth) == ["focus", "quadrant_01", "tilted"]
    known = {item.name for item in dataclasses.fields(Measurement)}
    for entry in truth.values():
        assert set(entry) <= known | {"infinity_best_focus_mm_standard_error"}
        assert entry["hpd_infinity_arcsec"]["value"] > 0
        for value in entry.values():
            if isinstance(value, dict):
                assert set(value) == {
                    "value", "uncertainty", "statistical", "systematic", "model",
                }  # fmt: skip
    assert truth["quadrant_01"]["aperture"] == "Q2"
    assert truth["tilted"]["off_axis_arcmin"] == pytest.approx(5)
    assert truth["focus"]["exposures"] == ["focus_01", "focus_02"]


def test_photons_in_frames_repeat_the_truth(made, truth):
    """Many repeats of the exposures scatter about the traced values."""
    plan = [e for e in plan_exposures(made.scenario) if e.source.name == "focus"]
    # A list of rays for twenty times the light, so that its own scatter does not count.
    brighter = [dataclasses.replace(e, strength=20 * e.strength) for e in plan]
    light = focal_light(made, settings_of(brighter)[0])
    pixel_mm, found = made.detector.pixel_mm, []
    for repeat in range(40):
        rng = np.random.default_rng(8100 + repeat)
        places = []
        for exposure in plan:
            photons = arriving_photons(made, exposure, light, rng)
            places.append(photons.place_px[:, photons.energy_kev == 4.511])
        place = np.concatenate(places, axis=1)
        place = place + 0.3 * rng.standard_normal(place.shape)
        place = np.rint(place) + rng.uniform(-0.5, 0.5, place.shape)
        numbers = image_numbers(
            place, np.ones(place.shape[1]), 5 / pixel_mm, start=made.detector.image_center
        )
        found.append(
            (
                numbers.hpd * pixel_mm,
                numbers.w90 * pixel_mm,
                numbers.within,
                *numbers.center,
            )
        )
    mean, error = np.mean(found, axis=0), np.std(found, axis=0, ddof=1) / 40**0.5
    entry = truth["focus"]
    expected = [
        (entry[key]["value"], entry[key]["uncertainty"])
        for key in ("hpd_measured_mm", "w90_measured_mm", "net_photons")
    ]
    expected += list(
        zip(entry["center_pixel"], entry["center_uncertainty_pixel"], strict=True)
    )
    for k, (value, uncertainty) in enumerate(expected):
        assert mean[k] == pytest.approx(value, abs=4 * np.hypot(error[k], uncertainty)), k


def test_truth_is_sharp(truth):
    # Evenly spread rays do no worse than chance ones: the HPD of slope errors in the plane
    # of reflection and cone blur errs by 1 to 1.17 HPD/√N; errors of 20 parts by 16 %.
    for key in ("hpd_measured_mm", "hpd_infinity_arcsec"):
        number = truth["focus"][key]
        relative = number["uncertainty"] / number["value"] * 20_000**0.5
        assert 0 < relative < 1.17 * (1 + 4 * 0.16)


def test_truth_hangs_together(truth):
    focus, tilted = truth["focus"], truth["tilted"]
    for entry in truth.values():
        scale = np.degrees(1 / entry["detector_distance_mm"]) * 3600
        mm, arcsec = entry["hpd_measured_mm"], entry["hpd_measured_arcsec"]
        assert arcsec["value"] == pytest.approx(mm["value"] * scale)
        assert mm["value"] < entry["w90_measured_mm"]["value"]
        near, far = (
            entry[f"effective_area_{w}_cm2"]["value"] for w in ("measured", "infinity")
        )
        assert near < far
        within = entry["effective_area_within_reference_measured_cm2"]["value"]
        beyond = entry["flux_beyond_reference"]["value"]
        assert near / within - 1 == pytest.approx(beyond, abs=1e-4)
        assert entry["infinity_detector_distance_mm"] == 5200
        # Least blur is behind f by about an eighth of 90 mm.
        best = entry["infinity_best_focus_mm"]
        error = entry["infinity_best_focus_mm_standard_error"]
        # A mean offset of 48 reflectors of a quadrant, 3"/√48 each stage, moves it by some
        # 2 m f²/r: 1 mm; two of these.
        assert best - 5200 == pytest.approx(11.25, abs=2 + 4 * error)
        assert 0.4 < entry["primary_exercised_fraction"] < 0.5
        least = entry["hpd_infinity_best_focus_arcsec"]
        assert least["value"] < entry["hpd_infinity_arcsec"]["value"]
    # Each nesting's area at the beamline stays flat until the angle exceeds r/L, 2.8 to
    # 3.6 arcmin here; a star's falls from the start: at 5 arcmin by 2θ/πα, 24 % at 80 mm.
    ratio = {
        w: tilted[f"effective_area_{w}_cm2"]["value"]
        / focus[f"effective_area_{w}_cm2"]["value"]
        for w in ("measured", "infinity")
    }
    assert ratio["infinity"] < 0.8
    assert ratio["infinity"] + 0.05 < ratio["measured"] < 1
