"""Displacements of quadrants from the centers of their images, made and known."""

import math

import astropy.units as u
import numpy as np
import pytest

from beamreduce.campaign import read_campaign
from beamreduce.reduction import MeasureRequest
from beamreduce.reduction.quadrant_places import quadrant_shifts
from tests.folders import SETUP, row, write_campaign

QUARTERS = {f"Q{k + 1}": (k * math.pi / 2, (k + 1) * math.pi / 2) for k in range(4)}
PIXEL_MM = 0.02
DISTANCE = 5500.0
AXIS = (31.0, 29.0)  # pixel of the mirror's axis
# Displacements in the mirror's frame in mm; their mean is not zero.
MOVED = {"Q1": (0.06, 0.0), "Q2": (0.0, 0.08), "Q3": (-0.02, -0.04), "Q4": (0.0, 0.0)}
# Where cone blur puts the image of a quadrant by itself.
PREDICTED = {"Q1": (0.1, 0.1), "Q2": (-0.1, 0.1), "Q3": (-0.1, -0.1), "Q4": (0.1, -0.1)}


def requests_of(folder, rows, detector=""):
    setup = f'{SETUP}{detector}[reduction]\ndark = "none"\nbackground = "wings"\n'
    rows = [*rows, row("bias", "bias", 0.0)]
    campaign = read_campaign(write_campaign(folder, setup=setup, rows=rows, shape=(8, 8)))
    return [
        MeasureRequest(
            folder=campaign.folder, setup=campaign.setup, inputs=inputs,
            reference_radius=None,
        )
        for inputs in campaign.measurements
    ]  # fmt: skip


def quadrant(name, exposure=None, **cells):
    cells = {"detector_distance": DISTANCE, **cells}
    return row(exposure or name.lower(), "beam", aperture=name, **cells)


def center_of(offset_mm, *, flipped=False, turned_deg=0.0):
    """Pixel where a place in the mirror's frame is: the way back, written anew."""
    turn = math.radians(turned_deg)
    x = math.cos(turn) * offset_mm[0] + math.sin(turn) * offset_mm[1]
    y = -math.sin(turn) * offset_mm[0] + math.cos(turn) * offset_mm[1]
    x = -x if flipped else x
    return {"center_pixel": [AXIS[0] + x / PIXEL_MM, AXIS[1] + y / PIXEL_MM]}


def places(moved=MOVED, **detector):
    """Measurements with each quadrant where its own blur and its displacement put it."""
    return {
        name.lower(): center_of([p + m for p, m in zip(PREDICTED[name], moved[name],
                                                       strict=True)], **detector)
        for name in moved
    }  # fmt: skip


def predictions(names=QUARTERS):
    return {name.lower(): PREDICTED[name] for name in names}


def against_the_others(moved):
    """Without the mean move, and without the mean move outwards; they are independent."""
    mean = [sum(m[axis] for m in moved.values()) / len(moved) for axis in (0, 1)]
    middle = {name: math.radians(45.0 + 90.0 * k) for k, name in enumerate(moved)}
    out = {name: (math.cos(at), math.sin(at)) for name, at in middle.items()}
    outward = sum(m[0] * out[n][0] + m[1] * out[n][1] for n, m in moved.items()) / 4
    return {
        name: tuple((m[i] - mean[i] - outward * out[name][i]) / DISTANCE for i in (0, 1))
        for name, m in moved.items()
    }


@pytest.mark.parametrize(
    ("lines", "detector"),
    [
        ("", {}),
        ("x_flipped = true\n", {"flipped": True}),
        ('rotation = "90 deg"\n', {"turned_deg": 90.0}),
        ('x_flipped = true\nrotation = "37 deg"\n', {"flipped": True, "turned_deg": 37.0}),
    ],
)
def test_displacements_come_back_in_the_frame_of_the_mirror(tmp_path, lines, detector):
    """As angles, against each other, without what a quadrant does by itself."""
    requests = requests_of(tmp_path / "c", [quadrant(name) for name in QUARTERS], lines)
    found, why = quadrant_shifts(requests, places(**detector), predictions())
    assert why == ""
    for name, wanted in against_the_others(MOVED).items():
        # A tenth of a thousandth of a pixel in angle: rounding of 64-bit numbers.
        assert found[QUARTERS[name]] == pytest.approx(wanted, abs=1e-12)


