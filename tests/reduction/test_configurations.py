"""What is folded together, what it is called, and what its key depends on."""

import re

import astropy.units as u
import pytest

from beamreduce.campaign import read_campaign
from beamreduce.reduction import MeasureRequest
from beamreduce.reduction.configurations import (
    ConfigurationName,
    configurations,
    result_keys,
)
from tests.folders import SETUP, row, write_campaign

OTHER = SETUP[SETUP.index("[detector]") :].replace("[detector]", "[detectors.wide]")
FULL = {"aperture": "full"}


def requests(folder, *beam):
    """Requests of a campaign with these beam rows; frames are too small for anything."""
    setup = f'{SETUP}{OTHER}[reduction]\ndark = "none"\nbackground = "wings"\n'
    bias = [row("bias", "bias", 0.0), row("bias-wide", "bias", 0.0, detector="wide")]
    rows = [*beam, *bias]
    campaign = read_campaign(write_campaign(folder, setup=setup, rows=rows, shape=(8, 8)))
    return [
        MeasureRequest(
            folder=campaign.folder,
            setup=campaign.setup,
            inputs=inputs,
            reference_radius=None,
            prescription=campaign.prescription,
        )
        for inputs in campaign.measurements
    ]


def grouped(made):
    """Ids of every configuration, in no order."""
    return {frozenset(one.ids) for one in made}


def test_distances_and_energies_are_folded_together(tmp_path):
    made = configurations(
        requests(
            tmp_path / "c",
            row("near", "beam", detector_distance=5500.0, **FULL),
            row("far", "beam", detector_distance=5600.0, **FULL),
            row("al", "beam", energy=1.487, **FULL),
        )
    )
    assert grouped(made) == {frozenset({"near", "far", "al"})}
    (one,) = made
    assert one.name.text == one.name.file_name == "full"
    assert one.quadrants == ()


@pytest.mark.parametrize(
    ("cells", "name"),
    [
        ({"aperture": "Q2"}, "Q2"),
        ({"off_axis": 2.0}, "full+2arcmin"),
        ({"off_axis": 2.0, "azimuth": 45.0}, "full+2arcmin+45deg"),
        ({"detector": "wide"}, "full+wide"),
        ({"pre_collimator": True}, "full+blades"),
        ({"pre_collimator": False}, "full+bare"),
    ],
)
def test_what_keeps_measurements_apart(tmp_path, cells, name):
    a, b = row("a", "beam", **FULL), row("b", "beam", **{**FULL, **cells})
    made = configurations(requests(tmp_path / "c", a, b))
    assert grouped(made) == {frozenset({"a"}), frozenset({"b"})}
    assert {one.name.text for one in made} == {"full", name}


def test_on_the_axis_there_is_no_azimuth(tmp_path):
    rows = [row("a", "beam", azimuth=10.0, **FULL), row("b", "beam", azimuth=20.0, **FULL)]
    made = configurations(requests(tmp_path / "c", *rows))
    assert grouped(made) == {frozenset({"a", "b"})}
    assert made[0].name.azimuth_deg is None


def test_azimuths_off_the_axis_are_kept_apart(tmp_path):
    rows = [
        row("a", "beam", off_axis=3.0, azimuth=10.0, **FULL),
        row("b", "beam", off_axis=3.0, azimuth=190.0, **FULL),
    ]
    assert len(configurations(requests(tmp_path / "c", *rows))) == 2


def test_single_quadrants_go_with_the_whole_mirror(tmp_path):
    """On the axis and off it; not at another detector, nor when off the axis themselves."""
    made = configurations(
        requests(
            tmp_path / "c",
            row("whole", "beam", **FULL),
            row("tilted", "beam", off_axis=2.0, **FULL),
            row("wide", "beam", detector="wide", **FULL),
            row("q1", "beam", aperture="Q1"),
            row("q1-near", "beam", aperture="Q1", detector_distance=5500.0),
            row("q2", "beam", aperture="Q2"),
            row("q3-tilted", "beam", aperture="Q3", off_axis=2.0),
        )
    )
    of = {one.ids[0]: {r.inputs.id for r in one.quadrants} for one in made}
    assert of.pop("whole") == of.pop("tilted") == {"q1", "q1-near", "q2"}
    assert not any(of.values())
    # What waits for others comes last.
    assert [one.ids[0] for one in made[-2:]] == ["whole", "tilted"]
    assert [one.wave for one in made[-2:]] == [1, 2]


