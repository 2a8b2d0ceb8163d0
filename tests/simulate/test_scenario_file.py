import astropy.units as u
import pytest

from beamreduce.errors import SettingsError
from beamreduce.simulate import is_reflector_scenario, packaged_scenarios, read_scenario


def test_packaged_scenarios_are_found_by_name_and_can_be_read():
    names = packaged_scenarios()
    assert {"demo", "reflectors", "saturated", "small"} <= set(names)
    assert names == tuple(sorted(names))
    assert is_reflector_scenario("reflectors")
    for name in set(names) - {"reflectors"}:
        assert not is_reflector_scenario(name)
        scenario = read_scenario(name)
        assert scenario.name == name
        assert scenario.campaign["mirror"]["coating"] == "Au"


def test_the_demo_has_everything_a_campaign_can_have():
    scenario = read_scenario("demo")
    kinds = {item.kind for item in scenario.exposures}
    assert kinds == {"beam", "direct", "background", "dark", "bias", "flat"}
    beam = [item for item in scenario.exposures if item.kind == "beam"]
    assert {item.line for item in beam} == {"Al", "Ti", "Cu"}
    assert {item.aperture for item in beam} == {"", "Q1", "Q2", "Q3", "Q4"}
    assert len({item.detector_distance for item in beam}) == 5
    angles = {
        (item.off_axis_by, float(item.off_axis.to_value(u.arcmin)))
        for item in beam
        if item.off_axis is not None
    }
    assert angles == {("mirror_tilt", 3), ("mirror_tilt", 6), ("source_shift", 1.5)}
    assert scenario.sensor.columns == scenario.sensor.rows == 1024
    assert scenario.truth.photons >= 2_000_000
    assert {"x_flipped", "rotation"} <= scenario.campaign["detector"].keys()


def test_synthetic_data_can_be_read(pytestconfig):
    files = sorted((pytestconfig.rootpath / "synthetic_data").glob("*.toml"))
    assert files
    for file in files:
        assert read_scenario(file).exposures


def test_values_come_with_their_units(tiny_file):
    scenario = read_scenario(tiny_file)
    assert scenario.lines["Ti"].energy == 4.511 * u.keV
    assert scenario.figure.shift_Q1[0] == 0.04 * u.mm
    assert scenario.exposures[3].detector_distance == 5.544 * u.m


def test_a_given_seed_goes_before_the_scenarios_own(tiny_file):
    assert read_scenario(tiny_file).seed == 4711
    assert read_scenario(tiny_file, seed=5).seed == 5


def test_every_problem_is_told_at_once(tmp_path, scenario_text):
    changes = {
        'core_slope = "12 arcsec"': 'core_slope = "12"',
        "tail_share = 0.2": "tail_share = 2",
        "columns = 256": "columns = 2.5",
        'kind = "dark"': 'kind = "darkness"',
        "drift = 0.02": "drift = 0.02\nwobble = 1",
        'scatter_width = "40 arcsec"': "",
        "image_center = [131.4, 122.2]": "image_center = [131.4]",
        "seed = 4711": "seed = -1",
    }
    for old, new in changes.items():
        assert old in scenario_text
        scenario_text = scenario_text.replace(old, new)
    file = tmp_path / "wrong.toml"
    file.write_text(scenario_text)
    with pytest.raises(SettingsError, match=r"core_slope must be") as caught:
        read_scenario(file)
    lines = str(caught.value).splitlines()
    assert len(lines) == len(changes)
    assert all(line.startswith(str(file)) for line in lines)
    for words in (
        "made.figure.tail_share must be a number from 0 to 1; got 2",
        "made.sensor.columns must be a whole number of at least 16; got 2.5",
        "made.exposures[2].kind must be one of beam, direct,",
        "made.monitor.wobble is not known",
        "made.figure.scatter_width is missing",
        "made.sensor.image_center must be a list of two",
        "seed must be a whole number",
    ):
        assert words in str(caught.value)


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ('name = "dark"', 'name = "BIAS"', "the name 'bias' is there 2 times"),
        ('detector_distance = "5560 mm"', "", "quadrant: detector_distance is missing"),
        ('exposure_time = "20 s"', 'exposure_time = "0 s"', "only a bias may have none"),
        ('line = "Ti"', 'line = "Fe"', "line 'Fe' is not in"),
        ('line = "Ti"', "", "line is missing; expected one of Al, Ti"),
        ('kind = "bias"', 'kind = "bias"\nazimuth = "1 deg"', "for kind beam only"),
    ],
)
def test_exposures_that_cannot_be_taken(tmp_path, scenario_text, old, new, words):
    file = tmp_path / "wrong.toml"
    file.write_text(scenario_text.replace(old, new))
    with pytest.raises(SettingsError) as caught:
        read_scenario(file)
    assert words in str(caught.value)


def test_what_is_no_scenario(tmp_path):
    with pytest.raises(
        SettingsError, match=r"nowhere: no scenario .* demo, .*reflectors, saturated, small"
    ):
        read_scenario("nowhere")
    file = tmp_path / "a.toml"
    file.write_text("format = \n")
    with pytest.raises(SettingsError, match=r"not TOML: .*line 1"):
        read_scenario(file)
    file.write_text('format = "beamreduce-campaign/1"\nseed = 1\nmade = 3\n')
    with pytest.raises(SettingsError, match=r"format must be .*\n.*made must be a table"):
        read_scenario(file)
    file.write_text('format = "beamreduce-scenario/1"\nseed = 1\n')
    with pytest.raises(SettingsError, match=r"\[\[made.exposures\]\] must be there"):
        read_scenario(file)
