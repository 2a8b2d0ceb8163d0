"""From rings to the finished record: what is folded, kept, done again, and what is null."""

import json
import re
import shutil
from pathlib import Path

import numpy as np
import pytest
from astropy.table import Table

from beamreduce.reduction import RunOptions, campaign_run, reduce_campaign
from beamreduce.reduction.infinity_results import NO_ANSWER
from beamreduce.simulate import simulate_campaign
from tests.folders import PLATE, changed, default_rows, row, write_campaign
from tests.reduction.runs import QUICK, command, contents, numbers, reduced
from tests.reduction.schema import check_results

SCENARIO = Path(__file__).with_name("few_nestings.toml")
IDS = ("far", "near")
DOCUMENT = (Path(__file__).parents[2] / "docs" / "results.md").read_text(encoding="utf-8")


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    """A campaign of one configuration at two distances; nobody writes into it."""
    folder = tmp_path_factory.mktemp("few") / "c"
    simulate_campaign(SCENARIO, folder)
    return folder


@pytest.fixture(scope="module")
def whole(made):
    """Its results."""
    return reduced(made, made.parent / "out").folder


@pytest.fixture
def own(made, tmp_path):
    """A copy of the campaign that a test may change."""
    return shutil.copytree(made, tmp_path / "c")


@pytest.fixture
def done(whole, tmp_path):
    """A copy of the results, beside the copy of the campaign."""
    return shutil.copytree(whole, tmp_path / "out")


@pytest.fixture
def no_measuring(monkeypatch):
    def never(*_):
        raise AssertionError("what is measured has not changed")

    monkeypatch.setattr(campaign_run, "measure", never)


def set_key(folder, key, value):
    """Change the value of a key of campaign.toml."""
    path = folder / "campaign.toml"
    text, count = re.subn(rf'(?m)^{key} = ".*"$', f'{key} = "{value}"', path.read_text())
    assert count == 1
    path.write_text(text)


def words(text):
    return set(re.findall(r"[A-Za-z0-9_]+", text))


def test_results_obey_the_contract_and_are_not_null(whole):
    found = check_results(whole)
    assert tuple(found) == IDS
    for m in found.values():
        assert not {key for key in NO_ANSWER if m[key] is None}
        assert m["infinity_detector_distance_mm"] == 5200.0
        assert m["fit"]["folded"] == list(IDS)
        assert (
            m["hpd_infinity_best_focus_arcsec"]["value"] < m["hpd_infinity_arcsec"]["value"]
        )
        assert m["key"] != m["measured_key"]


def test_a_made_mirror_comes_back_as_it_was_made(whole, made):
    """All of one configuration share one fold, so this is one draw of a normal number."""
    truth_file = made.with_name("c.truth.json")
    truth = {m["id"]: m for m in json.loads(truth_file.read_text())["measurements"]}
    for name, m in numbers(whole).items():
        assert m["fit"]["accepted"]
        for key in ("hpd_infinity_arcsec", "w90_infinity_arcsec"):
            off = m[key]["value"] - truth[name][key]["value"]
            sigma = np.hypot(m[key]["uncertainty"], truth[name][key]["statistical"])
            assert abs(off) < 3 * sigma, (name, key, off / sigma)


@pytest.mark.parametrize(
    "key",
    ["hpd_infinity_arcsec", "w90_infinity_arcsec", "hpd_infinity_best_focus_arcsec"],
)
def test_the_budget_at_infinity_adds_up_to_what_is_quoted(whole, key):
    for m in numbers(whole).values():
        terms = [row for row in m["uncertainty_budget"] if key in row]
        assert {"source distance", "photon counting"} <= {row["term"] for row in terms}
        for kind in ("statistical", "systematic", "model"):
            parts = [row[key] for row in terms if row["kind"] == kind]
            assert np.hypot.reduce([0.0, *parts]) == pytest.approx(m[key][kind], rel=1e-9)