def test_off_the_axis_the_same_opening_on_it_tells_of_the_surfaces(tmp_path):
    made = configurations(
        requests(
            tmp_path / "c",
            row("tilted", "beam", off_axis=2.0, azimuth=10.0, **FULL),
            row("q1-tilted", "beam", aperture="Q1", off_axis=2.0),
            row("wide-tilted", "beam", detector="wide", off_axis=2.0, **FULL),
            row("whole", "beam", **FULL),
            row("near", "beam", detector_distance=5500.0, **FULL),
            row("q1", "beam", aperture="Q1"),
        )
    )
    by_first = {identity: one for one in made for identity in one.ids}
    assert by_first["tilted"].on_axis == by_first["whole"]
    assert by_first["q1-tilted"].on_axis == by_first["q1"]
    assert by_first["wide-tilted"].on_axis is None  # nothing on the axis at that detector
    assert by_first["whole"].on_axis is None
    for waiting, first in (("tilted", "whole"), ("q1-tilted", "q1")):
        assert made.index(by_first[waiting]) > made.index(by_first[first])


def test_keys_off_the_axis_depend_on_what_was_measured_on_it(tmp_path):
    made = configurations(
        requests(
            tmp_path / "c",
            row("tilted", "beam", off_axis=2.0, **FULL),
            row("whole", "beam", **FULL),
        )
    )
    before = result_keys(made, {"tilted": "t", "whole": "w"})
    after = result_keys(made, {"tilted": "t", "whole": "other"})
    assert before["tilted"] != after["tilted"]
    after = result_keys(made, {"tilted": "other", "whole": "w"})
    assert before["whole"] == after["whole"]


def test_names_become_parts_of_file_names():
    """Apertures may be any text; two that look alike as files stay two."""
    names = ["half / left", "half _ left", "ä" * 80, "../../up", "Q1"]
    files = [
        ConfigurationName(
            aperture=name,
            off_axis_arcmin=0.0,
            azimuth_deg=None,
            detector="",
            pre_collimator=None,
        ).file_name
        for name in names
    ]
    assert files[-1] == "Q1"
    assert len(set(files)) == len(files)
    assert all(re.fullmatch(r"[A-Za-z0-9_.+-]{1,60}", name) for name in files)


@pytest.fixture
def folded_keys(tmp_path):
    """Keys of a whole mirror at two distances, a tilted one, and a quadrant."""
    made = configurations(
        requests(
            tmp_path / "c",
            row("near", "beam", detector_distance=5500.0, **FULL),
            row("far", "beam", detector_distance=5600.0, **FULL),
            row("tilted", "beam", off_axis=2.0, **FULL),
            row("q1", "beam", aperture="Q1"),
        )
    )

    def keys(**changes):
        names = ("near", "far", "tilted", "q1")
        return result_keys(made, {name: changes.get(name, name) for name in names})

    return keys


@pytest.mark.parametrize(
    ("changed", "folded"),
    [
        ("near", {"near", "far", "tilted"}),  # on the axis: tells of the surfaces
        ("tilted", {"tilted"}),
        ("q1", {"q1", "near", "far", "tilted"}),  # its image displaces the whole mirror's
    ],
)
def test_what_is_folded_with_a_changed_measurement_changes(folded_keys, changed, folded):
    before, after = folded_keys(), folded_keys(**{changed: "another"})
    assert {name for name in before if before[name] != after[name]} == folded


def test_measurements_that_are_folded_together_have_keys_of_their_own(folded_keys):
    keys = folded_keys()
    assert len(set(keys.values())) == len(keys)


def test_azimuth_is_in_degrees_and_tilt_in_minutes(tmp_path):
    (request,) = requests(
        tmp_path / "c", row("a", "beam", off_axis=1.5, azimuth=30.0, **FULL)
    )
    name = ConfigurationName.of(request.inputs)
    assert name.off_axis_arcmin == pytest.approx(request.inputs.off_axis.to_value(u.arcmin))
    assert (name.off_axis_arcmin, name.azimuth_deg) == pytest.approx((1.5, 30.0))
