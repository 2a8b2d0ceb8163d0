import astropy.units as u
import pytest

from beamreduce.campaign.exposure_list import (
    RowContext,
    make_exposures,
    read_headers,
)
from beamreduce.campaign.exposure_table import read_exposure_table
from beamreduce.campaign.frame_headers import read_frame_header
from tests.campaign.tables import campaign, only_problem, problems_of, read
from tests.folders import (
    IMAGE_DISTANCE,
    changed,
    default_rows,
    row,
    write_campaign,
    write_rows,
)


def test_rows_become_exposures_with_units(tmp_path):
    rows = [
        row("a", "beam", group="g", off_axis=2.0, azimuth=90.0, off_axis_by="mirror_tilt",
            aperture="Q1", temperature=20.0, pre_collimator=True, monitor_counts=1e6,
            monitor_counts_uncertainty=1e3, energy_uncertainty=0.001, comment="two words"),
        row("b", "bias", 0.0),
    ]  # fmt: skip
    found = read(campaign(tmp_path, rows))
    a = found["a"]
    assert a.exposure_time == 10 * u.s
    assert a.energy == 4.511 * u.keV
    assert a.detector_distance == IMAGE_DISTANCE * u.mm
    assert a.off_axis == 2 * u.arcmin
    assert a.azimuth == 90 * u.deg
    assert a.temperature == u.Quantity(20, u.deg_C)
    assert a.pre_collimator is True
    assert a.monitor_counts == 1e6
    assert a.comment == "two words"
    assert a.uncertainties == {"monitor_counts": 1e3, "energy": 1 * u.eV}


def test_absent_cells_stay_absent(tmp_path):
    found = read(campaign(tmp_path, default_rows()))
    off = found["off-1"]
    assert off.energy is None
    assert off.aperture is None
    assert off.group is None
    assert off.monitor_counts is None
    assert off.dead_time_fraction is None
    assert off.off_axis == 0 * u.arcmin  # the one default that the format gives


def test_live_time_is_without_the_dead_time(tmp_path):
    rows = [row("a", "beam", dead_time_fraction=0.25)]
    assert read(campaign(tmp_path, rows))["a"].live_seconds == pytest.approx(7.5)


@pytest.mark.parametrize(
    ("cells", "column", "expected"),
    [
        ({"kind": "Beam"}, "kind", "did you mean 'beam'?"),
        ({"kind": "lamp"}, "kind", "one of beam, direct, background, dark, bias, flat"),
        ({"energy": -1.0}, "energy", "above zero"),
        ({"energy": 0.0}, "energy", "above zero"),
        ({"energy": None}, "energy", "a value, for a beam row"),
        ({"energy": float("nan")}, "energy", "a value, for a beam row"),
        ({"energy": float("inf")}, "energy", "a finite number"),
        ({"detector_distance": None}, "detector_distance", "a value, for a beam row"),
        ({"detector_distance": -5.0}, "detector_distance", "above zero"),
        ({"exposure_time": 0.0}, "exposure_time", "of zero only for bias"),
        ({"exposure_time": -1.0}, "exposure_time", "above zero"),
        ({"exposure_time": None}, "exposure_time", "a value"),
        ({"file": None}, "file", "a value, for a beam row"),
        ({"group": "a b"}, "group", "1 to 64 of the characters"),
        ({"group": "x" * 65}, "group", "1 to 64 of the characters"),
        ({"background": "a/b"}, "background", "1 to 64 of the characters"),
        ({"off_axis": -1.0}, "off_axis", "of zero or more"),
        ({"off_axis_by": "detector"}, "off_axis_by", "mirror_tilt, source_shift"),
        ({"dead_time_fraction": 1.0}, "dead_time_fraction", "from 0 to below 1"),
        ({"readouts": 2.5}, "readouts", "whole and not below 1"),
        ({"readouts": 0.0}, "readouts", "whole and not below 1"),
        ({"filter_transmission": 0.0}, "filter_transmission", "above 0 and up to 1"),
        ({"monitor_counts": -1.0}, "monitor_counts", "of zero or more"),
        ({"energy_uncertainty": -0.1}, "energy_uncertainty", "of zero or more"),
        ({"detector": "wide"}, "detector", "an empty cell"),
        ({"pre_collimator": "maybe"}, "pre_collimator", "true or false"),
    ],
)
def test_a_bad_cell_names_row_and_column(tmp_path, cells, column, expected):
    rows = changed(default_rows(), "ti-2", **cells)
    problem = only_problem(tmp_path, rows)
    assert problem.startswith(f"exposures.ecsv: row 2 (exposure ti-2), column {column}: ")
    assert expected in problem


def test_a_bias_may_have_no_exposure_time_but_must_have_the_cell(tmp_path):
    rows = changed(default_rows(), "bias-1", exposure_time=None)
    assert "row 6 (exposure bias-1), column exposure_time" in only_problem(tmp_path, rows)


def test_all_problems_come_at_once(tmp_path):
    rows = changed(default_rows(), "ti-1", energy=-1.0, kind="lamp")
    rows = changed(rows, "dark-1", exposure_time=0.0)
    assert len(problems_of(campaign(tmp_path, rows))) == 3


