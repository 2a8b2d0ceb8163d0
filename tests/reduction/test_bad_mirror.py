"""Mirrors and beamlines that cannot be, through the commands: one clear message, or null.

What no number can come from is refused before any frame is read; what only the answer at
infinity needs leaves it null with its reason, and the measured image stands.
"""

import math
import re
import shutil
from pathlib import Path

import astropy.units as u
import pytest
from astropy.table import Table

from beamreduce.mirror import MirrorDesign, nestings_from_design
from beamreduce.reduction.infinity_results import NO_ANSWER
from beamreduce.simulate import simulate_campaign
from tests.reduction.refusals import assert_refused, edit_setup, text_of
from tests.reduction.runs import command, draw_nothing
from tests.reduction.schema import check_results

SCENARIO = Path(__file__).with_name("few_nestings.toml")
NEST = nestings_from_design(
    MirrorDesign(
        focal_length=5.2 * u.m,
        inner_radius=70 * u.mm,
        outer_radius=72 * u.mm,
        reflector_length=90 * u.mm,
        reflector_thickness=0.17 * u.mm,
        coating="Au",
        roughness=0 * u.nm,
    )
).nestings
UNITS = {
    "radius": "mm", "primary_angle": "deg", "secondary_angle": "deg",
    "primary_length": "mm", "secondary_length": "mm", "gap": "mm", "thickness": "mm",
}  # fmt: skip
BOTH = ("reduce", "inspect")


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    """Two distances on the axis; nobody writes into it."""
    folder = tmp_path_factory.mktemp("mirror") / "c"
    simulate_campaign(SCENARIO, folder)
    return folder


