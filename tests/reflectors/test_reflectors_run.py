"""The command as a whole: what it writes, what it redoes, what it refuses."""

import astropy.units as u
import numpy as np
import pytest

from beamreduce.errors import OutputError, ReflectorError
from beamreduce.reduction.reflectors_run import (
    ReflectorOptions,
    grade_reflectors,
    grade_table,
)
from beamreduce.reflectors import measure_map
from tests.reflectors.folders import (
    ROUGHNESS_NM,
    SETTINGS,
    make_folder,
    results,
    rows_of,
    table,
    write_map,
)

PLAIN = ReflectorOptions(figures=False)
NO_LIMITS = SETTINGS[: SETTINGS.index("[[limits]]")]


@pytest.fixture(scope="module")
def done(tmp_path_factory):
    place = tmp_path_factory.mktemp("run")
    folder = make_folder(place / "in")
    return grade_reflectors(folder, place / "out")


def bytes_of(folder):
    return {
        path.name: path.read_bytes()
        for path in folder.iterdir()
        if path.name != "run_log.json"
    }


def test_every_file_of_an_archived_run_is_there(done):
    names = {path.name for path in done.folder.iterdir()}
    assert {
        "reflectors.ecsv",
        "filling_plan.ecsv",
        "spares.ecsv",
        "to_form.ecsv",
        "yields.ecsv",
        "control_chart.ecsv",
        "flat_blanks.ecsv",
        "reflectors.json",
        "map_numbers.json",
        "provenance.json",
        "settings.toml",
        "run_log.json",
        "report.html",
        "bar_tolerances.ecsv",
        "filling_plan.png",
        "filling_plan.svg",
        "spectra.png",
    } <= names
    assert not any(name.startswith(".") for name in names)


def test_grades_and_numbers(done):
    found = table(done.folder, "reflectors")
    assert found["Sq"].unit == u.nm
    for row in found:
        true = ROUGHNESS_NM["abcd".index(row["reflector"][-1])]
        assert row["Sq"] == pytest.approx(true, abs=5 * row["Sq_uncertainty"])
        grade = "flight" if true < 0.5 else "reserve" if true < 0.75 else "reject"
        assert row["grade"] == grade, row["reason"]
        assert "Sq" in row["reason"]
        assert (row["margin"] < 0) == (grade == "reject")
        angle = np.arctan(70 / 5200) / 4
        assert row["scatter_4.51keV"] == pytest.approx(
            1 - np.exp(-((4 * np.pi * row["Sq"] * np.sin(angle) * 4.51 / 1.23984198) ** 2)),
            rel=0.1,  # nestings of larger radius
        )


def test_plan_fills_with_the_best_and_lists_what_is_empty(done):
    plan = table(done.folder, "filling_plan")
    assert len(plan) == 3 * 2 * 2
    names = np.ma.filled(plan["reflector"], "")
    empty = plan[names == ""]
    assert set(empty["nesting"]) == {3}
    assert len(empty) == 4
    assert {name[-1] for name in names if name} == {"a", "b"}
    orders = table(done.folder, "to_form")
    assert list(orders["needed"]) == [2, 2]
    assert all(order["probability"] >= 0.95 for order in orders)
    assert done.plan.plan.spares[0].grade == "reserve"


def test_the_same_input_gives_the_same_bytes_in_any_number_of_processes(done, tmp_path):
    folder = make_folder(tmp_path / "in")
    other = grade_reflectors(folder, tmp_path / "out", options=ReflectorOptions(jobs=2))
    first, second = bytes_of(done.folder), bytes_of(other.folder)
    assert first.keys() == second.keys()
    assert [name for name in first if first[name] != second[name]] == []


