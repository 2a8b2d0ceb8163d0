import itertools

import astropy.units as u
import pytest

from beamreduce.campaign.belonging import match
from beamreduce.campaign.exposure import Exposure
from beamreduce.campaign.setup_file import read_setup
from tests.folders import IMAGE_DISTANCE, SETUP


def exposure(name, kind, seconds=10.0, **cells):
    given = {"file": f"{name}.fits", **cells}
    if kind in ("beam", "direct"):
        given = {
            "energy": 4.511 * u.keV,
            "detector_distance": IMAGE_DISTANCE * u.mm,
        } | given
    return Exposure(exposure=name, kind=kind, exposure_time=seconds * u.s, **given)


@pytest.fixture
def setup_with(tmp_path):
    def make(text="", detector=""):
        (tmp_path / "campaign.toml").write_text(SETUP + detector + text)
        return read_setup(tmp_path)

    return make


BEAM = exposure("b", "beam")
BIAS = exposure("z", "bias", 0.0)
DARK = exposure("d", "dark", 10.0)


def matched(setup, *exposures, shapes=None):
    """Measurements by id and problems as text."""
    found, problems = match(exposures, setup, shapes or {})
    return {inputs.id: inputs for inputs in found}, [str(problem) for problem in problems]


def names(rows):
    return [getattr(row, "exposure", row) for row in rows]


def of(rows):
    return [row.exposure.exposure for row in rows]


def test_a_group_is_one_measurement_and_a_lone_row_another(setup_with):
    one, two = exposure("b1", "beam", group="g"), exposure("b2", "beam", group="g")
    found, problems = matched(setup_with(), two, BEAM, one, BIAS, DARK)
    assert not problems
    assert list(found) == ["b", "g"]
    assert of(found["g"].beam) == ["b1", "b2"]
    assert found["g"].aperture == "full"
    assert found["g"].energy == 4.511 * u.keV


def test_the_order_of_rows_changes_nothing(setup_with):
    setup = setup_with()
    rows = [BEAM, exposure("a", "beam", group="g"), BIAS, DARK]
    results = [match(order, setup, {}) for order in itertools.permutations(rows)]
    assert all(result == results[0] for result in results)


@pytest.mark.parametrize(
    ("column", "value"),
    [
        ("aperture", "Q1"),
        ("energy", 8.048 * u.keV),
        ("off_axis", 1 * u.arcmin),
        ("azimuth", 0 * u.deg),
        ("detector_distance", (IMAGE_DISTANCE + 0.01) * u.mm),
        ("detector", "wide"),
    ],
)
def test_a_group_must_agree(setup_with, column, value):
    wide = '[detectors.wide]\npixel_size = "0.1 mm"\nmode = "counting"\n'
    one = exposure("b1", "beam", group="g")
    two = exposure("b2", "beam", group="g", **{column: value})
    _, problems = matched(setup_with(detector=wide), one, two, BIAS, DARK)
    (problem,) = problems
    assert f"exposure b2, column {column}" in problem
    assert "in the beam group g, where b1 has" in problem


def test_a_group_may_write_full_or_leave_it_out(setup_with):
    rows = (
        exposure("b1", "beam", group="g", aperture="full"),
        exposure("b2", "beam", group="g", energy=4511 * u.eV),
    )
    assert not matched(setup_with(), *rows, BIAS, DARK)[1]


def test_frames_of_a_group_must_have_one_shape(setup_with):
    rows = (exposure("b1", "beam", group="g"), exposure("b2", "beam", group="g"))
    shapes = {"b1": (10, 20), "b2": (20, 10)}
    _, problems = matched(setup_with('[reduction]\ndark = "none"\n'), *rows, shapes=shapes)
    (problem,) = problems
    assert problem.startswith("b2.fits: NAXIS1, NAXIS2: found 10 × 20 pixels in group g")


@pytest.mark.parametrize(
    "rows",
    [
        (exposure("G", "beam"), exposure("b1", "beam", group="g")),
        (exposure("b1", "beam", group="G"), exposure("b2", "beam", group="g")),
    ],
)
def test_two_measurements_of_one_name_are_an_error(setup_with, rows):
    _, problems = matched(setup_with(), *rows, BIAS, DARK)
    (problem,) = problems
    assert "a second measurement beside" in problem


def test_no_beam_rows_is_an_error(setup_with):
    _, problems = matched(setup_with(), BIAS, DARK)
    assert any("found no beam row" in problem for problem in problems)


# Bias and dark.


def test_with_bias_frames_darks_of_any_time_give_a_rate(setup_with):
    found, problems = matched(setup_with(), BEAM, BIAS, exposure("d", "dark", 300.0))
    assert not problems
    (beam,) = found["b"].beam
    assert (names(beam.bias), names(beam.dark), beam.dark_use) == (["z"], ["d"], "rate")


