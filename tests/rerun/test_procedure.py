"""Notebooks as a procedure: parameters, order, failures by notebook and cell, the book."""

import re
import shutil

import nbformat
import pytest

from beamreduce.errors import ResultsError, SettingsError
from beamreduce.rerun.procedure import ProcedureOptions, run_procedure
from tests.reduction.runs import command

PARAMETERS = 'campaign_folder = "../demo_run/campaign"\nmeasurement = "focus_Ti"'
READS = (
    "from pathlib import Path\n"
    "print(sorted(p.name for p in Path(campaign_folder).iterdir()))"
)


def notebook(folder, name, *cells, parameters=PARAMETERS):
    """Write a notebook: a title, its parameters, then cells of code."""
    folder.mkdir(exist_ok=True)
    first = nbformat.v4.new_code_cell(parameters)
    first.metadata["tags"] = ["parameters"]
    made = nbformat.v4.new_notebook(
        cells=[
            nbformat.v4.new_markdown_cell(f"# {name}"),
            first,
            *(nbformat.v4.new_code_cell(cell) for cell in cells),
        ]
    )
    nbformat.write(made, folder / f"{name}.ipynb")
    return folder


def run(campaign, output, folder, seconds=60, **overrides):
    options = ProcedureOptions(notebooks=folder, overrides=overrides, time_limit_s=seconds)
    return run_procedure(campaign, output, options=options)


@pytest.mark.notebook
def test_notebooks_run_in_order_and_become_a_book(campaign, tmp_path):
    folder = notebook(tmp_path / "nb", "01_second", "print(measurement, 6 * 7)")
    notebook(folder, "00_first", READS)
    notebook(folder, "10_other", "1 / 0", parameters='maps_folder = "x"')
    done = run(campaign, tmp_path / "out put", folder)
    assert done.run == ("00_first.ipynb", "01_second.ipynb")
    kept = nbformat.read(done.folder / "notebooks" / "01_second.ipynb", as_version=4)
    assert kept.cells[2].outputs[0].text == "ti 42\n"
    book = (done.folder / "book.html").read_text(encoding="utf-8")
    assert book.index("exposures.ecsv") < book.index("ti 42")
    assert 'href="#notebook-00-0"' in book
    assert re.search(r'(src|href)="(https?:)?//', book) is None
    assert (done.folder / "SHA256SUMS").is_file()
    if shutil.which("chromium"):  # printed only where there is a browser
        assert (done.folder / "book.pdf").read_bytes().startswith(b"%PDF-")


@pytest.mark.notebook
def test_a_failed_cell_is_named_and_the_next_run_goes_on_there(campaign, tmp_path):
    counted = "from pathlib import Path\nPath('../../count').open('a').write('x')"
    folder = notebook(tmp_path / "nb", "00_first", counted)
    notebook(folder, "01_second", "raise ValueError('no light\\nand more')")
    with pytest.raises(
        ResultsError, match=r"^01_second\.ipynb: cell 3: ValueError: no light; what ran"
    ):
        run(campaign, tmp_path / "out", folder)
    assert not (tmp_path / "out").exists()
    notebook(folder, "01_second", "print('mended')")
    done = run(campaign, tmp_path / "out", folder)
    assert (done.kept, done.run) == (("00_first.ipynb",), ("01_second.ipynb",))
    assert (tmp_path / "count").read_text() == "x"


@pytest.mark.notebook
@pytest.mark.parametrize(
    ("cell", "words"),
    [
        ("import time\ntime.sleep(60)", "cell 3: not finished after 2 s"),
        (
            "import os, signal\nos.kill(os.getpid(), signal.SIGKILL)",
            "cell 3: its kernel",
        ),
    ],
)
def test_a_notebook_that_never_ends_or_whose_kernel_dies(campaign, tmp_path, cell, words):
    folder = notebook(tmp_path / "nb", "00_only", cell)
    with pytest.raises(ResultsError, match=words):
        run(campaign, tmp_path / "out", folder, seconds=2)


def test_a_parameter_that_no_notebook_has(campaign, tmp_path):
    folder = notebook(tmp_path / "nb", "00_only", "1")
    with pytest.raises(SettingsError, match="did you mean measurement"):
        run(campaign, tmp_path / "out", folder, measurment="ti")


def test_notebooks_that_are_missing_or_none(campaign, tmp_path):
    with pytest.raises(ResultsError, match="found no notebook with a parameter"):
        run(campaign, tmp_path / "out", tmp_path / "none")
    folder = notebook(tmp_path / "nb", "00_only", "1")
    (folder / "01_bad.ipynb").write_text("{")
    result = command("procedure", campaign, "-o", tmp_path / "out", "--notebooks", folder)
    assert result.exit_code == 1
    assert "01_bad.ipynb: found a file that is no notebook" in result.stderr


def test_the_form_of_set(campaign, tmp_path):
    result = command("procedure", campaign, "-o", tmp_path / "out", "--set", "measurement")
    assert result.exit_code == 2
    assert "expected NAME=VALUE" in result.stderr
