import astropy.units as u
import numpy as np
import pytest
from astropy.io import fits
from astropy.table import QTable, Table
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from beamreduce.campaign.exposure_list import (
    RowContext,
    make_exposures,
    read_exposures,
    read_headers,
)
from beamreduce.campaign.exposure_table import read_exposure_table
from beamreduce.campaign.frame_headers import read_frame_header
from beamreduce.campaign.setup_file import read_setup
from beamreduce.errors import CampaignError
from tests.folders import (
    IMAGE_DISTANCE,
    SETUP,
    UNITS,
    changed,
    default_rows,
    row,
    write_campaign,
    write_rows,
)


def campaign(folder, rows, setup=SETUP, frames=False):
    return write_campaign(folder, setup=setup, rows=rows, frames=frames)


def read(folder):
    found = read_exposures(folder, read_setup(folder))
    return {exposure.exposure: exposure for exposure in found}


def problems_of(folder):
    with pytest.raises(CampaignError, match="found") as caught:
        read(folder)
    return [str(problem) for problem in caught.value.problems]


def only_problem(folder, rows, setup=SETUP):
    (problem,) = problems_of(campaign(folder, rows, setup))
    return problem


def text_table(folder, *lines):
    """An exposure table written by hand."""
    (folder / "exposures.ecsv").write_text("\n".join(lines) + "\n", encoding="utf-8")
    return folder


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


@pytest.mark.parametrize("delimiter", [" ", ","])
def test_both_delimiters_and_units_of_quantity_columns(tmp_path, delimiter):
    campaign(tmp_path, default_rows())
    table = QTable(
        {
            "exposure": ["a", "b"],
            "file": ["frames/a.fits", "frames/b.fits"],
            "kind": ["beam", "beam"],
            "exposure_time": [0.5, 1.0] * u.min,
            "energy": [4511.0, 8048.0] * u.eV,
            "detector_distance": [5.534653, 5.534653] * u.m,
            "off_axis": [120.0, 0.0] * u.arcsec,
            "dead_time_fraction": [5.0, 0.0] * u.percent,
        }
    )
    table.write(
        tmp_path / "exposures.ecsv",
        format="ascii.ecsv",
        delimiter=delimiter,
        overwrite=True,
    )
    a = read(tmp_path)["a"]
    assert a.exposure_time.to_value(u.s) == pytest.approx(30)
    assert a.energy.to_value(u.keV) == pytest.approx(4.511, rel=1e-12)
    assert a.detector_distance.to_value(u.mm) == pytest.approx(5534.653)
    assert a.off_axis.to_value(u.arcmin) == pytest.approx(2)
    assert a.dead_time_fraction == pytest.approx(0.05)


def test_a_table_of_other_hands_is_read(tmp_path):
    """Integer names, floats for integers, truth as text, no schema, gaps as nan."""
    campaign(tmp_path, default_rows())
    text_table(
        tmp_path,
        "# %ECSV 0.9",
        "# ---",
        "## by hand",
        "# datatype:",
        "# - name: exposure",
        "#   datatype: int64",
        "# - {name: file, datatype: string}",
        "# - {name: kind, datatype: string, description: 'what: it is'}",
        "# - {name: exposure_time, datatype: int32, unit: s}",
        "# - {name: energy, datatype: float32, unit: eV}",
        "# - {name: detector_distance, datatype: float64, unit: cm}",
        "# - {name: background, datatype: float64}",
        "# - {name: pre_collimator, datatype: string}",
        "# - {name: monitor_counts, datatype: float64, unit: ct}",
        "# - {name: group, datatype: string}",
        "# delimiter: ','",
        "# meta: !!omap",
        "# - made: !somebody.Class {at: home}",
        "exposure,file,kind,exposure_time,energy,detector_distance,background,"
        "pre_collimator,monitor_counts,group",
        '1,"frames/a 1.fits",beam,10,4511,553.4653,2.0,False,1e5,nan',
        "",
        "2, frames/b.fits , background,10,nan,,nan,,,",
    )
    found = read(tmp_path)
    assert set(found) == {"1", "2"}
    assert found["1"].file == "frames/a 1.fits"
    assert found["1"].energy.to_value(u.keV) == pytest.approx(4.511)
    assert found["1"].background == "2"
    assert found["1"].pre_collimator is False
    assert found["1"].monitor_counts == 1e5
    assert found["1"].group is None
    assert found["2"].energy is None
    assert found["2"].detector_distance is None
    assert found["2"].pre_collimator is None


names = st.text("abcXYZ019._-", min_size=1, max_size=64)


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture], max_examples=25)
@given(
    cells=st.lists(
        st.tuples(names, st.floats(1e-3, 1e6), st.floats(0.1, 100)),
        min_size=1,
        max_size=5,
        unique_by=lambda cell: cell[0].lower(),
    )
)
def test_what_a_table_library_writes_is_read_back(tmp_path, cells):
    written = [
        row(name, "beam", seconds, energy=kev, file=f"{i}.fits")
        for i, (name, seconds, kev) in enumerate(cells)
        if name.lower() != "nan"
    ]
    if not written:
        return
    found = read(campaign(tmp_path, written))
    for cell in written:
        exposure = found[cell["exposure"]]
        assert exposure.exposure_time.to_value(u.s) == cell["exposure_time"]
        assert exposure.energy.to_value(u.keV) == cell["energy"]


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


