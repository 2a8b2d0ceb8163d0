import pickle

import astropy.units as u
import numpy as np
import pytest

from beamreduce.campaign.setup_file import draft_setup, read_setup
from beamreduce.errors import CampaignError
from tests.folders import SETUP


def write(folder, text, encoding="utf-8"):
    (folder / "campaign.toml").write_text(text, encoding=encoding)
    return folder


def replaced(old, new):
    assert old in SETUP
    return SETUP.replace(old, new)


def problems_of(folder, text):
    """Errors of a setup as (item, whole text)."""
    with pytest.raises(CampaignError, match=r"campaign\.toml") as caught:
        read_setup(write(folder, text))
    return {problem.item: str(problem) for problem in caught.value.problems}


def test_every_required_key_is_read(tmp_path):
    setup = read_setup(write(tmp_path, SETUP))
    assert setup.name == "small"
    assert setup.facility.source_distance == 86 * u.m
    assert setup.facility.source_diameter == 0.5 * u.mm
    assert setup.mirror.focal_length == 5.2 * u.m
    assert setup.mirror.reflector_thickness == 0.17 * u.mm
    assert setup.mirror.gap == 0 * u.mm
    assert setup.mirror.coating == "Au"
    detector = setup.detectors[""]
    assert detector.pixel_size == 20 * u.um
    assert detector.gain == 2 * u.electron / u.adu
    assert detector.saturation == 60000 * u.adu
    assert detector.fano_factor == 0.115
    assert setup.uncertainties == {"facility.source_distance": 5 * u.mm}
    assert setup.facility.uncertainties == {"source_distance": 5 * u.mm}


def test_reduction_has_the_defaults_of_the_format(tmp_path):
    reduction = read_setup(write(tmp_path, SETUP)).reduction
    assert reduction.center == "centroid"
    assert reduction.background is None
    assert reduction.reference_radius is None
    assert reduction.random_seed == 1
    assert reduction.bootstrap_replicates == 1000
    assert reduction.filled_fraction_limit == 0.05
    assert reduction.background_scale == "time"
    assert reduction.cosmic_rays == "none"
    assert reduction.dark is None


def test_optional_keys_are_read(tmp_path):
    text = SETUP + (
        'electrons_per_photon = [["8 keV", "2190 electron"], ["1.5 keV", 400]]\n'
        'line_width = [["1500 eV", "80 eV"], ["8 keV", "0.15 keV"]]\n'
        'x_flipped = true\nrotation = "-0.5 rad"\nlinearity = 0.001\n'
        'gain_uncertainty = "0.02 electron/adu"\nfano_factor_uncertainty = 0.01\n'
        "[detectors.wide]\n"
        'pixel_size = "0.1 mm"\nmode = "counting"\npixel_size_uncertainty = "10 nm"\n'
        '[quadrants]\nQ1 = ["0 deg", "90 deg"]\n'
        "[cards]\n"
        'exposure_time = "exptime"\n'
        "[reduction]\n"
        'reference_radius = "6 mm"\nbackground = "annulus"\ncenter = [31, 30.5]\n'
        'annulus_inner = "6 mm"\nannulus_outer = "0.8 cm"\nsurface_box = 32\n'
        'dark = "none"\nrandom_seed = 0\n'
    )
    setup = read_setup(write(tmp_path, text))
    detector = setup.detectors[""]
    energies, electrons = detector.electrons_per_photon
    np.testing.assert_allclose(energies.to_value(u.keV), [1.5, 8.0])
    np.testing.assert_allclose(electrons.to_value(u.electron), [400, 2190])
    np.testing.assert_allclose(detector.line_width[1].to_value(u.eV), [80, 150])
    assert detector.x_flipped is True
    assert detector.rotation.to_value(u.rad) == pytest.approx(-0.5)
    assert detector.uncertainties["fano_factor"] == 0.01
    assert setup.detectors["wide"].mode == "counting"
    assert setup.detectors["wide"].name == "wide"
    assert setup.detectors["wide"].gain is None
    assert setup.uncertainties["detectors.wide.pixel_size"] == 10 * u.nm
    assert setup.uncertainties["detector.gain"] == 0.02 * u.electron / u.adu
    assert setup.quadrants == {"Q1": (0 * u.deg, 90 * u.deg)}
    assert setup.cards == {"exposure_time": "EXPTIME"}
    assert setup.reduction.center == (31.0, 30.5)
    assert setup.reduction.annulus_outer == 8 * u.mm
    assert setup.reduction.surface_box == 32
    assert setup.reduction.dark == "none"
    assert setup.reduction.random_seed == 0