def test_update_measures_again_only_what_changed(tmp_path, monkeypatch):
    folder = make_folder(tmp_path / "in")
    first = grade_reflectors(folder, tmp_path / "out", options=PLAIN)
    assert first.reused == 0
    again = ReflectorOptions(figures=False, update=True)
    same = grade_reflectors(folder, tmp_path / "out", options=again)
    assert (same.reused, same.before) == (16, None)
    write_map(folder / "maps/P1a.fits", np.random.default_rng(1).normal(0, 3, (48, 48)))
    third = grade_reflectors(folder, tmp_path / "out", options=again)
    assert third.reused == 15
    assert third.before.name == "out.before-1"
    (changed,) = [n for n in third.numbers if n.reflector.reflector == "P1a"]
    assert changed.grade.grade == "reject"


def test_finished_maps_outlive_an_interruption(tmp_path, monkeypatch):
    folder = make_folder(tmp_path / "in")
    seen = []

    def stop(row, treatment, instrument):
        if len(seen) == 5:
            raise KeyboardInterrupt
        seen.append(row.map)
        return measure_map(row, treatment, instrument)

    monkeypatch.setattr("beamreduce.reduction.reflectors_run.measure_map", stop)
    with pytest.raises(KeyboardInterrupt):
        grade_reflectors(folder, tmp_path / "out", options=PLAIN)
    assert not (tmp_path / "out").exists()
    monkeypatch.undo()
    done = grade_reflectors(folder, tmp_path / "out", options=PLAIN)
    assert done.reused == 5


def test_results_are_not_written_over_or_into_the_input(tmp_path):
    folder = make_folder(tmp_path / "in")
    (tmp_path / "out").mkdir()
    (tmp_path / "out/mine.txt").write_text("mine")
    with pytest.raises(OutputError, match="found files in it"):
        grade_reflectors(folder, tmp_path / "out", options=PLAIN)
    with pytest.raises(OutputError, match="never written"):
        grade_reflectors(folder, folder / "out", options=PLAIN)


def test_a_map_that_cannot_be_used_is_named_and_holds_up_nothing(tmp_path):
    rows = list(rows_of())
    rows[0] = rows[0][0], np.full((48, 48), np.nan)
    rows[1] = rows[1][0], np.zeros((1, 1))
    holes = np.where(np.random.default_rng(2).random((48, 48)) < 0.1, np.nan, rows[2][1])
    rows[2] = rows[2][0], holes
    rows[3] = rows[3][0], np.where(np.arange(48) < 30, np.nan, rows[3][1])
    folder = make_folder(tmp_path / "in", rows=rows)
    done = grade_reflectors(folder, tmp_path / "out", options=PLAIN)
    assert [name for name, _ in done.unusable] == ["P1a", "P1b", "P1d"]
    grades = {n.reflector.reflector: n.grade for n in done.numbers}
    assert grades["P1a"].grade == grades["P1b"].grade == "not graded"
    assert "no heights" in done.unusable[0][1]
    assert "1 × 1" in done.unusable[1][1]
    assert "62% of the points" in done.unusable[2][1]
    assert grades["P1c"].grade == "reserve"
    found = table(done.folder, "reflectors")
    assert bool(found["Sq"].mask[0])
    assert set(results(done.folder)["unusable_maps"]) == {"P1a", "P1b", "P1d"}
    assert "not graded" in grade_table(done)


def test_two_maps_of_one_reflector_that_disagree(tmp_path):
    rng = np.random.default_rng(3)
    rows = list(rows_of())
    rows.append(({**rows[0][0], "map": "again", "file": "maps/again.fits"},
                 rng.normal(0, 0.6, (48, 48))))  # fmt: skip
    done = grade_reflectors(
        make_folder(tmp_path / "in", rows=rows), tmp_path / "out", options=PLAIN
    )
    (odd,) = [n for n in done.numbers if not n.agree]
    assert odd.reflector.reflector == "P1a"
    assert "maps disagree" in odd.grade.reason
    assert any("measure again" in note for note in odd.notes)
    # The mean of 0.4 and 0.6 with their scatter: no flight grade on such a basis.
    assert odd.values["Sq"].uncertainty > 0.08
    assert odd.grade.grade != "flight"
    assert results(done.folder)["disagreeing"] == ["P1a"]


