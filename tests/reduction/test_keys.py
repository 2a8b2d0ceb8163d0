"""Equal key, equal numbers: whatever a number depends on has to change the key."""

import os
import shutil
from dataclasses import fields, replace

import astropy.units as u
import pytest

from beamreduce.campaign import read_campaign
from beamreduce.campaign.columns import COLUMNS
from beamreduce.campaign.setup_tables import Reduction
from beamreduce.reduction import MeasureRequest
from beamreduce.reduction.configurations import configurations, result_keys
from beamreduce.reduction.keys import as_plain, exposures_of, measurement_key
from tests.folders import SETUP, changed, default_rows, row, write_campaign, write_rows

FRAMES = ("ti-1", "ti-2", "open-1", "off-1", "off-2", "bias-1", "bias-2", "dark-1",
          "dark-2", "flat-1")  # fmt: skip
ROWS = [
    {**cells, "monitor_counts": 900.0}
    for cells in (
        *default_rows(),
        row("flat-1", "flat", 1.0),
        row("al", "beam", energy=1.487),
        row("al-off", "background", energy=1.487),
    )
]
# Every key of the file that a number may depend on, and another value for it.
SETTINGS = {
    "facility": {
        "source_distance": '"86.1 m"',
        "source_distance_uncertainty": '"6 mm"',
        "source_diameter": '"0.4 mm"',
    },
    "mirror": {
        "focal_length": '"5.21 m"',
        "focal_length_uncertainty": '"1 mm"',
        "inner_radius": '"71 mm"',
        "outer_radius": '"189 mm"',
        "reflector_length": '"91 mm"',
        "reflector_thickness": '"0.16 mm"',
        "coating": '"Pt"',
        "roughness": '"0.4 nm"',
        "gap": '"1 mm"',
    },
    "detector": {
        "pixel_size": '"21 um"',
        "pixel_size_uncertainty": '"0.1 um"',
        "gain": '"2.1 electron/adu"',
        "gain_uncertainty": '"0.1 electron/adu"',
        "read_noise": '"7 electron"',
        "electron_energy": '"3.66 eV"',
        "saturation": '"59000 adu"',
        "fano_factor": "0.12",
        "electrons_per_photon": '[["1 keV", 270], ["5 keV", 1360]]',
    },
    "reduction": {
        "reference_radius": '"0.5 mm"',
        "background": '"annulus"',
        "center": "[31.0, 31.0]",
        "random_seed": "2",
        "annulus_inner": '"0.4 mm"',
        "annulus_outer": '"0.6 mm"',
        "surface_box": "8",
        "background_scale": '"monitor"',
        "dark": '"none"',
        "cosmic_rays": '"repeats"',
        "filled_fraction_limit": "0.06",
        "bootstrap_replicates": "999",
        "infinity_detector_distance": '"5.1 m"',
    },
}
# Another value for every column, of the exposure ti-1 alone where its group may differ.
CELLS = {
    "exposure": "renamed",
    "file": "frames/renamed.fits",
    "kind": None,  # another kind is another measurement; see below
    "exposure_time": 11.0,
    "energy": 4.6,
    "detector_distance": 5530.0,
    "group": "tix",
    "aperture": "Q1",
    "off_axis": 1.0,
    "azimuth": 10.0,
    "off_axis_by": "mirror_tilt",
    "monitor_counts": 1000.0,
    "monitor_time": 9.0,
    "monitor_background": 10.0,
    "monitor_dead_time_fraction": 0.01,
    "readouts": 5.0,
    "dead_time_fraction": 0.01,
    "filter_transmission": 0.9,
    "detector_efficiency": 0.9,
    "filter": "window",
    "line_fraction": 0.9,
    "background": "off-1",
    "detector": "other",
    "detector_x": 1.0,
    "detector_y": 1.0,
    "pre_collimator": True,
    "temperature": 20.0,
    "comment": "cloudy",
    "exposure_time_uncertainty": 0.1,
    "detector_distance_uncertainty": 0.1,
    "monitor_counts_uncertainty": 30.0,
}
COUNTER_ONLY = {"counts", "live_time", "collecting_area", "distance_from_source"}
WHOLE_GROUP = {"energy", "detector_distance", "group", "aperture", "off_axis", "azimuth",
               "detector"}  # fmt: skip