def test_names_and_azimuths_are_those_of_the_campaign(tmp_path):
    named = '[quadrants]\nup = ["45 deg", "135 deg"]\ndown = ["225 deg", "315 deg"]\n'
    requests = requests_of(tmp_path / "c", [quadrant("up"), quadrant("down")], named)
    centers = {"up": center_of((0.02, 0.01)), "down": center_of((-0.02, -0.01))}
    nowhere = {"up": (0.0, 0.0), "down": (0.0, 0.0)}
    found, why = quadrant_shifts(requests, centers, nowhere)
    assert why == ""
    step = 0.02 / DISTANCE
    assert {
        tuple(round(math.degrees(edge)) for edge in edges): shift
        for edges, shift in found.items()
    } == {
        (45, 135): pytest.approx((step, 0.0), abs=1e-12),
        (225, 315): pytest.approx((-step, 0.0), abs=1e-12),
    }


@pytest.mark.parametrize("size", [0.0, 0.3])
def test_what_all_have_in_common_displaces_none(tmp_path, size):
    """A move of the detector, and an error of all cones: each along its own middle."""
    requests = requests_of(tmp_path / "c", [quadrant(name) for name in QUARTERS])
    moved = {
        name: (0.5 + size * math.cos(sum(at) / 2), -0.2 + size * math.sin(sum(at) / 2))
        for name, at in QUARTERS.items()
    }
    found, why = quadrant_shifts(requests, places(moved), predictions())
    assert why == ""
    assert [part for shift in found.values() for part in shift] == pytest.approx(
        [0.0] * 8, abs=1e-12
    )


def test_several_exposures_of_a_quadrant_give_their_mean(tmp_path):
    """At different distances too: it is angles that are taken together."""
    rows = [quadrant(name) for name in QUARTERS]
    rows.append(quadrant("Q1", "q1-far", detector_distance=2 * DISTANCE))
    requests = requests_of(tmp_path / "c", rows)
    still = dict.fromkeys(QUARTERS, (0.0, 0.0))
    centers = places({**still, "Q1": (0.03, 0.0)})
    centers["q1-far"] = center_of(
        [p + m for p, m in zip((0.2, 0.2), (0.1, 0), strict=True)]
    )
    predicted = {**predictions(), "q1-far": (0.2, 0.2)}
    # The axis is at the same pixel, so its angle at twice the distance is half as large.
    axis = [PIXEL_MM * a for a in AXIS]
    found, _ = quadrant_shifts(requests, centers, predicted)
    first = [(axis[0] + 0.03) / DISTANCE, axis[1] / DISTANCE]
    second = [(axis[0] + 0.1) / DISTANCE / 2, axis[1] / DISTANCE / 2]
    others = [a / DISTANCE for a in axis]
    q1 = [(a + b) / 2 for a, b in zip(first, second, strict=True)]
    # Its move against the others, less a quarter for all and a quarter for all outwards.
    move = np.subtract(q1, others)
    out = np.full(2, math.sqrt(0.5))
    wanted = move * 3 / 4 - out * (move @ out) / 4
    assert found[QUARTERS["Q1"]] == pytest.approx(wanted, abs=1e-12)


@pytest.mark.parametrize("lost", ["row", "prediction"])
def test_a_quadrant_that_is_missing_is_named(tmp_path, lost):
    """One that was not taken, or whose own fold could not be had."""
    there = [name for name in QUARTERS if name != "Q3" or lost != "row"]
    requests = requests_of(tmp_path / "c", [quadrant(name) for name in there])
    predicted = predictions([name for name in QUARTERS if name != "Q3"])
    found, why = quadrant_shifts(requests, places(), predicted)
    assert found == {}
    assert why == "no usable exposure of Q3 alone"


def test_a_detector_that_was_moved_between_quadrants_shows_nothing(tmp_path):
    rows = [quadrant(name, detector_x=10.0, detector_y=5.0) for name in QUARTERS]
    found, why = quadrant_shifts(
        requests_of(tmp_path / "still", rows), places(), predictions()
    )
    assert (len(found), why) == (4, "")
    rows[2]["detector_y"] = 5.1
    found, why = quadrant_shifts(
        requests_of(tmp_path / "moved", rows), places(), predictions()
    )
    assert found == {}
    assert "the detector was moved" in why


def test_without_single_quadrants_nothing_is_displaced():
    found, why = quadrant_shifts([], {}, {})
    assert found == {}
    assert "no single quadrants" in why


def test_other_apertures_do_not_count(tmp_path):
    rows = [*(quadrant(name) for name in QUARTERS), quadrant("half")]
    requests = requests_of(tmp_path / "c", rows)
    centers = {**places(), "half": center_of((9.0, 9.0))}
    predicted = {**predictions(), "half": (0.0, 0.0)}
    found, _ = quadrant_shifts(requests, centers, predicted)
    assert found[QUARTERS["Q4"]] == pytest.approx(
        against_the_others(MOVED)["Q4"], abs=1e-12
    )
    assert (requests[0].inputs.detector_distance == DISTANCE * u.mm).all()