def test_a_second_exposure_of_one_name_is_an_error_whatever_its_case(tmp_path):
    rows = [*default_rows(), row("TI-1", "beam", file="frames/new.fits")]
    problem = only_problem(tmp_path, rows)
    assert "row 10 (exposure TI-1), column exposure" in problem
    assert "row 1 (exposure ti-1) has already" in problem


def test_a_frame_that_would_count_twice_is_an_error(tmp_path):
    rows = changed(default_rows(), "ti-2", file="frames/./ti-1.fits")
    assert "row 1 (exposure ti-1) has already" in only_problem(tmp_path, rows)


def test_a_frame_for_two_measurements_is_allowed(tmp_path):
    rows = [*default_rows(), row("ti-3", "beam", file="frames/ti-1.fits")]
    assert "ti-3" in read(campaign(tmp_path, rows))


def test_a_name_with_other_characters_is_an_error(tmp_path):
    rows = changed(default_rows(), "ti-2", exposure="ti 2")
    assert "'ti 2'" in only_problem(tmp_path, rows)


@pytest.mark.parametrize(
    "column", ["exposure", "file", "kind", "exposure_time", "energy", "detector_distance"]
)
def test_a_missing_column_is_one_problem(tmp_path, column):
    rows = [
        {name: value for name, value in cells.items() if name != column}
        for cells in default_rows()
    ]
    problem = only_problem(tmp_path, rows)
    assert problem.startswith(f"exposures.ecsv: column {column}: found nothing")


COUNTER = {
    "file": None,
    "counts": 12345.0,
    "live_time": 98.0,
    "collecting_area": 3.14,
    "distance_from_source": 80.0,
}


def test_a_counter_has_a_reading_instead_of_a_frame(tmp_path):
    rows = [*default_rows(), row("sdd", "direct", 100.0, **COUNTER, detector_distance=None)]
    counter = read(campaign(tmp_path, rows))["sdd"]
    assert counter.is_counter
    assert counter.file == ""
    assert counter.counts == 12345
    assert counter.live_seconds == 98
    assert counter.collecting_area == 3.14 * u.mm**2
    assert counter.distance_from_source == 80 * u.m


@pytest.mark.parametrize("column", [*COUNTER][1:])
def test_a_counter_lacks_a_part_of_its_reading(tmp_path, column):
    rows = [
        *default_rows(),
        row("sdd", "direct", 100.0, **COUNTER),
        row("sdd2", "direct", 100.0, **COUNTER | {column: None}),
    ]
    problem = only_problem(tmp_path, rows)
    assert f"(exposure sdd2), column {column}: found an empty cell" in problem


def test_a_direct_row_with_neither_frame_nor_reading(tmp_path):
    problems = problems_of(campaign(tmp_path, changed(default_rows(), "open-1", file=None)))
    assert len(problems) == 4
    assert all("nothing, for a row without a file" in problem for problem in problems)


@pytest.mark.parametrize(
    ("file", "expected"),
    [
        ("../out.fits", "leaves the campaign folder"),
        ("frames/../../out.fits", "leaves the campaign folder"),
        ("/etc/hostname", "leaves the campaign folder"),
        ("C:\\frames\\a.fits", "leaves the campaign folder"),
        ("..\\a.fits", "leaves the campaign folder"),
        ("link.fits", "link out of the campaign folder"),
        ("linked/out.fits", "link out of the campaign folder"),
        ("broken.fits", "no such file"),
        ("loop.fits", "no such file|leads nowhere"),
        ("frames", "which is no file"),
        ("frames/none.fits", "no such file"),
    ],
)
def test_a_path_is_checked_before_it_is_opened(tmp_path, file, expected):
    (tmp_path / "out.fits").write_bytes(b"")
    rows = [row("a", "beam", file=file)]
    folder = campaign(tmp_path / "c", rows)
    (folder / "frames").mkdir()
    (folder / "link.fits").symlink_to(tmp_path / "out.fits")
    (folder / "linked").symlink_to(tmp_path)
    (folder / "broken.fits").symlink_to(folder / "nowhere.fits")
    (folder / "loop.fits").symlink_to(folder / "loop.fits")
    table, _ = read_exposure_table(folder)

    def refuse(path, name):
        raise AssertionError(f"{name} must not be opened")

    headers, problems = read_headers(folder, table, refuse)
    assert not headers
    (problem,) = problems
    assert problem.item == "row 1 (exposure a), column file"
    assert any(words in str(problem) for words in expected.split("|"))


def test_a_link_inside_the_folder_is_followed(tmp_path):
    folder = write_campaign(tmp_path, rows=[row("a", "beam")])
    (folder / "b.fits").symlink_to(folder / "frames" / "a.fits")
    write_rows(folder, [row("a", "beam", file="b.fits")])
    table, _ = read_exposure_table(folder)
    headers, problems = read_headers(folder, table, read_frame_header)
    assert not problems
    assert headers["b.fits"].shape == (64, 64)


def test_exposures_are_made_without_knowing_the_detectors(tmp_path):
    """campaign.toml may be broken; the table is checked all the same."""
    folder = campaign(tmp_path, [row("a", "beam", detector="wide", energy=-1.0)])
    table, _ = read_exposure_table(folder)
    context = RowContext(detector_names=None, cards={}, headers={})
    exposures, lost, problems = make_exposures(table, context)
    assert not exposures
    assert lost == {"beam"}
    assert [problem.item for problem in problems] == ["row 1 (exposure a), column energy"]
