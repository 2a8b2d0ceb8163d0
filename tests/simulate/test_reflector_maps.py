"""Made reflectors: the same seed, the same bytes; measured, they give their truth back."""

import json
import tomllib
from pathlib import Path

import numpy as np
import pytest

from beamreduce.errors import OutputError, SettingsError
from beamreduce.reduction.reflectors_run import ReflectorOptions, grade_reflectors
from beamreduce.simulate import (
    compare_reflectors_with_truth,
    is_reflector_scenario,
    simulate_reflectors,
)

SCENARIO = Path(__file__).parents[1] / "reflectors" / "few_reflectors.toml"


@pytest.fixture(scope="module")
def agreement(few_maps, tmp_path_factory):
    results = tmp_path_factory.mktemp("few") / "results"
    done = grade_reflectors(few_maps, results, options=ReflectorOptions(figures=False))
    truth = json.loads(few_maps.with_name("maps.truth.json").read_text())
    return done, compare_reflectors_with_truth(done, truth)


def test_the_same_scenario_gives_the_same_bytes(few_maps, tmp_path):
    simulate_reflectors(SCENARIO, tmp_path / "maps")
    files = sorted(p.relative_to(few_maps) for p in few_maps.rglob("*") if p.is_file())
    assert len(files) == 106 + 2
    for file in files:
        assert (tmp_path / "maps" / file).read_bytes() == (few_maps / file).read_bytes()


def test_roughness_comes_out_as_it_was_put_in(agreement):
    """Through shape, spikes and holes, from the files of the folder."""
    _, found = agreement
    # A hundred pulls: their mean is known to 0.1, their rms to 7 %. The shape takes 6 of
    # 2 304 points with it and the longest of the waves, 0.2 of a standard uncertainty.
    assert abs(found.pulls_without_scale.mean() + 0.1) < 0.35
    assert 0.7 < np.sqrt(np.mean(found.pulls_without_scale**2)) < 1.3
    assert np.abs(found.pulls_without_scale).max() < 4.5


def test_the_height_scale_is_off_by_one_draw_of_its_uncertainty(agreement, few_maps):
    """All maps share it: it moves every pull by its share of the uncertainty."""
    done, found = agreement
    declared = tomllib.loads((few_maps / "reflectors.toml").read_text())["instrument"]
    assert 0 < abs(found.height_scale_error) < 4 * declared["height_scale_uncertainty"]
    values = [n.values["Sq"] for n in done.numbers if n.values]
    shares = np.array([q.value / q.uncertainty for q in values])
    apart = found.pulls - found.height_scale_error * shares
    assert apart.mean() == pytest.approx(found.pulls_without_scale.mean(), abs=0.15)
    for pulls in found.scatter_pulls.values():
        # Scatter goes as Sq²: the same share of its uncertainty.
        assert pulls.mean() == pytest.approx(found.pulls.mean(), abs=0.1)


def test_the_bad_mandrel_is_found(agreement):
    _, found = agreement
    assert found.worst_mandrel == found.bad_mandrel == "S02"


def test_guard_band_keeps_what_it_promises(agreement):
    _, found = agreement
    expected = found.flight_wrong_expected[1]
    assert found.flight_wrong <= expected + 3.5 * max(1.0, expected**0.5)
    assert found.agreeing > 0.85 * found.graded
    assert "mean pull" in found.as_text()


def test_other_magnifications_are_noted(agreement):
    done, _ = agreement
    notes = [note for n in done.numbers for note in n.notes if "in waves of" in note]
    assert len(notes) == 6
    assert all(" agree in waves" in note for note in notes)


def test_nothing_is_written_over(few_maps, tmp_path):
    (tmp_path / "a.truth.json").write_text("mine")
    with pytest.raises(OutputError, match="truth"):
        simulate_reflectors(SCENARIO, tmp_path / "a")
    assert not (tmp_path / "a").exists()
    (tmp_path / "b").mkdir()
    (tmp_path / "b/x").write_text("mine")
    with pytest.raises(OutputError, match="found something there"):
        simulate_reflectors(SCENARIO, tmp_path / "b")


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ("seed = 20270401", "seed = -1", "seed must be"),
        ("spikes = 2", "spikes = 2\nspots = 1", "made.spots is not known"),
        ('outer_radius = "146 mm"', 'outer_radius = "1 mm"', "outer_radius|inner_radius"),
        ("reflectors = 100\n", "", "made.reflectors is missing"),
    ],
)
def test_scenarios_that_cannot_be_used(tmp_path, old, new, words):
    text = SCENARIO.read_text()
    assert old in text
    (tmp_path / "s.toml").write_text(text.replace(old, new))
    assert is_reflector_scenario(tmp_path / "s.toml")
    with pytest.raises((SettingsError, ValueError), match=words):
        simulate_reflectors(tmp_path / "s.toml", tmp_path / "out")
    assert not (tmp_path / "out").exists()