@pytest.fixture
def own(made, tmp_path, monkeypatch):
    """A copy to spoil, in the folder the commands run in."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr("beamreduce.reduction.draw.draw_measurement", draw_nothing)
    return shutil.copytree(made, tmp_path / "c")


def save_nestings(folder, **cells):
    """The nest of the design as a file, single cells {column: (row, value)} changed."""
    table = Table(
        {
            "nesting": [n.number for n in NEST],
            "radius": [n.radius_mm for n in NEST],
            "primary_angle": [math.degrees(n.primary_angle_rad) for n in NEST],
            "secondary_angle": [math.degrees(n.secondary_angle_rad) for n in NEST],
            "primary_length": [90.0] * len(NEST),
            "secondary_length": [90.0] * len(NEST),
            "gap": [0.0] * len(NEST),
            "thickness": [0.17] * len(NEST),
            "coating": ["Au".ljust(12)] * len(NEST),
        }
    )
    for name, unit in UNITS.items():
        table[name].unit = unit
    for column, (row, value) in cells.items():
        table[column][row] = value
    table.write(folder / "nestings.ecsv", format="ascii.ecsv")


def set_cells(folder, column, value):
    """Give all exposures of light the same value in a column."""
    table = Table.read(folder / "exposures.ecsv", format="ascii.ecsv")
    table[column][table["kind"] == "beam"] = value
    table.write(folder / "exposures.ecsv", format="ascii.ecsv", overwrite=True)


# ---- refused before any frame is read


@pytest.mark.parametrize(
    ("cells", "words"),
    [
        ({"radius": (2, NEST[1].radius_mm + 0.1)},
         ["nestings 2 and 3: found 0.10.. mm between", "room for a foil of 0.17 mm"]),
        ({"secondary_length": (2, 9000.0)},
         ["nesting 3: found a secondary whose rear end", "does not cross the axis"]),
        ({"radius": (1, NEST[2].radius_mm + 1)},
         ["nestings 2 and 3: found radii .* out of order", "from the inside out"]),
        ({"secondary_angle": (0, 0.1)}, ["nesting 1: found primary_angle", "swapped"]),
    ],
    ids=["overlap", "across the axis", "out of order", "angles"],
)  # fmt: skip
def test_a_nest_that_cannot_be_is_refused(own, cells, words):
    save_nestings(own, **cells)
    assert_refused(own, "nestings.ecsv: ", *words, commands=BOTH)


def test_a_focal_length_that_the_angles_contradict_is_refused(own):
    save_nestings(own)
    edit_setup(own, 'focal_length = "5.2 m"', 'focal_length = "5.0 m"')
    words = r"nestings.ecsv: found angles that focus at 5200.0 mm \(\+4.00 %\)"
    assert_refused(own, words, "mirror.focal_length, 5000 mm", commands=BOTH)


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ('inner_radius = "70 mm"', 'inner_radius = "73 mm"', "mirror.inner_radius: found"),
        ('reflector_length = "90 mm"', 'reflector_length = "9 m"', "not cross the axis"),
        ('source_distance = "86 m"', 'source_distance = "5 m"', "0.962 focal lengths"),
    ],
)
def test_a_design_that_cannot_be_is_refused(own, old, new, words):
    edit_setup(own, old, new)
    assert_refused(own, f"campaign.toml: .*{words}", commands=BOTH)


# ---- warned of, and null with its reason


def reduced_with(own, warning, reason):
    """Both commands end well and warn; what is at infinity is null and says why."""
    inspected = command("inspect", own)
    assert inspected.exit_code == 0
    assert re.search(f"warning: {warning}", text_of(inspected)), text_of(inspected)
    done = command("reduce", own, "-o", "out", "--jobs", "1")
    assert done.exit_code == 0
    assert re.search(f"warning: {warning}", done.stderr), done.stderr
    for m in check_results(own.parent / "out").values():
        assert m["hpd_measured_arcsec"] is not None
        for key in NO_ANSWER:
            assert m[key] is None
            assert re.search(reason, m["notes"][key])


@pytest.mark.parametrize(
    "spoil",
    [
        pytest.param(
            lambda c: save_nestings(c, coating=(4, "Unobtainium")),
            id="coating of a nesting",
        ),
        pytest.param(
            lambda c: edit_setup(c, 'coating = "Au"', 'coating = "Unobtainium"'),
            id="coating",
        ),
    ],
)
def test_an_unknown_coating(own, spoil):
    spoil(own)
    reduced_with(own, ".*: found .Unobtainium.; expected", "symbol or formula")


def test_an_unknown_table(own):
    edit_setup(own, 'coating = "Au"', 'coating = "Au"\noptical_constants = "mine"')
    reduced_with(own, "campaign.toml: mirror.optical_constants: found .mine.", "got .mine.")


@pytest.mark.parametrize("kev", [0.005, 45.0])
def test_an_energy_outside_the_table(own, kev):
    set_cells(own, "energy", kev)
    found = f"exposures.ecsv: column energy: found {kev:g} keV; .*0.0293 to 30 keV"
    reduced_with(own, found, f"got {kev:g} keV")


# ---- null without a warning: only the trace finds out


def test_bars_that_leave_nothing_lit(own):
    lines = 'coating = "Au"\nbar_count = 400\nbar_width = "3 mm"'
    edit_setup(own, 'coating = "Au"', lines)
    done = command("reduce", own, "-o", "out", "--jobs", "1")
    assert done.exit_code == 0
    for m in check_results(own.parent / "out").values():
        for key in NO_ANSWER:
            assert m[key] is None
            assert re.search("no ray .* its bars", m["notes"][key])


# ---- a value, flagged


def test_nestings_that_the_design_does_not_describe(own):
    save_nestings(own)
    edit_setup(own, 'inner_radius = "70 mm"', 'inner_radius = "100 mm"')
    edit_setup(own, 'outer_radius = "72 mm"', 'outer_radius = "120 mm"')
    edit_setup(own, 'reflector_length = "90 mm"', 'reflector_length = "80 mm"')
    inspected = text_of(command("inspect", own))
    for words in (
        "column radius: found radii from 70 mm to 71.9.* mm; expected .*100 mm.*120 mm",
        "column primary_length: found 90 mm in most rows; expected .*80 mm; the file is",
        "column secondary_length: found 90 mm",
    ):
        assert re.search(f"warning: nestings.ecsv: {words}", inspected), inspected


def test_a_distance_far_from_where_the_image_was_made(own):
    """Said to be a metre away: nothing describes the rings, and the spread is large."""
    set_cells(own, "detector_distance", 6500.0)
    done = command("reduce", own, "-o", "out", "--jobs", "1")
    assert done.exit_code == 0
    assert "found 6500 mm; expected a distance near that of the image" in done.stderr
    for m in check_results(own.parent / "out").values():
        assert m["fit"]["accepted"] is False
        hpd = m["hpd_infinity_arcsec"]
        assert hpd["model"] > 0.1 * hpd["value"]


@pytest.fixture(scope="module")
def far(tmp_path_factory):
    """Make the same mirror in planes far out of focus."""

    def make(first_mm):
        folder = tmp_path_factory.mktemp("far")
        text = SCENARIO.read_text().replace('"5544 mm"', f'"{first_mm} mm"')
        text = text.replace('"5624 mm"', f'"{first_mm + 30} mm"')
        scenario = folder / SCENARIO.name
        scenario.write_text(text)
        simulate_campaign(scenario, folder / "c")
        return folder / "c"

    return make


def test_a_ring_that_the_frame_does_not_hold(far, monkeypatch):
    """Outer radius 72 mm, 365 mm behind the image: a ring of 4.8 mm, half frame 3.8 mm."""
    folder = far(5900)
    monkeypatch.chdir(folder.parent)
    done = command("reduce", folder, "-o", "out", "--jobs", "1")
    assert done.exit_code == 1
    assert re.search(
        r"found a reference_radius of 3.5 mm, beyond the frame; .*the detector stands "
        r"(365|395)\.3 mm out of focus, where .* ring of radius (4.75|5.14) mm",
        done.stderr,
    )
