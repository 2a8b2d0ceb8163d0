import math

import astropy.units as u
import pytest
from astropy.table import MaskedColumn, QTable, Table

from beamreduce.errors import CampaignError
from beamreduce.mirror import (
    MirrorDesign,
    check_prescription_file,
    find_prescription,
    junction_focal_length_mm,
    nestings_from_design,
    read_prescription,
)

DESIGN = MirrorDesign(
    focal_length=5.2 * u.m,
    inner_radius=70 * u.mm,
    outer_radius=72 * u.mm,
    reflector_length=90 * u.mm,
    reflector_thickness=0.17 * u.mm,
    coating="Au",
    roughness=0.5 * u.nm,
)
UNITS = {
    "radius": "mm",
    "primary_angle": "deg",
    "secondary_angle": "deg",
    "primary_length": "mm",
    "secondary_length": "mm",
    "gap": "mm",
    "thickness": "mm",
    "roughness": "nm",
}
NEST = nestings_from_design(DESIGN).nestings


def columns():
    """The nest of the design as columns in the units of the file."""
    return {
        "nesting": [n.number for n in NEST],
        "radius": [n.radius_mm for n in NEST],
        "primary_angle": [math.degrees(n.primary_angle_rad) for n in NEST],
        "secondary_angle": [math.degrees(n.secondary_angle_rad) for n in NEST],
        "primary_length": [90.0] * len(NEST),
        "secondary_length": [90.0] * len(NEST),
        "gap": [2.0] * len(NEST),
        "thickness": [0.17] * len(NEST),
        "coating": ["Au"] * len(NEST),
        "roughness": [0.5] * len(NEST),
    }


def saved(folder, content, units=UNITS):
    table = Table(content)
    for name, unit in units.items():
        if name in table.colnames:
            table[name].unit = unit
    table.write(folder / "nestings.ecsv", format="ascii.ecsv", overwrite=True)
    return folder / "nestings.ecsv"


def with_cell(name, index, value):
    content = columns()
    content[name][index] = value
    return content


def problems_of(path, design=DESIGN):
    prescription, problems = check_prescription_file(path, design)
    if any(not problem.warning for problem in problems):
        assert prescription is None
        with pytest.raises(CampaignError, match=r"nestings\.ecsv"):
            read_prescription(path, design)
    return [str(problem) for problem in problems]


def test_the_file_is_the_prescription(tmp_path):
    prescription = read_prescription(saved(tmp_path, columns()), DESIGN)
    assert prescription.focal_length_mm == 5200
    assert len(prescription.nestings) == len(NEST) == 5
    for read, made in zip(prescription.nestings, NEST, strict=True):
        assert read.number == made.number
        assert read.radius_mm == made.radius_mm
        # Degrees and back: one unit in the last place each way.
        assert read.primary_angle_rad == pytest.approx(made.primary_angle_rad, rel=1e-15)
        assert read.gap_mm == 2.0
        assert read.coating == "Au"


def test_units_are_converted_and_rows_may_come_in_any_order(tmp_path):
    content = columns()
    table = QTable(
        {
            name: values * u.Unit(UNITS[name]) if name in UNITS else values
            for name, values in content.items()
        }
    )
    table["radius"] = table["radius"].to(u.m)
    table["primary_angle"] = table["primary_angle"].to(u.arcsec)
    table["roughness"] = table["roughness"].to(u.pm)
    path = tmp_path / "nestings.ecsv"
    table[[3, 1, 0, 4, 2]].write(path, format="ascii.ecsv")
    prescription = read_prescription(path, DESIGN)
    assert [n.number for n in prescription.nestings] == [1, 2, 3, 4, 5]
    assert prescription.nestings[0].radius_mm == pytest.approx(70)
    assert prescription.nestings[0].roughness_nm == pytest.approx(0.5)


def test_numbers_of_nestings_may_be_written_as_floats(tmp_path):
    content = columns() | {"nesting": [float(n.number) for n in NEST]}
    assert read_prescription(saved(tmp_path, content), DESIGN).nestings[0].number == 1


def test_coating_and_roughness_come_from_the_design_where_absent(tmp_path):
    content = columns()
    del content["coating"]
    content["roughness"] = MaskedColumn([0.3] * 5, mask=[False, True, False, False, False])
    nestings = read_prescription(saved(tmp_path, content), DESIGN).nestings
    assert [n.coating for n in nestings] == ["Au"] * 5
    assert [n.roughness_nm for n in nestings] == [0.3, 0.5, 0.3, 0.3, 0.3]


def test_without_a_file_the_design_is_the_prescription(tmp_path):
    prescription, problems = find_prescription(tmp_path, DESIGN)
    assert not problems
    assert prescription == nestings_from_design(DESIGN)


def test_with_a_file_the_design_only_describes_it(tmp_path):
    saved(tmp_path, columns())
    prescription, _ = find_prescription(tmp_path, DESIGN)
    assert prescription.nestings[0].gap_mm == 2.0


@pytest.mark.parametrize("name", ["nesting", *list(UNITS)[:-1]])
def test_a_missing_column_is_named(tmp_path, name):
    content = columns()
    del content[name]
    (problem,) = problems_of(saved(tmp_path, content))
    assert problem.startswith(f"nestings.ecsv: column {name}: found nothing")