def test_two_magnifications_are_compared_in_their_common_band(tmp_path):
    """The same surface twice, the second time with every other point of a smooth one."""
    rng = np.random.default_rng(4)
    n = 192
    white = np.fft.fft2(rng.standard_normal((n, n)))
    f = np.hypot(np.fft.fftfreq(n), np.fft.fftfreq(n)[:, np.newaxis])
    white[(f > 0.2) | (f < 0.01)] = 0
    surface = np.fft.ifft2(white).real
    surface *= 0.4 / surface.std()
    row = next(iter(rows_of()))[0]
    rows = [
        (row, surface[:96, :96]),
        ({**row, "map": "wide", "file": "maps/wide.fits", "pixel_size": 2.0},
         surface[::2, ::2]),
    ]  # fmt: skip
    done = grade_reflectors(
        make_folder(tmp_path / "in", rows=rows), tmp_path / "out", options=PLAIN
    )
    (only,) = done.numbers
    assert only.maps_used == 1
    assert any("wide agree in waves" in note for note in only.notes)


def test_without_a_mirror_or_limits_what_can_be_said_is_said(tmp_path):
    settings = 'format = "beamreduce-reflectors/1"\nenergies = ["4.51 keV"]\n'
    done = grade_reflectors(
        make_folder(tmp_path / "in", settings=settings), tmp_path / "out", options=PLAIN
    )
    found = table(done.folder, "reflectors")
    assert np.all(found["Sq"] > 0)
    assert np.all(found["scatter_4.51keV"].mask)
    assert set(found["grade"]) == {"not graded"}
    assert all("no grazing angle" in note for note in found["notes"])
    assert any("no limits" in note for note in done.plan.notes)
    assert len(done.plan.plan.empty) == 16


def test_only_the_format_line_is_needed(tmp_path):
    settings = 'format = "beamreduce-reflectors/1"\n'
    folder = make_folder(tmp_path / "in", settings=settings)
    done = grade_reflectors(folder, tmp_path / "out", options=PLAIN)
    assert len(done.numbers) == 16


def photons(numbers, slots):
    """HPD of Q1 by photons: each through one pair, lost to the halo of either stage."""
    rng = np.random.default_rng(32)
    n = 300_000
    radii = np.abs(rng.normal(0, 60 / 1.3489795, n))
    nesting = rng.integers(1, 3, n)  # the two show areas alike to 2 %
    for slot, name in slots.items():
        if slot.quadrant != "Q1":
            continue
        one = numbers[name]
        share = one.values["scatter_4.51keV"].value
        hit = (nesting == slot.nesting) & (rng.random(n) < share)
        angles = one.halo.angles_arcsec(4.51 * u.keV, one.grazing_rad * u.rad)
        drawn = np.interp(rng.random(n), np.r_[0, one.halo.shares], np.r_[0, angles])
        radii = np.where(hit, drawn, radii)
    return 2 * np.median(radii)


