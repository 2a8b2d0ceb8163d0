"""Every notebook runs from top to bottom on a small campaign, and stays a procedure."""

import ast
from pathlib import Path

import nbformat
import pytest
from nbclient import NotebookClient

from tests.before_after.made_results import before_and_after
from tests.folders import SETUP, write_campaign
from tests.response.made_areas import write_areas

FOLDER = Path(__file__).parents[2] / "notebooks"
NOTEBOOKS = sorted(FOLDER.glob("*.ipynb"))
PARAMETERS = {
    "measurement": "focus_Ti",
    "reference_radius_mm": 5.0,
    "before_truth": "none",
    "after_truth": "none",
    "target_hpd_arcsec": 50.0,
    "decisions_file": "decisions.ecsv",
    "person": "A. Shift",
    "results_folder": "none",  # notebooks say so where a campaign has not been reduced
}

REDUCING = {"06_whole_campaign"}  # a whole reduction, of the least there can be


@pytest.fixture(scope="session")
def some_areas(tmp_path_factory):
    return write_areas(tmp_path_factory.mktemp("areas") / "results")


@pytest.fixture(scope="session")
def two_results(tmp_path_factory):
    return before_and_after(tmp_path_factory.mktemp("compared"))


@pytest.fixture(scope="session")
def one_measurement(tmp_path_factory):
    """A campaign that is reduced, figures and all, in seconds."""
    setup = f"{SETUP}[reduction]\nbootstrap_replicates = 60\n"
    return write_campaign(tmp_path_factory.mktemp("one") / "c", setup=setup)


def read(path):
    return nbformat.read(path, as_version=4)


def code_cells(notebook):
    return [cell for cell in notebook.cells if cell.cell_type == "code"]


def set_parameters(notebook, values):
    """Replace the assignments of the parameters cell; unknown names are an error."""
    (cell,) = [c for c in notebook.cells if "parameters" in c.metadata.get("tags", ())]
    names = [node.targets[0].id for node in ast.parse(cell.source).body]
    chosen = {name: values[name] for name in names}
    cell.source = "\n".join(f"{name} = {value!r}" for name, value in chosen.items())


@pytest.mark.notebook
@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda path: path.stem)
def test_notebook_runs(
    path,
    small_campaign,
    one_measurement,
    few_maps,
    two_results,
    few_quadrants,
    some_areas,
    tmp_path,
):
    notebook = read(path)
    folders = {
        "campaign_folder": str(small_campaign),
        "maps_folder": str(few_maps),
        "before_folder": str(two_results[0]),
        "after_folder": str(two_results[1]),
        "quadrants_folder": str(few_quadrants),
        "results_folder": str(tmp_path / "results"),
        "areas_folder": str(some_areas),
        "response_folder": str(tmp_path / "responses"),
    }
    values = {**folders, **PARAMETERS}
    if path.stem in REDUCING:
        values |= {"campaign_folder": str(one_measurement), "decisions_file": ""}
    set_parameters(notebook, values)
    client = NotebookClient(
        notebook, timeout=300, resources={"metadata": {"path": str(tmp_path)}}
    )
    client.execute()
    shown = [out for cell in code_cells(notebook) for out in cell.outputs]
    assert not any(out.get("name") == "stderr" for out in shown), "a warning was printed"
    if "draw_" in "".join(cell.source for cell in code_cells(notebook)):
        assert any("image/png" in out.get("data", {}) for out in shown)


@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda path: path.stem)
def test_notebook_is_a_procedure_not_a_program(path):
    notebook = read(path)
    cells = code_cells(notebook)
    assert all(not cell.outputs and cell.execution_count is None for cell in cells)
    assert "parameters" in cells[0].metadata.get("tags", ())
    assert len(cells) <= 20
    source = "\n".join(cell.source for cell in cells)
    assert len(source.splitlines()) <= 120
    plain = "\n".join(line for line in source.splitlines() if not line.startswith("%"))
    kinds = {type(node) for node in ast.walk(ast.parse(plain))}
    assert not kinds & {ast.FunctionDef, ast.ClassDef, ast.Lambda}


def test_there_are_notebooks():
    names = {path.stem for path in NOTEBOOKS}
    assert {
        "00_inspect",
        "01_frame_to_net_image",
        "02_background",
        "03_center_and_encircled_energy",
        "04_mirror_model",
        "05_seen_from_infinity",
        "06_whole_campaign",
        "07_effective_area",
        "08_off_axis",
        "10_reflectors",
        "12_before_and_after",
        "13_inspect_one_measurement",
    } <= names
