"""A made nest before and after: every difference against the truth, no claim wrong."""

import json
import re
from functools import lru_cache
from importlib.resources import files

import numpy as np
import pytest

from beamreduce.before_after import compare_results
from beamreduce.errors import SettingsError
from beamreduce.reduction import RunOptions, reduce_campaign
from beamreduce.simulate import simulate_campaign
from beamreduce.simulate.before_after_demo import (
    AFTER,
    BEFORE,
    agree_with_truth,
    run_before_after_demo,
)

QUICK = RunOptions(figures=False)


def no_fold(*_):
    raise SettingsError("nothing is folded in this test")


def quick_scenario(name, folder):
    """The scenario with a third of the photons and a truth of fewer rays."""
    text = (
        files("beamreduce.simulate").joinpath(f"scenarios/{name}.toml").read_text("utf-8")
    )
    text = re.sub(r'"(\d+)00 s"', lambda m: f'"{int(m[1]) * 100 // 3} s"', text)
    path = folder / f"{name}.toml"
    path.write_text(text.replace("photons = 400_000", "photons = 200_000"), "utf-8")
    return path


@pytest.fixture(scope="module")
def measured(tmp_path_factory):
    """Results as measured, and truths, of the nest before and after."""
    folder = tmp_path_factory.mktemp("nest")
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("beamreduce.reduction.infinity_run.fold_configuration", no_fold)
        for name, (scenario, seed) in {"before": (BEFORE, None), **AFTER}.items():
            simulate_campaign(quick_scenario(scenario, folder), folder / name, seed=seed)
            reduce_campaign(folder / name, folder / f"{name}_results", options=QUICK)
    return folder


@lru_cache
def agreement(folder, name):
    comparison = compare_results(folder / "before_results", folder / f"{name}_results")
    truths = [
        json.loads((folder / f"{n}.truth.json").read_text()) for n in ("before", name)
    ]
    return comparison, agree_with_truth(comparison, *truths)


@pytest.mark.procedure
@pytest.mark.parametrize("name", list(AFTER))
def test_differences_as_measured_agree_with_the_truth(measured, name):
    """Of about thirty pulls, many of the same photons: rms below 1.5, none beyond 4."""
    _, rows = agreement(measured, name)
    pulls = np.array([row.pull for row in rows])
    assert len(rows) >= 20
    assert np.sqrt(np.mean(pulls**2)) < 1.5
    assert np.abs(pulls).max() < 4
    assert all(row.is_right for row in rows)


@pytest.mark.procedure
def test_the_quadrant_that_moved_is_found(measured):
    """By (0.15, −0.06) mm: the image by 1 + D/L of that, ¾ of it against the mean."""
    comparison, _ = agreement(measured, "after_shake")
    found = {(j.finding.id, j.finding.key): j for j in comparison.judged}
    magnified = (1 + 5544 / 86000) / 5544 * 206264.806
    for axis, shift in (("x", 0.15), ("y", -0.06)):
        for k in (1, 2, 3, 4):
            part = 0.75 if k == 3 else -0.25
            one = found[f"quadrant_{k}", f"quadrant_position_{axis}_arcsec"]
            difference = one.finding.difference.quantity
            off = difference.value - part * shift * magnified
            # To first order in the shift; selective loss moves centers by a few per cent.
            assert abs(off) < 3 * difference.uncertainty + 0.05 * abs(shift) * magnified
    assert found["quadrant_3", "quadrant_position_x_arcsec"].verdict == "changed"
    assert comparison.verdict == "changed"


@pytest.mark.procedure
def test_where_nothing_changed_nothing_is_called_changed(measured):
    comparison, _ = agreement(measured, "after_nothing")
    assert [j.sentence for j in comparison.judged if j.verdict == "changed"] == []
    assert sum(j.verdict == "unchanged" for j in comparison.judged) > 10


@pytest.mark.slow
@pytest.mark.procedure
def test_the_demonstration_with_everything_at_infinity(tmp_path, whole_grid):
    if not whole_grid:
        pytest.skip("folds fifteen configurations: with --whole-grid only")
    text = run_before_after_demo(tmp_path)
    assert "WRONG" not in text
    assert "before → after_shake: changed" in text
    for rms in re.findall(r"rms pull ([\d.]+)", text):
        assert float(rms) < 1.5
