"""A procedure is an archive too: its notebooks are run again and compared cell by cell."""

import json
import shutil

import pytest

from beamreduce.rerun import RerunOptions, rerun_archive
from tests.rerun.test_procedure import notebook, run

SUM = (
    "from pathlib import Path\n"
    "from beamreduce.frame import read_frame\n"
    "frame = read_frame(Path('frames/ti-1.fits'), root=Path(campaign_folder))\n"
    "print('total', int(frame.pixels.sum()))"
)
DRAWN = (
    "%matplotlib inline\n"
    "from beamreduce.figures import new_figure, report_style\n"
    "with report_style():\n"
    "    figure = new_figure()\n"
    "    figure.subplots().plot([0, 1], [0, 1])\n"
    "figure"
)

pytestmark = pytest.mark.notebook


@pytest.fixture
def procedure(place, campaign, tmp_path):
    folder = notebook(tmp_path / "nb", "00_first", SUM, DRAWN)
    notebook(folder, "01_second", "print(measurement)")
    run(campaign, place / "done", folder)
    return place / "done"


def again(procedure, tmp_path, **options):
    return rerun_archive(
        procedure, options=RerunOptions(output=tmp_path / "again", **options)
    )


def test_it_comes_back_though_its_frames_have_moved(here, procedure, campaign, tmp_path):
    moved = shutil.move(campaign, tmp_path / "deep" / "er" / "c")
    done = again(procedure, tmp_path, inputs=moved)
    assert done.command == "procedure"
    assert done.comes_back, [one for one in done.findings if not one.comes_back]
    items = {one.item for one in done.findings if one.file == "notebooks/00_first.ipynb"}
    # Compared were the printed total and the picture, each for itself.
    assert {"cell 3/output 1", "cell 4/output 1"} <= items


def test_a_changed_frame_is_seen_in_the_cell_that_uses_it(
    here, procedure, campaign, tmp_path
):
    from astropy.io import fits  # noqa: PLC0415

    path = campaign / "frames" / "ti-1.fits"
    with fits.open(path, mode="update", checksum=True) as file:
        file[0].data = file[0].data + 300
        file[0].add_checksum()
    done = again(procedure, tmp_path)
    assert not done.comes_back
    assert "frames/ti-1.fits" in {
        s.source.path for s in done.inputs if s.state != "unchanged"
    }
    wrong = {(f.file, f.item) for f in done.findings if f.state == "differs"}
    assert ("notebooks/00_first.ipynb", "cell 3/output 1") in wrong
    assert not any(file == "notebooks/01_second.ipynb" for file, _ in wrong)


def test_an_edited_output_is_found_twice(here, procedure, tmp_path):
    path = procedure / "notebooks" / "01_second.ipynb"
    content = json.loads(path.read_text())
    content["cells"][2]["outputs"][0]["text"] = ["something else\n"]
    path.write_text(json.dumps(content))
    done = again(procedure, tmp_path)
    assert any("01_second.ipynb: changed" in words for words in done.damage)
    assert [f.item for f in done.findings if f.state == "differs" and "01" in f.file] == [
        "cell 3/output 1"
    ]


def test_a_missing_notebook_is_named(here, procedure, tmp_path):
    (procedure / "notebooks" / "01_second.ipynb").unlink()
    done = again(procedure, tmp_path)
    assert not done.comes_back
    assert any("01_second.ipynb: missing" in words for words in done.damage)