def test_forecast_of_area_is_the_mean_of_what_is_placed(done):
    """By hand for one quadrant: weights cancel where all pairs are alike in the product."""
    forecast = results(done.folder)["forecast"]
    numbers = {n.reflector.reflector: n for n in done.numbers}
    slots = {e.slot: e.reflector for e in done.plan.plan.filled if e.reflector}
    kept = []
    for nesting in (1, 2):
        pair = [
            numbers[name].values["scatter_4.51keV"].value
            for slot, name in slots.items()
            if slot.quadrant == "Q1" and slot.nesting == nesting
        ]
        kept.append((1 - pair[0]) * (1 - pair[1]))
    (own,) = [f for f in forecast if f["quadrant"] == "Q1"]
    assert min(kept) <= own["area_factor"] <= max(kept)
    assert own["hpd_arcsec"] == pytest.approx(photons(numbers, slots), rel=0.01)
    assert own["hpd_arcsec"] > own["core_hpd_arcsec"] == pytest.approx(60, rel=1e-4)
    assert 0.6 < own["filled_share"] < 0.7  # two of three nestings


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ('flight = "0.55 nm"', 'flight = "0.9 nm"', "flight 0.9 above reserve 0.8"),
        ('quantity = "Sq"', 'quantity = "Sq"\nnestings = [1, 1]',
         "none for primary nestings 2"),
        ('quantity = "Sq"', 'quantity = "Sx"', r"limits\[1\]\.quantity: found 'Sx'"),
        ('flight = "0.55 nm"', "flight = 0.55", r"limits\[1\]\.flight: found 0.55"),
        ("[[limits]]", '[[limits]]\nquantity = "Sq"\nflight = "1 nm"\n\n[[limits]]',
         "a second limit on Sq"),
        ('energies = ["4.51 keV"]', 'energies = ["4.51"]', "energies: found"),
        ('outer_radius = "71.2 mm"', 'outer_radius = "70.1 mm"', "nesting: found 2"),
        ('format = "beamreduce-reflectors/1"', 'format = "x/1"', "format: found 'x/1'"),
        ("[filling]", '[maps]\nshape = "sphere"\n[filling]', "maps.shape: found 'sphere'"),
        ("[filling]", '[maps]\nlongest_wave = "9 um"\n[filling]', "one end of a band"),
        ("[filling]", '[filling]\nminimise = "hpd"', None),
    ],
)  # fmt: skip
def test_settings_that_cannot_be_used(tmp_path, old, new, words):
    assert old in SETTINGS
    folder = make_folder(tmp_path / "in", settings=SETTINGS.replace(old, new))
    if words is None:
        grade_reflectors(folder, tmp_path / "out", options=PLAIN)
        return
    with pytest.raises(ReflectorError, match=words):
        grade_reflectors(folder, tmp_path / "out", options=PLAIN)
    assert not (tmp_path / "out").exists()
    assert not (tmp_path / "out.partial").exists()


def test_bars_have_a_table_and_with_a_target_a_budget(tmp_path):
    settings = SETTINGS.replace(
        "[filling]", '[bars]\nhpd_target = "75 arcsec"\n\n[filling]'
    )
    folder = make_folder(tmp_path / "in", settings=settings)
    done = grade_reflectors(folder, tmp_path / "out", options=PLAIN)
    found = table(done.folder, "bar_tolerances")
    assert len(found) == 3 * 4
    assert found["shift"].unit == u.arcsec / u.um
    # A turned end turns light by twice the angle: 2 µm/90 mm.
    assert found["shift"][0] == pytest.approx(4.584, rel=0.02)
    budget = results(done.folder)["bar_budget"]
    assert 3 < budget["radial_um"] < 6
    wrong = settings.replace("75 arcsec", "60 arcsec")
    folder = make_folder(tmp_path / "wrong", settings=wrong)
    with pytest.raises(ReflectorError, match=r"bars\.hpd_target: found 60"):
        grade_reflectors(folder, tmp_path / "out2", options=PLAIN)


@pytest.mark.parametrize(
    ("old", "new"), [('"4.51 keV"', '"500 keV"'), ('coating = "Au"', 'coating = "Xx"')]
)
def test_energies_and_coatings_are_checked_before_anything_is_measured(tmp_path, old, new):
    folder = make_folder(tmp_path / "in", settings=SETTINGS.replace(old, new))
    words = r"reflectors\.toml: energies, mirror\.coating: found"
    with pytest.raises(ReflectorError, match=words):
        grade_reflectors(folder, tmp_path / "out", options=PLAIN)
    assert not (tmp_path / "out.partial").exists()


