"""``beamreduce reflectors`` and the demonstration from the command line."""

import json
import tomllib
from pathlib import Path

import numpy as np
import pytest
from astropy.table import Table
from prov.model import ProvDocument

from tests.reduction.runs import command
from tests.reflectors.folders import make_folder, rows_of, write_map


@pytest.fixture(autouse=True)
def _elsewhere(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr(
        "beamreduce.reduction.reflectors_run.draw_reflectors", lambda *_: []
    )


def test_a_run_says_what_came_of_it():
    make_folder(Path("in"))
    done = command("reflectors", "in", "-o", "out", "--jobs", 1)
    assert (done.exit_code, done.stderr) == (0, "")
    assert "8 of 12 slots filled" in done.stdout
    assert "results in" in done.stdout
    quiet = command("reflectors", "in", "-o", "out", "--jobs", 1, "--update", "--quiet")
    assert (quiet.exit_code, quiet.stdout, quiet.stderr) == (0, "", "")


def test_warnings_and_maps_without_use_do_not_change_the_code():
    rows = list(rows_of())
    rows[0] = rows[0][0], np.full((48, 48), np.nan)
    folder = make_folder(Path("in"), rows=rows)
    settings = folder / "reflectors.toml"
    settings.write_text(settings.read_text().replace("[filling]", "[filling]\nspare = 1"))
    done = command("reflectors", "in", "-o", "out", "--jobs", 1)
    assert done.exit_code == 0
    assert "warning: reflectors.toml: filling.spare: found an unknown key" in done.stderr
    assert "warning: map P1a is not used" in done.stderr


def test_maps_of_one_reflector_that_disagree_are_said_at_once():
    rows = list(rows_of())
    rows[1] = rows[1][0], 3 * rows[1][1]
    folder = make_folder(Path("in"), rows=rows)
    table = Table.read(folder / "maps.ecsv")
    for key in ("reflector", "nesting", "stage", "mandrel", "batch"):
        table[key][1] = table[key][0]
    table.write(folder / "maps.ecsv", overwrite=True)
    done = command("reflectors", "in", "-o", "out", "--jobs", 1)
    assert done.exit_code == 0
    assert f"maps of reflector {table['reflector'][0]} disagree" in done.stderr


def test_a_wrong_unit_of_spacing_is_one_problem():
    make_folder(Path("in"), pixel_unit="s")
    done = command("reflectors", "in", "-o", "out", "--jobs", 1)
    assert done.exit_code == 1
    assert "found the unit 's'; expected a unit that converts to um" in done.stderr
    assert len(done.stderr.strip().splitlines()) == 1


def test_wrong_input_is_one_message_and_nothing_is_written():
    folder = make_folder(Path("in"))
    write_map(folder / "maps/P1a.fits", np.zeros((48, 48)), unit="kg")
    done = command("reflectors", "in", "-o", "out", "--jobs", 1)
    assert (done.exit_code, done.stdout) == (1, "")
    assert done.stderr.startswith("error: maps/P1a.fits (map P1a): found BUNIT 'kg'")
    assert "Traceback" not in done.stderr
    assert not Path("out").exists()
    again = command("reflectors", "nothing", "-o", "out")
    assert again.exit_code == 1
    assert command("reflectors", "in").exit_code == 2


def test_what_a_run_came_from_can_be_read_back():
    make_folder(Path("in"))
    command("reflectors", "in", "-o", "out", "--jobs", 1, "--quiet")
    document = ProvDocument.deserialize("out/provenance.json", format="json")
    names = {str(record.identifier) for record in document.get_records()}
    assert {"br:map/P1a", "br:reflectors.ecsv", "br:settings.toml"} <= names
    settings = tomllib.loads(Path("out/settings.toml").read_text())
    assert settings["command"] == "reflectors"
    assert (Path("out") / settings["maps_folder"]).resolve() == Path("in").resolve()
    assert settings["limits"][0]["flight"] == 0.55
    log = json.loads(Path("out/run_log.json").read_text())
    assert log["software"]["beamreduce"]
    table = Table.read("out/reflectors.ecsv", format="ascii.ecsv")
    assert {"Sa", "Sq_uncertainty", "grade", "reason"} <= set(table.colnames)


def test_simulate_makes_maps_too(monkeypatch):
    scenario = Path(__file__).with_name("few_reflectors.toml")
    done = command("simulate", scenario, "-o", "made")
    assert (done.exit_code, done.stderr) == (0, "")
    assert done.stdout == "maps of reflectors in made, truth in made.truth.json\n"
    assert len(list(Path("made/maps").iterdir())) == 106


def test_demo_of_reflectors(monkeypatch):
    scenario = Path(__file__).with_name("few_reflectors.toml")
    monkeypatch.setattr("beamreduce.simulate.reflector_demo.SCENARIO", scenario)
    done = command("demo", "reflectors", "--jobs", 1)
    assert (done.exit_code, done.stderr) == (0, "")
    assert "made bad: S02" in done.stdout
    assert Path("demo_run/reflectors/results/report.html").is_file()
    again = command("demo", "reflectors", "--jobs", 1)
    assert again.exit_code == 0
    assert again.stdout == done.stdout
    assert command("demo", "nothing").exit_code == 2
