"""adjusters.ecsv: what is read, and what is said about what cannot be."""

import math

import pytest

from beamreduce.campaign import find_adjusters, read_adjusters
from beamreduce.errors import CampaignError

QUADRANTS = ("Q1", "Q2", "Q3", "Q4")
HEAD = """\
# %ECSV 1.0
# ---
# datatype:
# - {name: quadrant, datatype: string}
# - {name: adjuster, datatype: string}
# - {name: motion, datatype: string}
# - {name: direction, datatype: string}
# - {name: stage, datatype: string}
# - {name: pivot, datatype: string}
# - {name: step, datatype: string}
# - {name: travel_min, datatype: string}
# - {name: travel_max, datatype: string}
# - {name: locked, datatype: bool}
quadrant adjuster motion direction stage pivot step travel_min travel_max locked
"""
SHIFT = 'Q1 x shift "0 deg" both "" "10 um" "-0.5 mm" "0.5 mm" False\n'
TILT = (
    'Q1 t tilt "1.5707963 rad" primary "-40 mm" "2 arcsec" "-1 arcmin" "60 arcsec" True\n'
)


def written(tmp_path, *rows, head=HEAD):
    path = tmp_path / "adjusters.ecsv"
    path.write_text(head + "".join(rows))
    return path


def test_shifts_and_tilts_with_units_of_their_own(tmp_path):
    shift, tilt = read_adjusters(written(tmp_path, SHIFT, TILT), QUADRANTS)
    assert (shift.quadrant, shift.name, shift.motion) == ("Q1", "x", "shift")
    assert shift.step == pytest.approx(0.01)
    assert shift.steps_between() == (-50, 50)
    assert shift.steps_between(done=20) == (-70, 30)
    assert not shift.locked
    assert tilt.direction_rad == pytest.approx(math.pi / 2, abs=1e-6)
    assert tilt.pivot_mm == -40.0
    assert tilt.step == pytest.approx(math.radians(2 / 3600))
    assert tilt.locked
    assert tilt.steps_between() == (0, 0)


def test_units_of_columns_serve_tables_of_one_motion(tmp_path):
    head = HEAD
    for name, unit in (("step", "um"), ("travel_min", "mm"), ("travel_max", "mm")):
        head = head.replace(
            f"{name}, datatype: string", f"{name}, unit: {unit}, datatype: float64"
        )
    head = head.replace(
        "direction, datatype: string", "direction, unit: deg, datatype: string"
    )
    rows = 'Q2 y shift 90 both "" 5 -0.5 0.5 False\nQ2 z shift axial both "" 5 -1 1 False\n'
    y, z = read_adjusters(written(tmp_path, rows, head=head), QUADRANTS)
    assert y.step == pytest.approx(0.005)
    assert y.direction_rad == pytest.approx(math.pi / 2)
    assert z.direction_rad is None


def test_directions_are_degrees_where_no_unit_is_given(tmp_path):
    (one,) = read_adjusters(written(tmp_path, SHIFT.replace('"0 deg"', "45")), QUADRANTS)
    assert one.direction_rad == pytest.approx(math.pi / 4)


def test_no_file_is_no_adjusters(tmp_path):
    assert find_adjusters(tmp_path, QUADRANTS) is None


@pytest.mark.parametrize(
    ("row", "words"),
    [
        (SHIFT.replace("Q1", "Q7"), "column quadrant: found 'Q7'; expected one of Q1, Q2"),
        (
            SHIFT.replace("shift", "push"),
            "column motion: found 'push'; expected one of",
        ),
        (SHIFT.replace("both", "all"), "column stage: found 'all'"),
        (
            SHIFT.replace('"10 um"', "10"),
            "column step: found '10', without a unit",
        ),
        (SHIFT.replace("10 um", "10 arcsec"), "a length, for a shift"),
        (TILT.replace("2 arcsec", "2 um"), "an angle, for a tilt"),
        (
            TILT.replace('"-40 mm"', '""'),
            "column pivot: found nothing; expected where",
        ),
        (SHIFT.replace("10 um", "0 um"), "a size above zero"),
        (SHIFT.replace("-0.5 mm", "0.1 mm"), "a travel that holds 0"),
        (SHIFT.replace("0.5 mm", "0.5 km"), "check its unit"),
        (TILT.replace("60 arcsec", "60 deg"), "check its unit"),
        (SHIFT.replace("0 deg", "north"), "an angle, or 'axial'"),
        (SHIFT + SHIFT, "Q1 x: found 2 rows of that name"),
        (SHIFT.replace("False", "perhaps"), "expected true or false"),
    ],
)
def test_what_is_wrong_is_said_in_one_message(tmp_path, row, words):
    with pytest.raises(CampaignError) as caught:
        read_adjusters(written(tmp_path, row), QUADRANTS)
    assert words in str(caught.value)
    assert "adjusters.ecsv" in str(caught.value)


def test_a_missing_column_and_an_empty_table_are_named(tmp_path):
    head = HEAD.replace("# - {name: step, datatype: string}\n", "").replace(" step ", " ")
    with pytest.raises(CampaignError, match="column step: found nothing"):
        read_adjusters(written(tmp_path, head=head), QUADRANTS)
    with pytest.raises(CampaignError, match="a table without rows"):
        read_adjusters(written(tmp_path), QUADRANTS)