@pytest.mark.parametrize(
    ("table", "key", "value", "declared"),
    [
        ("mirror", "gap", '"1 mm"', '"10 um"'),
        ("mirror", "bar_count", "24", "0"),
        ("mirror", "roughness", None, '"0.1 nm"'),
        ("facility", "monitor_efficiency", "0.9", "0.02"),
        ("facility", "monitor_area", '"1 cm2"', '"1 mm2"'),
        ("detector", "electron_energy", None, '"0.01 eV"'),
        ("detector", "rotation", '"90 deg"', '"1 arcmin"'),
        ("detector", "line_width", '"130 eV"', '"5 eV"'),
        ("detector", "electrons_per_photon", '[["1 keV", 270]]', '"3 electron"'),
    ],
)
def test_any_numeric_key_may_have_an_uncertainty(tmp_path, table, key, value, declared):
    lines = f"{key}_uncertainty = {declared}\n"
    if value is not None:
        lines += f"{key} = {value}\n"
    setup = read_setup(write(tmp_path, replaced(f"[{table}]\n", f"[{table}]\n{lines}")))
    assert f"{table}.{key}" in setup.uncertainties
    assert setup.unknown_keys == ()


def test_a_setup_goes_to_another_process(tmp_path):
    setup = read_setup(write(tmp_path, SETUP))
    assert pickle.loads(pickle.dumps(setup)) == setup


def test_roughness_and_source_diameter_may_be_zero(tmp_path):
    text = replaced('"0.5 nm"', '"0 nm"').replace('"0.5 mm"', '"0 mm"')
    assert read_setup(write(tmp_path, text)).mirror.roughness == 0 * u.nm


def test_a_counting_detector_needs_no_charge_keys(tmp_path):
    head = SETUP[: SETUP.index("[detector]")]
    text = head + '[detector]\npixel_size = "55 um"\nmode = "counting"\n'
    detector = read_setup(write(tmp_path, text)).detectors[""]
    assert not detector.integrating
    assert detector.gain is None


def test_windows_line_ends_and_byte_order_mark_are_read(tmp_path):
    write(tmp_path, SETUP.replace("\n", "\r\n"), encoding="utf-8-sig")
    assert read_setup(tmp_path).name == "small"


def test_a_syntax_error_names_the_line(tmp_path):
    found = problems_of(
        tmp_path, replaced('focal_length = "5.2 m"', "focal_length = 5.2 m")
    )
    line = 1 + SETUP.splitlines().index('focal_length = "5.2 m"')
    (item,) = found
    assert item.startswith(f"line {line}, column ")
    assert "TOML syntax error" in found[item]


def test_an_unfinished_file_is_a_syntax_error(tmp_path):
    with pytest.raises(CampaignError, match=r"end of document|line 24"):
        read_setup(write(tmp_path, SETUP + "[cards"))


@pytest.mark.parametrize(
    ("value", "words"),
    [("9" * 5000, "thousands of digits"), ("[" * 5000 + "]" * 5000, "too deeply")],
    ids=["digits", "depth"],
)
def test_a_file_that_overflows_the_reader_is_one_problem(tmp_path, value, words):
    (found,) = problems_of(tmp_path, SETUP + f"linearity = {value}\n").values()
    assert words in found


@pytest.mark.parametrize(
    "value", ['"5.2"', "5.2", '"5.2 s"', '"-5.2 m"', '"0 m"', '"nan m"', "nan", '""', '"m"',
              '"5 200 mm"', '"5,2 m"', '"5.2 furlong"', "true", '["5.2 m"]'],
)  # fmt: skip
def test_a_bad_length_names_its_key_path(tmp_path, value):
    found = problems_of(
        tmp_path, replaced('focal_length = "5.2 m"', f"focal_length = {value}")
    )
    assert list(found) == ["mirror.focal_length"]
    assert (
        'expected a length above zero, number and unit in one string such as "5.2 m"'
        in (found["mirror.focal_length"])
    )


@pytest.mark.parametrize(
    ("key", "value", "expected"),
    [
        ("mirror.roughness", '"-1 nm"', "of zero or more"),
        ("mirror.coating", "79", "a text in quotes"),
        ("detector.mode", '"event"', '"integrating", "counting"'),
        ("detector.gain", '"2 electron"', "electron / adu"),
        ("detector.saturation", "60000", "adu"),
        ("detector.fano_factor", '"0.1"', "a bare number"),
        ("detector.x_flipped", '"yes"', "true or false"),
        ("detector.electrons_per_photon", '"400 electron"', "list of pairs"),
        ("detector.electrons_per_photon", '[["1 keV"]]', "list of pairs"),
        ("detector.line_width", '[["1 keV","9 eV"],["1000 eV","9 eV"]]', "energy once"),
        ("detector.pixel_size_uncertainty", '"-1 um"', "of zero or more"),
        ("facility.monitor_efficiency", "1.5", "above 0 and up to 1"),
        ("mirror.bar_count", "2.5", "a whole number"),
        ("mirror.roughness_model", '"other"', "nevot_croce"),
        ("reduction.background", '"median"', "wings"),
        ("reduction.center", "[1]", r"[x, y] in pixels"),
        ("reduction.center", '"peak"', "centroid"),
        ("reduction.random_seed", "1.0", "a whole number"),
        ("reduction.random_seed", "-1", "from 0 to 9223372036854775807"),
        ("reduction.random_seed", str(2**63), "from 0 to 9223372036854775807"),
        ("reduction.random_seed", "9" * 400, "from 0 to 9223372036854775807"),
        ("reduction.bootstrap_replicates", "1", "from 2 to 20000"),
        ("reduction.bootstrap_replicates", "20001", "from 2 to 20000"),
        ("reduction.surface_box", "100001", "pixels from 1 to 100000"),
        ("reduction.surface_box", "0", "pixels from 1 to 100000"),
        ("mirror.bar_count", "10001", "from 0 to 10000"),
        ("detector.linearity", "9" * 400, "a bare number of zero or more"),
        ("reduction.dark", '"dark-1"', '"none"'),
        ("reduction.surface_box", '"3 s"', "a whole number of pixels"),
        ("reduction.filled_fraction_limit", "nan", "from 0 to 1"),
        ("reduction.reference_radius", "6", "a length above zero"),
        ("quadrants.Q1", '["0 deg"]', "two azimuths"),
        ("cards.energy", "3", "a text in quotes"),
        ("cards.file", '"NAME"', "in every row of exposures.ecsv"),
    ],
)
def test_a_bad_value_names_its_key_path(tmp_path, key, value, expected):
    table, name = key.split(".")
    lines = [line for line in SETUP.splitlines() if not line.startswith(f"{name} ")]
    if f"[{table}]" in lines:
        lines.insert(lines.index(f"[{table}]") + 1, f"{name} = {value}")
    else:
        lines += [f"[{table}]", f"{name} = {value}"]
    found = problems_of(tmp_path, "\n".join(lines))
    assert list(found) == [key]
    assert expected in found[key]