@pytest.mark.parametrize(
    ("name", "value", "words"),
    [
        ("radius", -70.0, "found -70 mm; expected a value above zero"),
        ("radius", float("nan"), "found nothing"),
        ("primary_angle", 0.0, "above zero"),
        ("primary_length", -1.0, "above zero"),
        ("gap", -1.0, "of zero or more"),
        ("thickness", 0.0, "above zero"),
        ("roughness", -1.0, "of zero or more"),
        ("nesting", 1, "found 1 a second time"),
    ],
)
def test_a_bad_cell_names_row_and_column(tmp_path, name, value, words):
    (problem,) = problems_of(saved(tmp_path, with_cell(name, 1, value)))
    number = value if name == "nesting" else 2
    assert problem.startswith(f"nestings.ecsv: row 2 (nesting {number}), column {name}: ")
    assert words in problem


def test_a_missing_unit_is_named(tmp_path):
    units = {name: unit for name, unit in UNITS.items() if name != "primary_angle"}
    (problem,) = problems_of(saved(tmp_path, columns(), units))
    assert "column primary_angle: found no unit" in problem


def test_a_table_without_rows(tmp_path):
    content = {name: values[:0] for name, values in columns().items()}
    (problem,) = problems_of(saved(tmp_path, content))
    assert "a table without rows" in problem


def test_radii_out_of_order(tmp_path):
    content = columns()
    content["nesting"] = [1, 3, 2, 4, 5]
    assert any(
        "out of order" in problem for problem in problems_of(saved(tmp_path, content))
    )


def test_foils_that_overlap_at_the_front(tmp_path):
    """The design leaves ℓ tan α beside the foil there; a primary 2.2 times as steep
    takes 1.2 ℓ tan α of it. The sum of the angles stays, so the focus does.
    """
    content = columns()
    content["primary_angle"][0] *= 2.2
    content["secondary_angle"][0] *= (2.2 + 2) / 3
    problems = problems_of(saved(tmp_path, content))
    assert any("at the front of the primaries" in problem for problem in problems)


@pytest.mark.parametrize(("radius", "clash"), [(70.169, True), (70.171, False)])
def test_foils_that_overlap_in_the_reference_plane(tmp_path, radius, clash):
    """0.17 mm of foil need as much room; the angles are those of the true radius."""
    content = {name: values[:2] for name, values in columns().items()}
    content["radius"][1] = radius
    for name, factor in (("primary_angle", 1), ("secondary_angle", 3)):
        angle = math.atan(70.0 / 5200) / 4 * factor
        content[name] = [math.degrees(angle)] * 2
    problems = problems_of(saved(tmp_path, content))
    assert bool(problems) is clash
    if clash:
        assert "nestings 1 and 2" in problems[0]
        assert "room for a foil of 0.17 mm" in problems[0]


def test_foils_that_overlap_at_the_rear(tmp_path):
    content = columns()
    content["secondary_angle"][1] *= 1.5
    problems = problems_of(saved(tmp_path, content))
    assert any("nestings 1 and 2: found" in p and "at the rear" in p for p in problems)


def test_a_secondary_across_the_axis(tmp_path):
    content = with_cell("secondary_length", 4, 90e3 / 10 * 1.0)
    (problem,) = [p for p in problems_of(saved(tmp_path, content)) if "axis" in p]
    assert problem.startswith("nestings.ecsv: nesting 5: found a secondary whose rear end")


def test_swapped_angles(tmp_path):
    content = columns()
    primary = content["primary_angle"]
    content["primary_angle"], content["secondary_angle"] = (
        content["secondary_angle"],
        primary,
    )
    problems = problems_of(saved(tmp_path, content))
    assert len(problems) == 5
    assert all("swapped" in problem for problem in problems)


@pytest.mark.parametrize(
    ("factor", "clash"),
    [(1.0049, False), (1.0051, True), (0.9951, False), (0.9949, True)],
)
def test_a_focal_length_that_the_angles_contradict_by_half_a_per_cent(
    tmp_path, factor, clash
):
    """Declared f over that of the angles; 0.5 % of the declared one is the limit."""
    design = MirrorDesign(
        **{
            name: getattr(DESIGN, name)
            for name in ("inner_radius", "outer_radius", "reflector_length",
                         "reflector_thickness", "coating", "roughness")
        },
        focal_length=5.2 * u.m / factor,
    )  # fmt: skip
    problems = problems_of(saved(tmp_path, columns()), design)
    assert bool(problems) is clash
    if clash:
        assert "angles that focus at 5200.0 mm" in problems[0]


def test_one_nesting_that_focuses_elsewhere_is_a_warning(tmp_path):
    content = columns()
    content["secondary_angle"][2] *= 1.01
    prescription, problems = check_prescription_file(saved(tmp_path, content), DESIGN)
    assert prescription is not None
    (problem,) = problems
    assert problem.warning
    assert problem.item == "nesting 3"


def test_a_nest_of_the_design_focuses_at_its_focal_length():
    for nesting in NEST:
        assert junction_focal_length_mm(nesting) == pytest.approx(5200, rel=1e-12)


def test_a_design_without_room_is_a_problem_of_the_settings(tmp_path):
    design = MirrorDesign(
        focal_length=5.2 * u.m,
        inner_radius=300 * u.mm,
        outer_radius=190 * u.mm,
        reflector_length=90 * u.mm,
        reflector_thickness=0.17 * u.mm,
        coating="Au",
        roughness=0.5 * u.nm,
    )
    prescription, problems = find_prescription(tmp_path, design)
    assert prescription is None
    assert [problem.file for problem in problems] == ["campaign.toml"]
    assert "inner_radius must not exceed outer_radius" in problems[0].found