@pytest.fixture(scope="module")
def template(tmp_path_factory):
    return write_campaign(tmp_path_factory.mktemp("keys") / "c", rows=ROWS)


@pytest.fixture
def folder(tmp_path, template):
    return shutil.copytree(template, tmp_path / "c")


def requests_of(folder):
    campaign = read_campaign(folder)
    return [
        MeasureRequest(
            folder=folder,
            setup=campaign.setup,
            inputs=inputs,
            reference_radius=None,
            prescription=campaign.prescription,
        )
        for inputs in campaign.measurements
    ]


def keys(folder):
    """What each measurement depends on before anything is folded."""
    return {request.inputs.id: measurement_key(request) for request in requests_of(folder)}


def final_keys(folder):
    """What all its numbers depend on."""
    return result_keys(configurations(requests_of(folder)), keys(folder))


def test_the_same_campaign_elsewhere_has_the_same_keys(folder, tmp_path):
    copy = shutil.copytree(folder, tmp_path / "elsewhere")
    assert keys(copy) == keys(folder)


def test_order_times_and_name_do_not_matter(folder):
    before = keys(folder)
    write_rows(folder, ROWS[::-1])
    for path in (folder / "frames").iterdir():
        os.utime(path, (0, 0))
    text = SETUP.replace('name = "small"', 'name = "other"\n# a comment')
    (folder / "campaign.toml").write_text(text)
    assert keys(folder) == before


@pytest.mark.parametrize("frame", FRAMES)
def test_every_byte_of_every_frame_matters(folder, frame):
    """Even when size and time of change are those from before."""
    before = keys(folder)
    path = folder / "frames" / f"{frame}.fits"
    status, content = path.stat(), bytearray(path.read_bytes())
    content[3000] ^= 1
    path.write_bytes(content)
    os.utime(path, ns=(status.st_atime_ns, status.st_mtime_ns))
    assert keys(folder)["ti"] != before["ti"]


def test_frames_of_others_do_not_matter(folder):
    before = keys(folder)
    for frame in ("al", "al-off"):
        path = folder / "frames" / f"{frame}.fits"
        content = bytearray(path.read_bytes())
        content[3000] ^= 1
        path.write_bytes(content)
    after = keys(folder)
    assert after["ti"] == before["ti"]
    assert after["al"] != before["al"]


@pytest.mark.parametrize(
    ("table", "key"), [(table, key) for table, keys in SETTINGS.items() for key in keys]
)
def test_every_setting_matters(folder, table, key):
    before, before_the_fold = final_keys(folder)["ti"], keys(folder)["ti"]
    lines = [line for line in SETUP.splitlines() if line.split(" =")[0] != key]
    if table == "reduction":
        lines.append("[reduction]")
    lines.insert(lines.index(f"[{table}]") + 1, f"{key} = {SETTINGS[table][key]}")
    (folder / "campaign.toml").write_text("\n".join(lines))
    assert final_keys(folder)["ti"] != before
    only_folded = table in ("facility", "mirror") or key == "infinity_detector_distance"
    # Areas scale the direct beam with the distance of the source.
    only_folded &= key not in ("source_distance", "source_distance_uncertainty")
    assert (keys(folder)["ti"] == before_the_fold) == only_folded


def test_named_quadrants_matter_to_the_fold(folder):
    before, before_the_fold = final_keys(folder)["ti"], keys(folder)["ti"]
    named = f'{SETUP}[quadrants]\nQ1 = ["10 deg", "80 deg"]\n'
    (folder / "campaign.toml").write_text(named)
    assert final_keys(folder)["ti"] != before
    assert keys(folder)["ti"] == before_the_fold