def test_the_curve_of_a_star_stands_beside_the_measured_one(whole):
    for name, m in numbers(whole).items():
        curve = Table.read(whole / f"eef_{name}.ecsv", format="ascii.ecsv")
        star, error = (np.asarray(curve[c]) for c in curve.colnames[4:6])
        assert np.all(np.diff(star) > -1e-12)
        assert star[-1] == pytest.approx(1.0, abs=1e-9)
        assert error[-1] == pytest.approx(0.0, abs=1e-9)
        half = np.interp(0.5, star, curve["radius_angle"])
        # Between rings of a fiftieth of the half-power radius the curve is nearly straight.
        assert 2 * half == pytest.approx(m["hpd_infinity_arcsec"]["value"], rel=2e-3)


def test_the_table_has_the_same_numbers(whole):
    table = Table.read(whole / "results.ecsv", format="ascii.ecsv")
    for line, m in zip(table, numbers(whole).values(), strict=True):
        hpd = m["hpd_infinity_arcsec"]
        assert line["hpd_infinity_arcsec"] == hpd["value"]
        assert line["hpd_infinity_arcsec_uncertainty"] == hpd["uncertainty"]
        assert line["infinity_best_focus_mm"] == m["infinity_best_focus_mm"]


def test_one_configuration_on_the_axis_has_one_focus(whole):
    (focus,) = json.loads((whole / "results.json").read_text())["focus"]
    assert focus["measurements"] == list(IDS)
    assert focus["detector_distances_mm"] == [5544.0, 5624.0]
    assert focus["best_focus_mm"]["uncertainty"] > 0
    # Image and focus of a lens: a shift of the star's moves that of the beamline with it.
    f, source = focus["star_best_focus_mm"]["value"], 86_000.0
    assert focus["best_focus_mm"]["value"] == pytest.approx(
        f * source / (source - f), abs=10
    )
    for key, value in focus.items():
        assert value is not None or key in focus["notes"], f"{key} is null without a note"


def test_the_document_names_every_key_of_fit_focus_and_budgets(whole):
    stored = json.loads((whole / "results.json").read_text())
    m = stored["measurements"][0]
    keys = set(m["fit"]) | set(stored["focus"][0])
    keys |= {key for row in m["uncertainty_budget"] + m["blur_budget"] for key in row}
    keys |= {path.name.split("_")[0] for path in whole.iterdir() if "_" in path.name}
    assert keys - {"term"} <= words(DOCUMENT)


def test_two_processes_go_on_where_one_was_stopped_before_the_fold(own, whole, tmp_path):
    """Neither the number of processes nor the break changes a byte."""

    def stop(what, done, total):
        if what == "measurements" and done == total:
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        reduce_campaign(
            own, tmp_path / "out", options=RunOptions(figures=False), progress=stop
        )
    partial = tmp_path / "out.partial"
    kept = {n: (partial / f"measured_{n}.json").stat().st_mtime_ns for n in IDS}
    assert not list(partial.glob("folded_*"))
    run = reduced(own, tmp_path / "out", jobs=2)
    assert run.reused == ()
    for name, time in kept.items():
        assert (run.folder / f"measured_{name}.json").stat().st_mtime_ns == time
    found, wanted = contents(run.folder), contents(whole)
    for content in (found, wanted):
        del content["settings.toml"]  # it names the campaign as seen from there
    assert found == wanted


@pytest.mark.usefixtures("no_measuring")
def test_an_update_folds_again_what_need_not_be_measured_again(own, done):
    """A larger source blurs the measured image: less of it is the mirror's.

    W90, which the source hardly changes, goes up or down as the mixtures do. The figures of
    the earlier fold show other numbers and may not stay.
    """
    (done / "infinity_near.png").write_text("old")
    (done / "residuals_full.svg").write_text("old")
    set_key(own, "source_diameter", "6 mm")
    run = reduced(own, done, update=True)
    assert run.reused == ()
    old, new = numbers(run.before), numbers(run.folder)
    for name in IDS:
        assert old[name]["measured_key"] == new[name]["measured_key"]
        assert old[name]["key"] != new[name]["key"]
        assert old[name]["hpd_measured_mm"] == new[name]["hpd_measured_mm"]
        hpd = [m[name]["hpd_infinity_arcsec"]["value"] for m in (new, old)]
        assert hpd[0] < hpd[1]
    assert set(contents(run.folder)) == set(contents(run.before)) - {
        "infinity_near.png", "residuals_full.svg"
    }  # fmt: skip