def test_a_wrong_unit_is_one_problem_of_the_column(tmp_path):
    campaign(tmp_path, default_rows())
    write_rows(tmp_path, default_rows(), UNITS | {"energy": "mm"})
    (problem,) = problems_of(tmp_path)
    assert problem.startswith("exposures.ecsv: column energy: found the unit 'mm'")
    assert "converts to keV" in problem


def test_a_missing_unit_is_one_problem_of_the_column(tmp_path):
    campaign(tmp_path, default_rows())
    write_rows(tmp_path, default_rows(), {"energy": "keV", "detector_distance": "mm"})
    (problem,) = problems_of(tmp_path)
    assert problem.startswith("exposures.ecsv: column exposure_time: found no unit")


def test_an_unknown_unit_is_one_problem_of_the_column(tmp_path):
    campaign(tmp_path, default_rows())
    path = tmp_path / "exposures.ecsv"
    path.write_text(path.read_text().replace("unit: keV", "unit: klick"))
    (problem,) = problems_of(tmp_path)
    assert "'klick', which is not known" in problem


def test_a_unit_on_a_fraction_is_wrong(tmp_path):
    rows = changed(default_rows(), "ti-1", line_fraction=0.9)
    campaign(tmp_path, rows)
    write_rows(tmp_path, rows, UNITS | {"line_fraction": "mm"})
    (problem,) = problems_of(tmp_path)
    assert "column line_fraction: found the unit 'mm'; expected a bare number" in problem


def test_an_empty_column_needs_no_unit(tmp_path):
    rows = changed(default_rows(), "ti-1", azimuth=float("nan"))
    campaign(tmp_path, rows)
    write_rows(tmp_path, rows, {k: v for k, v in UNITS.items() if k != "azimuth"})
    assert read(tmp_path)["ti-1"].azimuth is None


def test_text_in_a_number_column_names_the_row(tmp_path):
    campaign(tmp_path, default_rows())
    path = tmp_path / "exposures.ecsv"
    path.write_text(
        path.read_text().replace("off-2 background 10.0", "off-2 background ten")
    )
    (problem,) = problems_of(tmp_path)
    assert "row 5 (exposure off-2), column exposure_time: found 'ten'" in problem


@pytest.mark.parametrize(
    ("change", "expected"),
    [
        (lambda text: text.replace("# %ECSV 1.0", "# %CSV"), "a first line that reads"),
        (lambda text: text.replace("# datatype:", "# columns:"), "without a list"),
        (lambda text: text.replace("{name: kind,", "{name: kind"), "not YAML near line"),
        (
            lambda text: text.replace("exposure kind exp", "exposure kinds exp"),
            "line of names",
        ),
        (lambda text: text.replace("name: kind", "name: file"), "names a column twice"),
        (lambda text: text.replace("ti-2 beam 10.0 ", "ti-2 beam "), "found 6 cells"),
        (lambda text: text.replace("# schema", "# delimiter: ';'\n# schema"), "delimiter"),
        (lambda text: "", "a first line that reads ''"),
    ],
)
def test_a_file_that_is_no_table_says_why(tmp_path, change, expected):
    campaign(tmp_path, default_rows())
    path = tmp_path / "exposures.ecsv"
    path.write_text(change(path.read_text()))
    assert any(expected in problem for problem in problems_of(tmp_path))


def test_a_table_without_rows_is_a_problem(tmp_path):
    campaign(tmp_path, default_rows())
    Table(names=["exposure", "file", "kind", "exposure_time"], dtype=[str, str, str, float],
          units=[None, None, None, "s"]).write(
        tmp_path / "exposures.ecsv", format="ascii.ecsv", overwrite=True
    )  # fmt: skip
    (problem,) = problems_of(tmp_path)
    assert "a table without rows" in problem


def test_unknown_columns_are_kept_and_reported_but_not_fatal(tmp_path):
    rows = changed(default_rows(), "ti-1", operator="somebody", monitor_count=3.0)
    campaign(tmp_path, rows)
    assert read(tmp_path)["ti-1"].unknown == {
        "operator": "somebody",
        "monitor_count": "3.0",
    }
    _, problems = read_exposure_table(tmp_path)
    assert all(problem.warning for problem in problems)
    assert any("did you mean 'monitor_counts'?" in str(problem) for problem in problems)


@pytest.mark.parametrize("column", ["raster_column", "pencil_x", "beam_x", "source_y"])
def test_a_pencil_beam_raster_is_refused_in_one_sentence(tmp_path, column):
    rows = changed(default_rows(), "ti-1", **{column: 1.0})
    rows = changed(rows, "ti-2", **{column: 2.0})
    problem = only_problem(tmp_path, rows)
    assert "found a pencil-beam raster" in problem
    assert "\n" not in problem