@pytest.mark.parametrize(
    "line", [line for line in SETUP.splitlines() if " = " in line and "uncert" not in line]
)
def test_each_required_key_is_missed(tmp_path, line):
    found = problems_of(tmp_path, replaced(line + "\n", ""))
    (item,) = found
    assert item.endswith(line.split(" = ")[0])
    assert "found nothing" in found[item]
    assert "add the key" in found[item]


@pytest.mark.parametrize("table", ["campaign", "facility", "mirror", "detector"])
def test_each_required_table_is_missed(tmp_path, table):
    found = problems_of(tmp_path, replaced(f"[{table}]", f"[{table}s]"))
    assert "found nothing" in found[table]


def test_a_value_in_place_of_a_table(tmp_path):
    assert (
        "write it as a table"
        in problems_of(tmp_path, "reduction = 3\n" + SETUP)["reduction"]
    )


def test_another_version_is_refused(tmp_path):
    found = problems_of(
        tmp_path, replaced("beamreduce-campaign/1", "beamreduce-campaign/2")
    )
    assert '"beamreduce-campaign/1"' in found["format"]


def test_all_problems_come_at_once(tmp_path):
    text = (
        replaced('"5.2 m"', '"5.2"').replace('"86 m"', '"-86 m"').replace('"20 um"', "20")
    )
    assert set(problems_of(tmp_path, text)) == {
        "mirror.focal_length",
        "facility.source_distance",
        "detector.pixel_size",
    }


def test_swapped_radii_are_found(tmp_path):
    text = replaced('"70 mm"', '"300 mm"')
    assert "swapped" in problems_of(tmp_path, text)["mirror.inner_radius"]


def test_unknown_keys_are_kept_and_reported_but_not_fatal(tmp_path):
    text = replaced('coating = "Au"', 'coating = "Au"\nfocal_lenght = "5 m"')
    text += '[shutter]\nspeed = 3\n[cards]\noperator = "OBSERVER"\n'
    draft = draft_setup(write(tmp_path, text))
    assert set(draft.setup.unknown_keys) == {
        "mirror.focal_lenght",
        "shutter",
        "cards.operator",
    }
    assert draft.setup.unknown["shutter"] == {"speed": 3}
    hints = [str(problem) for problem in draft.problems]
    assert all(problem.warning for problem in draft.problems)
    assert any("did you mean 'focal_length'?" in hint for hint in hints)


def test_charge_keys_of_a_counting_detector_are_reported_as_unused(tmp_path):
    draft = draft_setup(write(tmp_path, replaced('"integrating"', '"counting"')))
    items = {problem.item for problem in draft.problems}
    assert items == {
        f"detector.{key}" for key in ("gain", "read_noise", "electron_energy", "saturation")
    }
    assert draft.setup.detectors[""].gain is None


def test_a_missing_file_is_one_problem(tmp_path):
    with pytest.raises(CampaignError, match=r"campaign\.toml: found no such file"):
        read_setup(tmp_path)


def test_bytes_that_are_no_text(tmp_path):
    (tmp_path / "campaign.toml").write_bytes(b"name = '\xff\xfe'")
    with pytest.raises(CampaignError, match="not UTF-8 text"):
        read_setup(tmp_path)


def test_a_link_out_of_the_folder_is_refused(tmp_path):
    write(tmp_path, SETUP)
    inside = tmp_path / "campaign"
    inside.mkdir()
    (inside / "campaign.toml").symlink_to(tmp_path / "campaign.toml")
    with pytest.raises(CampaignError, match="link out of the campaign folder"):
        read_setup(inside)
