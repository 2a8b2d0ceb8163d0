import astropy.units as u
import pytest
from astropy.table import QTable, Table
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from beamreduce.campaign.exposure_table import read_exposure_table
from tests.campaign.tables import campaign, only_problem, problems_of, read, text_table
from tests.folders import (
    UNITS,
    changed,
    default_rows,
    row,
    write_rows,
)

names = st.text("abcXYZ019._-", min_size=1, max_size=64)


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
        (lambda text: text.replace("ti-2 beam 10.0 ", "ti-2 beam "), "found 7 cells"),
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