def test_blanks_wider_than_the_sheet_are_said(tmp_path):
    narrow = SETTINGS.replace("[filling]", '[blanks]\nsheet_width = "9 mm"\n\n[filling]')
    folder = make_folder(tmp_path / "in", settings=narrow)
    done = grade_reflectors(folder, tmp_path / "out", options=PLAIN)
    assert any("do not fit a sheet of 9 mm" in n for n in results(done.folder)["notes"])
    assert np.all(table(done.folder, "flat_blanks")["rows"].mask)


def changed(index, **cells):
    rows = list(rows_of())
    row, heights = rows[index]
    rows[index] = {**row, **cells}, heights if "file" not in cells else None
    return rows


@pytest.mark.parametrize(
    ("rows", "words"),
    [
        (changed(2, nesting=0), r"row 3 \(map P1c\), column nesting: found 0"),
        (changed(2, stage="third"), r"column stage: found 'third'"),
        (changed(2, map="P1a"), "a name that row 1 has too"),
        (changed(2, map="a b"), "'a b'"),
        (changed(2, file="../x.fits"), "leaves the folder of maps"),
        (changed(2, file="maps/none.fits"), "no such file"),
        (changed(2, reflector="P1a", mandrel="M9"),
         "column mandrel: found 'M9' for reflector P1a"),
        (changed(2, pixel_size=-1.0), "column pixel_size: found -1"),
    ],
)  # fmt: skip
def test_rows_that_cannot_be_used(tmp_path, rows, words):
    folder = make_folder(tmp_path / "in", rows=rows)
    with pytest.raises(ReflectorError, match=words):
        grade_reflectors(folder, tmp_path / "out", options=PLAIN)


@pytest.mark.parametrize(
    ("unit", "words"),
    [(None, "column pixel_size: found no unit"), (u.s, "found the unit 's'")],
)
def test_a_wrong_unit_of_the_spacing(tmp_path, unit, words):
    folder = make_folder(tmp_path / "in", pixel_unit=unit)
    with pytest.raises(ReflectorError, match=words):
        grade_reflectors(folder, tmp_path / "out", options=PLAIN)


def test_a_missing_nesting_label(tmp_path):
    rows = [({k: v for k, v in row.items() if k != "nesting"}, h) for row, h in rows_of()]
    folder = make_folder(tmp_path / "in", rows=rows)
    with pytest.raises(ReflectorError, match="column nesting: found nothing"):
        grade_reflectors(folder, tmp_path / "out", options=PLAIN)


def test_files_that_are_no_maps_are_all_named(tmp_path):
    folder = make_folder(tmp_path / "in")
    write_map(folder / "maps/P1a.fits", np.zeros((48, 48)), unit="s")
    write_map(folder / "maps/P1b.fits", np.zeros((48, 48)), unit="")
    (folder / "maps/P1c.fits").write_bytes((folder / "maps/P1d.fits").read_bytes()[:4000])
    with pytest.raises(ReflectorError) as caught:
        grade_reflectors(folder, tmp_path / "out", options=PLAIN)
    lines = str(caught.value).splitlines()
    assert len(lines) == 3
    assert "P1a.fits (map P1a): found BUNIT 's'" in lines[0]
    assert "found no BUNIT" in lines[1]
    assert "cannot be read" in lines[2]


def test_a_folder_without_its_lists(tmp_path):
    folder = make_folder(tmp_path / "in")
    (folder / "maps.ecsv").unlink()
    (folder / "reflectors.toml").write_text("format = \n")
    with pytest.raises(ReflectorError) as caught:
        grade_reflectors(folder, tmp_path / "out")
    assert "reflectors.toml: line 1" in str(caught.value)
    assert "maps.ecsv: found no such file" in str(caught.value)


def test_no_folder(tmp_path):
    with pytest.raises(ReflectorError, match="no such folder"):
        grade_reflectors(tmp_path / "nothing", tmp_path / "out")