@pytest.mark.usefixtures("no_measuring")
def test_a_source_too_near_for_any_light_leaves_values_null(own, done, tmp_path):
    """At 4 f the rays graze the secondaries (derived): nearer, none gets through.

    Nothing of the earlier fold may stay: all is as if there had been none.
    """
    set_key(own, "source_distance", "18 m")
    set_key(own, "source_distance_uncertainty", "5 mm")
    run = reduced(own, done, update=True)
    found = check_results(run.folder)
    for name, m in found.items():
        for key in (*NO_ANSWER, "primary_exercised_fraction"):
            assert null_with(m, key, "no ray .* gets through")
        assert m["hpd_measured_arcsec"] is not None
        curve = Table.read(run.folder / f"eef_{name}.ecsv", format="ascii.ecsv")
        assert np.all(curve["eef_infinity"].mask)
    assert json.loads((run.folder / "results.json").read_text())["focus"] == []


def test_one_distance_is_told_and_has_the_larger_uncertainty(own, whole, tmp_path):
    table = Table.read(own / "exposures.ecsv", format="ascii.ecsv")
    table = table[[not name.startswith("far") for name in table["exposure"]]]
    table.write(own / "exposures.ecsv", format="ascii.ecsv", overwrite=True)
    run = reduced(own, tmp_path / "one")
    alone, together = numbers(run.folder)["near"], numbers(whole)["near"]
    assert "one detector distance" in alone["notes"]["hpd_infinity_arcsec"]
    assert "hpd_infinity_arcsec" not in together["notes"]
    assert alone["hpd_infinity_arcsec"]["model"] > together["hpd_infinity_arcsec"]["model"]
    (focus,) = json.loads((run.folder / "results.json").read_text())["focus"]
    assert "one detector distance" in focus["notes"]["best_focus_mm"]
    assert alone["measured_key"] == together["measured_key"]
    assert alone["key"] != together["key"]


def null_with(m, key, reason):
    """True when a key is null, and its note says why."""
    return m[key] is None and re.search(reason, m["notes"][key]) is not None


def test_an_unknown_aperture_leaves_values_null(tmp_path):
    folder = write_campaign(tmp_path / "c", setup=QUICK)
    assert command("reduce", folder, "-o", tmp_path / "out").exit_code == 0
    m = check_results(tmp_path / "out")["ti"]
    assert m["aperture"] == PLATE
    reason = f"^not seen from infinity: the open azimuths of aperture '{PLATE}' .*name it"
    assert all(null_with(m, key, reason) for key in NO_ANSWER)
    assert 0 < m["primary_exercised_fraction"] < 1


def test_an_energy_beyond_the_optical_constants_leaves_values_null(tmp_path):
    """Reduction goes on and ends well: what was measured is as good as ever."""
    rows = [*default_rows()[2:], row("hard", "beam", 1.0, energy=40.0, aperture="full")]
    rows = changed(rows, "open-1", energy=40.0)
    folder = write_campaign(tmp_path / "c", setup=QUICK, rows=rows)
    assert command("reduce", folder, "-o", tmp_path / "out").exit_code == 0
    m = check_results(tmp_path / "out")["hard"]
    assert all(null_with(m, key, "^not seen from infinity: .*40") for key in NO_ANSWER)
    assert m["hpd_measured_arcsec"] is not None


def test_a_saturated_core_leaves_values_null(tmp_path):
    """What would be folded with it has reasons of its own."""
    rows = [*default_rows(), row("long", "beam", 200.0)]
    folder = write_campaign(tmp_path / "c", setup=QUICK, rows=rows)
    run = reduced(folder, tmp_path / "out")
    found = check_results(run.folder)
    assert found["long"]["saturated_fraction"] > 0
    for name, reason in (("long", "^the core is saturated$"), ("ti", "open azimuths")):
        assert all(null_with(found[name], key, reason) for key in NO_ANSWER)
    assert [path.name for path in run.folder.glob("rings_*")] == ["rings_ti.fits"]
