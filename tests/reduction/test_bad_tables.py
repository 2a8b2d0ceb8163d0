"""Bad folders and tables through the commands: one clear message, nothing touched.

Each case says what is done to a sound campaign and what the message has to name: file,
row, card or key; what was found; what to do.
"""

import re

import numpy as np
import pytest

from tests.folders import changed, default_rows, write_rows
from tests.reduction.refusals import COMMANDS, assert_refused, edit_setup
from tests.reduction.runs import command
from tests.reduction.schema import check_results

# ---- the folder


@pytest.mark.parametrize(
    ("make", "found"),
    [
        (lambda path: None, "no such folder"),
        (lambda path: path.write_text("x"), "a file"),
        (lambda path: path.mkdir(), "neither campaign.toml nor exposures.ecsv"),
        (lambda path: path.symlink_to("nowhere"), "no such folder"),
    ],
)
def test_no_campaign_folder(tmp_path, monkeypatch, make, found):
    monkeypatch.chdir(tmp_path)
    make(tmp_path / "c")
    assert_refused(tmp_path / "c", f"c: found .*{found}", "check the path")


def test_a_path_that_is_too_long(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    assert_refused(tmp_path / ("n" * 300), "nnn: found .*[Nn]ame too long")


@pytest.mark.parametrize("name", ["campaign.toml", "exposures.ecsv"])
def test_a_folder_without_one_of_its_tables(folder, name):
    (folder / name).unlink()
    assert_refused(folder, f"{name}: found no such file", "put .* into the folder")


# ---- campaign.toml


def test_a_toml_syntax_error_names_the_line(folder):
    edit_setup(folder, 'mode = "integrating"', 'mode = "integrating')
    line = (folder / "campaign.toml").read_text().split("mode")[0].count("\n") + 1
    assert_refused(folder, rf"campaign.toml: line {line}, column \d+: found a TOML syntax")


@pytest.mark.parametrize(
    ("old", "new", "key", "expected"),
    [
        ('"5.2 m"', '"5.2"', "mirror.focal_length", "unit that converts to m"),
        ('"5.2 m"', "5.2", "mirror.focal_length", "unit that converts to m"),
        ('"5.2 m"', '"5.2 s"', "mirror.focal_length", "unit that converts to m"),
        ('"5.2 m"', '"-5.2 m"', "mirror.focal_length", "above zero"),
        ('"5.2 m"', '"nan m"', "mirror.focal_length", "length above zero"),
        ('"86 m"', '"inf m"', "facility.source_distance", "length above zero"),
        ('"86 m"', '"0 m"', "facility.source_distance", "above zero"),
        ('"20 um"', '"-20 um"', "detector.pixel_size", "above zero"),
        ('"5 mm"', '"-5 mm"', "facility.source_distance_uncertainty", "zero or more"),
        ('"integrating"', '"adding"', "detector.mode", '"integrating", "counting"'),
        ('"2.0 electron/adu"', '"2.0 mm"', "detector.gain", "converts to electron / adu"),
        ('mode = "integrating"', "", "detector.mode", "add the key"),
        ("= 60", '= 60\ncenter = "middle"', "reduction.center", "one of centroid"),
        ("= 60", '= 60\nbackground = "sky"', "reduction.background", '"exposure"'),
        ("= 60", "= 1", "reduction.bootstrap_replicates", "from 2 to 20000"),
        ("= 60", "= 1_000_000_000", "reduction.bootstrap_replicates", "from 2 to 20000"),
        ("= 60", "= 60.0", "reduction.bootstrap_replicates", "whole number"),
        ("= 60", "= true", "reduction.bootstrap_replicates", "whole number"),
        ("= 60", '= 60\nreference_radius = "6"', "reduction.reference_radius", "to mm"),
        ("beamreduce-campaign/1", "beamreduce-campaign/2", "format", "campaign/1"),
    ],
)
def test_a_bad_value_is_named_by_its_key(folder, old, new, key, expected):
    edit_setup(folder, old, new)
    assert_refused(folder, rf"campaign.toml: {key}: found .*; expected .*{expected}")


def test_a_source_nearer_than_a_focal_length(folder):
    edit_setup(folder, '"86 m"', '"5.1 m"')
    assert_refused(
        folder,
        r"campaign.toml: facility.source_distance: found 5.1 m, 0.981 focal lengths",
        "check source_distance and mirror.focal_length",
    )


def test_a_source_nearer_than_four_focal_lengths_is_a_warning(folder):
    """The image is then at f L/(L - f) = 7.026 m."""
    edit_setup(folder, '"86 m"', '"20 m"')
    rows = [
        {**cells, "detector_distance": 7026.0} if "energy" in cells else cells
        for cells in default_rows()
    ]
    write_rows(folder, rows)
    done = command("reduce", folder, *COMMANDS["reduce"])
    assert done.exit_code == 0
    assert re.match(
        r"warning: campaign.toml: facility.source_distance: found 20 m, 3.85 focal lengths",
        done.stderr,
    )
    assert check_results(folder.parent / "out")["ti"]["hpd_measured_arcsec"] is not None
    assert command("inspect", folder).exit_code == 0


def test_an_unknown_key_is_a_warning(folder):
    edit_setup(folder, "bootstrap_replicates", "bootstrap_replicate")
    edit_setup(folder, "bootstrap_replicate =", "bootstrap_replicates = 60\nreplicates =")
    done = command("reduce", folder, *COMMANDS["reduce"], "--quiet")
    assert done.exit_code == 0
    assert done.stdout == ""
    assert re.match("warning: campaign.toml: reduction.replicates: found an unknown key",
                    done.stderr)  # fmt: skip


# ---- exposures.ecsv


@pytest.mark.parametrize(
    ("cells", "words"),
    [
        ({"kind": "beem"}, ["column kind: found 'beem'", "did you mean 'beam'"]),
        ({"exposure": "TI-1"}, ["column exposure: found 'TI-1'", "row 1", "rename"]),
        ({"exposure": "a b"}, ["column exposure: found 'a b'", "rename it"]),
        ({"exposure": "n" * 65}, ["column exposure", "1 to 64 of the characters"]),
        ({"energy": 4.6}, ["column energy: found 4.6 keV in the beam group ti",
                           "another group"]),
        ({"aperture": "Q1"}, ["column aperture: found Q1 in the beam group ti"]),
        ({"detector_distance": 5500.0}, ["detector_distance: found 5500.0 mm in the beam"]),
        ({"energy": -4.5}, ["column energy: found -4.5 keV", "above zero", "correct"]),
        ({"energy": np.nan}, ["column energy: found an empty cell", "fill it in"]),
        ({"detector_distance": np.nan}, ["column detector_distance: found an empty cell"]),
        ({"detector_distance": -5534.0}, ["detector_distance: found -5534 mm"]),
        ({"detector_distance": 91_000.0}, ["reference plane, not from the source"]),
        ({"exposure_time": 0.0}, ["exposure_time: found 0 s", "above zero"]),
        ({"exposure_time": -1.0}, ["exposure_time: found -1 s", "above zero"]),
        ({"exposure_time": np.nan}, ["exposure_time: found an empty cell"]),
        ({"background": "off-3"}, ["column background: found 'off-3', which is no row"]),
        ({"detector": "other"}, ["column detector: found 'other'"]),
        ({"file": "../ti-2.fits"}, ["leaves the campaign folder", "relative to it"]),
        ({"file": "frames/../../ti-2.fits"}, ["leaves the campaign folder"]),
        ({"file": "/etc/passwd"}, ["leaves the campaign folder", "put the file into"]),
        ({"file": "frames"}, ["column file: found 'frames', which is no file"]),
        ({"file": "f" * 300}, ["column file: found .*[Nn]ame too long"]),
        ({"file": "frames/ti-1.fits"}, ["found 'frames/ti-1.fits', which row 1"]),
    ],
    ids=lambda value: str(next(iter(value)))[:20] if isinstance(value, dict) else "",
)  # fmt: skip
def test_a_bad_cell_is_named_by_row_and_column(folder, cells, words):
    write_rows(folder, changed(default_rows(), "ti-2", **cells))
    assert_refused(folder, "exposures.ecsv: (row 2|exposure)", *words)


def test_a_file_that_is_not_there_is_named_by_its_row(folder):
    write_rows(folder, changed(default_rows(), "ti-2", file="frames/gone.fits"))
    words = (r"row 2 \(exposure ti-2\), column file: found no such file", "correct its")
    assert_refused(folder, *words, commands=("reduce", "inspect"))


def test_a_missing_dark_is_told(folder):
    rows = [cells for cells in default_rows() if cells["kind"] not in ("bias", "dark")]
    write_rows(folder, rows)
    assert_refused(
        folder,
        "exposures off-1, off-2, open-1, ti-1, ti-2: found no dark and no bias frames",
        'set dark = "none"',
    )


def test_a_campaign_without_beam(folder):
    write_rows(folder, [c for c in default_rows() if c["kind"] != "beam"])
    assert_refused(folder, "exposures.ecsv: column kind: found no beam row", "add the")


def test_all_problems_come_at_once(folder):
    edit_setup(folder, '"5.2 m"', '"5.2"')
    rows = changed(default_rows(), "ti-1", kind="beem")
    write_rows(folder, changed(rows, "off-1", file="../off.fits"))
    (folder / "frames/dark-1.fits").write_bytes(b"")
    assert_refused(
        folder,
        "mirror.focal_length",
        r"row 1 \(exposure ti-1\), column kind",
        r"row 4 \(exposure off-1\), column file",
        "frames/dark-1.fits: found an empty file",
    )
