"""Folders of other commands are done again by the same means."""

import shutil

from beamreduce.reduction.comparison_run import CompareOptions, compare_folders
from beamreduce.reduction.quadrants_run import QuadrantOptions, run_quadrants
from beamreduce.reduction.reflectors_run import ReflectorOptions, grade_reflectors
from beamreduce.reduction.responses_run import ResponseOptions, write_responses
from beamreduce.rerun import RerunOptions, rerun_archive
from tests.response.made_areas import write_areas


def test_a_comparison_comes_back_and_its_inputs_may_have_moved(here, place, tmp_path):
    before = place / "out ü"
    after = shutil.copytree(before, place / "after")
    folder = place / "compared"
    compare_folders(before, after, folder, options=CompareOptions(figures=False))
    done = rerun_archive(folder, options=RerunOptions(output=tmp_path / "again"))
    assert done.command == "compare"
    assert done.comes_back, done.verdict
    moved = tmp_path / "moved"
    moved.mkdir()
    for one in (before, after):
        shutil.move(one, moved / one.name)
    (moved / "after" / "results.json").write_text("{}")
    done = rerun_archive(
        folder, options=RerunOptions(inputs=moved, output=tmp_path / "third")
    )
    changed = {s.path for s in done.inputs if s.state != "unchanged"}
    assert changed == {moved.resolve() / "after" / "results.json"}
    assert not done.comes_back


def test_reflectors_come_back_and_a_changed_map_is_named(here, few_maps, tmp_path):
    maps = shutil.copytree(few_maps, tmp_path / "maps")
    folder = tmp_path / "graded"
    grade_reflectors(maps, folder, options=ReflectorOptions(figures=False))
    done = rerun_archive(folder)
    assert done.command == "reflectors"
    assert done.comes_back, [one for one in done.findings if not one.comes_back]
    assert {"reflectors.ecsv", "filling_plan.ecsv"} <= {one.file for one in done.findings}
    first = min((maps / "maps").iterdir())
    shutil.copyfile(max((maps / "maps").iterdir()), first)
    done = rerun_archive(folder, options=RerunOptions(output=tmp_path / "second"))
    changed = {s.source.path for s in done.inputs if s.state != "unchanged"}
    assert changed == {f"maps/{first.name}"}
    assert not done.comes_back


def test_quadrants_come_back(here, few_quadrants, tmp_path):
    folder = tmp_path / "aligned"
    run_quadrants(few_quadrants, folder, options=QuadrantOptions(figures=False))
    done = rerun_archive(folder)
    assert done.command == "quadrants"
    assert done.comes_back, [one for one in done.findings if not one.comes_back]
    assert "quadrants.json" in {one.file for one in done.findings}


def test_responses_come_back_and_their_inputs_alone_are_known(here, tmp_path):
    results = write_areas(tmp_path / "results")
    folder = tmp_path / "responses"
    write_responses(results, folder, options=ResponseOptions(figures=False))
    done = rerun_archive(folder)
    assert done.command == "responses"
    assert done.comes_back, [one for one in done.findings if not one.comes_back]
    assert any(one.file.endswith(".arf") for one in done.findings)
    # What the results folder holds besides is no unknown input: its own seal knows it.
    assert done.unknown == ()
