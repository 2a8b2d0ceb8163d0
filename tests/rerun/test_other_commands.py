"""Folders of other commands are done again by the same means."""

import shutil

from beamreduce.reduction.comparison_run import CompareOptions, compare_folders
from beamreduce.rerun import RerunOptions, rerun_archive


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