def test_the_nestings_matter_to_the_fold(folder):
    request = requests_of(folder)[0]
    nestings = request.prescription.nestings
    fewer = replace(request.prescription, nestings=nestings[:-1])
    one, other = (
        result_keys(configurations([r]), {r.inputs.id: "measured"})
        for r in (request, replace(request, prescription=fewer))
    )
    assert one != other


def test_the_list_of_settings_is_whole():
    """A key that the format learns has to be put to the test here."""
    assert {field.name for field in fields(Reduction)} == set(SETTINGS["reduction"])


@pytest.mark.parametrize("column", sorted(set(CELLS) - {"kind"}))
def test_every_cell_of_a_row_matters(folder, column):
    before = set(keys(folder).values())
    value = CELLS[column]
    members = ("ti-1", "ti-2") if column in WHOLE_GROUP else ("ti-1",)
    rows = ROWS
    for member in members:
        rows = changed(rows, member, **{column: value})
    if column == "file":
        (folder / "frames/ti-1.fits").rename(folder / value)
    if column == "detector":
        table = SETUP[SETUP.index("[detector]") :].replace("detector", "detectors.other")
        (folder / "campaign.toml").write_text(f'{SETUP}{table}[reduction]\ndark = "none"\n')
        plain = keys(folder)
        before = set(plain.values())
    if column == "filter":
        layer = '[layers.window]\nmaterial = "Al"\nthickness = "5 um"\n'
        (folder / "campaign.toml").write_text(f"{SETUP}\n{layer}")
        before = set(keys(folder).values())
    write_rows(folder, rows)
    after = keys(folder)
    (beam,) = set(after) - {"al"}
    assert after[beam] not in before


def test_the_list_of_columns_is_whole():
    assert set(COLUMNS) == {c for c in CELLS if c in COLUMNS} | COUNTER_ONLY


@pytest.mark.parametrize(
    ("exposure", "column", "value"),
    [("off-1", "exposure_time", 12.0), ("dark-1", "exposure_time", 31.0),
     ("off-1", "monitor_counts", 5.0), ("open-1", "detector_distance", 5000.0)],
)  # fmt: skip
def test_cells_of_rows_that_serve_matter(folder, exposure, column, value):
    before = keys(folder)["ti"]
    write_rows(folder, changed(ROWS, exposure, **{column: value}))
    assert keys(folder)["ti"] != before


def test_background_frames_matter_only_where_they_are_used(folder):
    (folder / "campaign.toml").write_text(f'{SETUP}[reduction]\nbackground = "wings"\n')
    campaign = read_campaign(folder)
    (inputs,) = [m for m in campaign.measurements if m.id == "al"]
    request = MeasureRequest(
        folder=folder, setup=campaign.setup, inputs=inputs, reference_radius=None
    )
    assert {e.exposure for e in exposures_of(request)} == {
        "al", "bias-1", "bias-2", "dark-1", "dark-2", "flat-1",
    }  # fmt: skip


def test_the_reference_radius_of_the_campaign_matters(folder):
    campaign = read_campaign(folder)
    request = MeasureRequest(
        folder=folder,
        setup=campaign.setup,
        inputs=campaign.measurements[0],
        reference_radius=0.5 * u.mm,
    )
    other = replace(request, reference_radius=0.501 * u.mm)
    assert measurement_key(request) != measurement_key(other)


def test_settings_become_text_that_keeps_every_digit():
    assert as_plain(0.1 * u.mm) == "0.1 mm"
    assert as_plain((1 / 3) * u.m) == f"{1 / 3!r} m"
    assert as_plain([1.0, 2.0] * u.keV) == ["1.0 keV", "2.0 keV"]
    assert as_plain(2 * u.one) == 2.0
    assert as_plain({"b": (1, None), "a": True}) == {"a": True, "b": [1, None]}