@pytest.mark.parametrize(("seconds", "used"), [(10.1, True), (9.9, True), (10.11, False)])
def test_without_bias_frames_only_darks_of_the_same_time_serve(setup_with, seconds, used):
    found, problems = matched(setup_with(), BEAM, exposure("d", "dark", seconds))
    (beam,) = found["b"].beam
    assert (names(beam.dark) == ["d"]) is used
    assert beam.dark_use == ("same_time" if used else "none")
    assert (not problems) is used


@pytest.mark.parametrize(
    ("others", "words"),
    [
        ([], "no dark and no bias frames"),
        ([BIAS], "bias frames but no dark"),
        ([exposure("d", "dark", 30.0)], "no bias frames, and darks only of 30 s"),
    ],
)
def test_neither_bias_nor_a_fitting_dark_is_an_error(setup_with, others, words):
    _, problems = matched(setup_with(), BEAM, *others)
    (problem,) = problems
    assert problem.startswith("exposures.ecsv: exposure b: found " + words)
    assert 'dark = "none"' in problem


def test_many_exposures_without_dark_are_one_problem(setup_with):
    beams = [exposure(f"b{i}", "beam") for i in range(9)]
    _, problems = matched(setup_with(), *beams)
    (problem,) = problems
    assert "b0, b1, b2, b3, b4 and 4 more" in problem


def test_dark_none_goes_without_even_where_there_are_darks(setup_with):
    found, problems = matched(setup_with('[reduction]\ndark = "none"\n'), BEAM, BIAS, DARK)
    assert not problems
    (beam,) = found["b"].beam
    assert (names(beam.bias), beam.dark, beam.dark_use) == (["z"], (), "none")
    assert 'dark = "none"' in found["b"].notes["dark"]


def test_bias_and_dark_match_by_shape(setup_with):
    other = exposure("d2", "dark", 10.0)
    shapes = {"b": (10, 10), "d": (10, 10), "d2": (5, 5), "z": (10, 10)}
    found, _ = matched(setup_with(), BEAM, BIAS, DARK, other, shapes=shapes)
    assert names(found["b"].beam[0].dark) == ["d"]


def test_bias_and_dark_match_by_detector(setup_with):
    second = SETUP[SETUP.index("[detector]") :].replace("[detector]", "[detectors.wide]")
    rows = (
        BEAM,
        DARK,
        exposure("w", "beam", detector="wide"),
        exposure("wd", "dark", detector="wide"),
    )
    found, problems = matched(setup_with(detector=second), *rows)
    assert not problems
    assert names(found["b"].beam[0].dark) == ["d"]
    assert names(found["w"].beam[0].dark) == ["wd"]
    assert found["w"].detector.name == "wide"


def test_a_counting_detector_needs_no_dark(setup_with):
    counting = '[detectors.wide]\npixel_size = "0.1 mm"\nmode = "counting"\n'
    lone = exposure("w", "beam", detector="wide")
    found, problems = matched(setup_with(detector=counting), lone)
    assert not problems
    assert found["w"].beam[0].dark_use == "none"
    assert "counts photons" in found["w"].notes["calibration"]


def test_flats_of_another_time_get_darks_of_their_own(setup_with):
    flat, dark = exposure("f", "flat", 2.0), exposure("fd", "dark", 2.0)
    found, problems = matched(setup_with(), BEAM, DARK, flat, dark)
    assert not problems
    (beam,) = found["b"].beam
    assert (names(beam.flat), names(beam.dark), names(beam.flat_dark)) == (
        ["f"],
        ["d"],
        ["fd"],
    )
    _, problems = matched(setup_with(), BEAM, DARK, flat)
    assert any(problem.startswith("exposures.ecsv: exposure f:") for problem in problems)


def test_flats_of_the_same_energy_are_preferred(setup_with):
    other = exposure("f8", "flat", energy=8 * u.keV)
    same = exposure("f4", "flat", energy=4.511 * u.keV)
    found, _ = matched(setup_with(), BEAM, BIAS, DARK, other, same)
    assert names(found["b"].beam[0].flat) == ["f4"]
    found, _ = matched(setup_with(), BEAM, BIAS, DARK, other)
    assert names(found["b"].beam[0].flat) == ["f8"]
    assert "another energy" in found["b"].notes["flat"]


def test_no_flat_is_noted(setup_with):
    assert "flat = 1" in matched(setup_with(), BEAM, BIAS, DARK)[0]["b"].notes["flat"]


# Background.


@pytest.mark.parametrize(
    ("cells", "serves"),
    [
        ({}, True),
        ({"energy": 4.511 * u.keV}, True),
        ({"energy": 4511 * u.eV}, True),
        ({"energy": 4.512 * u.keV}, False),
        ({"aperture": "full"}, True),
        ({"aperture": "Q1"}, False),
        ({"detector": "wide"}, False),
    ],
)
def test_a_background_serves_the_same_energy_aperture_and_detector(
    setup_with, cells, serves
):
    wide = '[detectors.wide]\npixel_size = "0.1 mm"\nmode = "counting"\n'
    off = exposure("off", "background", **cells)
    found, _ = matched(setup_with(detector=wide), BEAM, BIAS, DARK, off)
    assert (of(found["b"].background) == ["off"]) is serves
    assert ("background" in found["b"].notes) is not serves