def test_a_source_that_stands_still_is_no_raster(tmp_path):
    rows = [{**cells, "source_x": 1.0} for cells in default_rows()]
    assert len(read(campaign(tmp_path, rows))) == len(rows)


def test_a_stage_of_the_detector_is_no_raster(tmp_path):
    rows = changed(default_rows(), "ti-1", detector_x=1.0)
    rows = changed(rows, "ti-2", detector_x=2.0)
    assert read(campaign(tmp_path, rows))["ti-2"].detector_x == 2 * u.mm


def test_a_monitor_background_rate_becomes_counts(tmp_path):
    rows = [
        row("a", "beam", 10.0, monitor_background=2.0, monitor_background_uncertainty=0.1),
        row("b", "beam", 10.0, monitor_background=2.0, monitor_time=20.0),
    ]
    campaign(tmp_path, rows)
    units = {"monitor_background": "1/s"}
    write_rows(tmp_path, rows, UNITS | units)
    found = read(tmp_path)
    assert found["a"].monitor_background == pytest.approx(20)
    assert found["a"].uncertainties["monitor_background"] == pytest.approx(1)
    assert found["b"].monitor_background == pytest.approx(40)


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


def cards_campaign(folder, cards, header, rows=None):
    """A campaign whose beam frame has the header cards given."""
    lines = "".join(f'{name} = "{card}"\n' for name, card in cards.items())
    rows = rows or [
        {"exposure": "a", "kind": "beam", "file": "a.fits", "exposure_time": 10.0,
         "energy": 4.511, "detector_distance": IMAGE_DISTANCE}
    ]  # fmt: skip
    campaign(folder, rows, setup=SETUP + "[cards]\n" + lines)
    image = fits.ImageHDU(np.ones((4, 4), np.int16))
    primary = fits.PrimaryHDU()
    for name, value in header.items():
        (image if name == "TEMP" else primary).header[name] = value
    fits.HDUList([primary, image]).writeto(folder / "a.fits")
    return folder


def test_mapped_cards_fill_what_is_absent(tmp_path):
    row_without = [{"exposure": "a", "kind": "beam", "file": "a.fits"}]
    cards = {
        "exposure_time": "EXPTIME",
        "energy": "LINE",
        "detector_distance": "DIST",
        "temperature": "TEMP",
        "pre_collimator": "PRECOL",
        "group": "OBJECT",
    }
    header = {"EXPTIME": 12, "LINE": (4511.0, "[eV] line"), "DIST": (5.5346, "[m] rail"),
              "TEMP": (300.0, "[K]"), "PRECOL": True, "OBJECT": "ti"}  # fmt: skip
    a = read(cards_campaign(tmp_path, cards, header, row_without))["a"]
    assert a.exposure_time == 12 * u.s
    assert a.energy.to_value(u.keV) == pytest.approx(4.511)
    assert a.detector_distance.to_value(u.mm) == pytest.approx(5534.6)
    assert a.temperature.to_value(u.deg_C) == pytest.approx(26.85)
    assert a.pre_collimator is True
    assert a.group == "ti"


def test_a_card_that_is_not_mapped_is_not_used(tmp_path):
    folder = cards_campaign(tmp_path, {"comment": "NOTE"}, {"EXPTIME": 99, "DEADTIME": 0.5})
    a = read(folder)["a"]
    assert a.exposure_time == 10 * u.s
    assert a.dead_time_fraction is None


def test_a_card_that_agrees_is_no_problem(tmp_path):
    folder = cards_campaign(tmp_path, {"energy": "LINE"}, {"LINE": (4511.0, "[eV]")})
    assert read(folder)["a"].energy == 4.511 * u.keV


def test_a_card_that_differs_from_its_cell_is_an_error(tmp_path):
    folder = cards_campaign(tmp_path, {"exposure_time": "EXPTIME"}, {"EXPTIME": 11.0})
    (problem,) = problems_of(folder)
    assert problem.startswith("a.fits: card EXPTIME: found 11 s, but 10 s in column")


@pytest.mark.parametrize(
    ("column", "value", "expected"),
    [
        ("temperature", "warm", "a number"),
        ("temperature", (3.0, "[mm] gauge"), "converts to deg_C"),
        ("temperature", (3.0, "[grads] gauge"), "a known unit in its comment"),
        ("pre_collimator", "maybe", "a logical value"),
    ],
)
def test_a_card_that_cannot_be_used_is_an_error(tmp_path, column, value, expected):
    folder = cards_campaign(tmp_path, {column: "TEMP"}, {"TEMP": value})
    (problem,) = problems_of(folder)
    assert problem.startswith("a.fits: card TEMP: ")
    assert expected in problem


def test_a_value_in_neither_table_nor_header_is_missed_once(tmp_path):
    row_without = [{"exposure": "a", "kind": "beam", "file": "a.fits",
                    "exposure_time": 10.0, "detector_distance": 1.0}]  # fmt: skip
    folder = cards_campaign(tmp_path, {"energy": "LINE"}, {}, row_without)
    (problem,) = problems_of(folder)
    assert "(exposure a), column energy" in problem
    assert "no usable card LINE" in problem


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