def test_a_background_is_calibrated_itself(setup_with):
    off = exposure("off", "background", 20.0)
    found, problems = matched(setup_with(), BEAM, BIAS, DARK, off)
    assert not problems
    assert names(found["b"].background[0].dark) == ["d"]


def test_a_named_background_is_the_one_used(setup_with):
    beam = exposure("b", "beam", background="OFF2")
    offs = [exposure(f"off{i}", "background", energy=8 * u.keV) for i in (1, 2)]
    found, problems = matched(setup_with(), beam, BIAS, DARK, *offs)
    assert not problems
    assert of(found["b"].background) == ["off2"]
    assert found["b"].beam[0].background == ("off2",)


def test_a_background_may_be_named_by_its_group(setup_with):
    beam = exposure("b", "beam", background="offs")
    offs = [exposure(f"off{i}", "background", group="offs") for i in (1, 2)]
    found, _ = matched(setup_with(), beam, BIAS, DARK, *offs)
    assert of(found["b"].background) == ["off1", "off2"]


@pytest.mark.parametrize(
    ("name", "words"), [("none", "'none', which is no row"), ("d", "'d', a dark row")]
)
def test_a_name_that_is_no_background_is_an_error(setup_with, name, words):
    beam = exposure("b", "beam", background=name)
    _, problems = matched(setup_with(), beam, BIAS, DARK)
    (problem,) = problems
    assert problem.startswith(
        "exposures.ecsv: exposure b, column background: found " + words
    )


def test_a_named_background_of_another_shape_is_an_error(setup_with):
    beam = exposure("b", "beam", background="off")
    off = exposure("off", "background")
    shapes = {"b": (4, 4), "off": (5, 5)}
    setup = setup_with('[reduction]\ndark = "none"\n')
    _, problems = matched(setup, beam, off, shapes=shapes)
    (problem,) = problems
    assert "another detector or frame shape" in problem


def test_background_exposure_needs_background_rows(setup_with):
    setup = setup_with('[reduction]\nbackground = "exposure"\n')
    _, problems = matched(setup, BEAM, BIAS, DARK)
    (problem,) = problems
    assert "no background row that serves measurement b" in problem


def test_scaling_by_the_monitor_needs_monitor_counts(setup_with):
    setup = setup_with('[reduction]\nbackground_scale = "monitor"\n')
    beam = exposure("b", "beam", monitor_counts=100.0)
    _, problems = matched(setup, beam, BIAS, DARK, exposure("off", "background"))
    (problem,) = problems
    assert "exposure off, column monitor_counts: found no monitor counts" in problem


# Direct beam.


def test_direct_rows_serve_whatever_aperture_angle_and_distance(setup_with):
    beam = exposure("b", "beam", aperture="Q1", off_axis=3 * u.arcmin)
    direct = exposure("o", "direct", detector_distance=900 * u.mm)
    found, problems = matched(setup_with(), beam, BIAS, DARK, direct)
    assert not problems
    assert of(found["b"].direct) == ["o"]
    assert "direct rows without background rows: o" in found["b"].notes["direct_background"]


def test_direct_rows_of_another_energy_do_not_serve(setup_with):
    direct = exposure("o", "direct", energy=8 * u.keV)
    found, _ = matched(setup_with(), BEAM, BIAS, DARK, direct)
    assert found["b"].direct == ()
    assert "areas are null" in found["b"].notes["direct"]


def test_each_direct_row_has_its_own_background(setup_with):
    """Whatever [reduction] background says."""
    directs = [exposure(f"o{i}", "direct", background=f"off{i}") for i in (1, 2)]
    offs = [exposure(f"off{i}", "background", aperture="open") for i in (1, 2)]
    setup = setup_with('[reduction]\nbackground = "none"\n')
    found, problems = matched(setup, BEAM, BIAS, DARK, *directs, *offs)
    assert not problems
    assert [row.background for row in found["b"].direct] == [("off1",), ("off2",)]
    assert of(found["b"].direct_background) == ["off1", "off2"]
    assert found["b"].background == ()


def test_a_counter_is_paired_with_counters(setup_with):
    reading = {"file": "", "counts": 9.0, "live_time": 9 * u.s}
    direct = exposure("o", "direct", **reading)
    frame_off = exposure("off", "background")
    counter_off = exposure("off-c", "background", **reading)
    found, problems = matched(
        setup_with(), BEAM, BIAS, DARK, direct, frame_off, counter_off
    )
    assert not problems
    assert of(found["b"].background) == ["off"]
    assert of(found["b"].direct_background) == ["off-c"]
    assert found["b"].direct[0].dark_use == "none"
