import pytest

from beamreduce.campaign.frame_headers import read_frame_header
from beamreduce.campaign.matching import draft_campaign
from tests.folders import IMAGE_DISTANCE, SETUP, default_rows, row, write_campaign


def problems_with(folder, setup=SETUP, **cells):
    rows = [{**row("b", "beam"), **cells}, *default_rows()[5:]]
    return draft_campaign(
        write_campaign(folder, setup=setup, rows=rows), read_frame_header
    ).problems


@pytest.mark.parametrize(
    ("distance", "warning"), [("20.9 m", None), ("20.7 m", True), ("5.3 m", True),
                              ("5.2 m", False), ("2 m", False)]
)  # fmt: skip
def test_a_near_source_warns_and_one_inside_the_focus_is_an_error(
    tmp_path, distance, warning
):
    setup = SETUP.replace('"86 m"', f'"{distance}"')
    found = [p for p in problems_with(tmp_path, setup) if "source_distance" in p.item]
    assert [problem.warning for problem in found] == ([] if warning is None else [warning])
    if warning:
        assert "beyond four focal lengths" in str(found[0])


@pytest.mark.parametrize(
    ("mm", "warning"),
    [(IMAGE_DISTANCE * 1.05, None), (IMAGE_DISTANCE * 1.2, True), (5.534, False),
     (86000.0 + IMAGE_DISTANCE, False)],
)  # fmt: skip
def test_a_detector_far_from_the_image(tmp_path, mm, warning):
    found = [
        problem
        for problem in problems_with(tmp_path, detector_distance=mm)
        if "detector_distance" in problem.item
    ]
    assert [problem.warning for problem in found] == ([] if warning is None else [warning])
    if mm > 86000:
        assert "not from the source" in str(found[0])
    if warning is not None:
        assert "the image, 5534.7 mm" in str(found[0])


@pytest.mark.parametrize(
    ("line", "item", "words"),
    [
        ('coating = "Unobtainium"', "mirror.coating", "symbol or formula"),
        ('coating = "TiN"', "mirror.coating", "set coating_density"),
        ('coating = "Au"\noptical_constants = "mine"', "mirror.optical_constants",
         '"henke" or "chantler"'),
    ],
)  # fmt: skip
def test_layers_without_optical_constants_warn(tmp_path, line, item, words):
    setup = SETUP.replace('coating = "Au"', line)
    (found,) = (p for p in problems_with(tmp_path, setup) if p.item == item)
    assert found.warning
    assert words in str(found)
    assert "values at infinity are null" in str(found)


def test_a_layer_of_ones_own_with_its_density_is_right(tmp_path):
    setup = SETUP.replace(
        'coating = "Au"', 'coating = "TiN"\ncoating_density = "5.4 g/cm3"'
    )
    assert [p for p in problems_with(tmp_path, setup) if "coating" in p.item] == []


def test_a_mirror_that_is_not_grazing_warns(tmp_path):
    setup = SETUP.replace('"5.2 m"', '"520 mm"')
    found = [p for p in problems_with(tmp_path, setup) if p.item == "mirror.outer_radius"]
    assert [problem.warning for problem in found] == [True]


def test_readouts_are_for_counting_detectors(tmp_path):
    found = [p for p in problems_with(tmp_path, readouts=50.0) if "readouts" in p.item]
    assert [problem.warning for problem in found] == [True]
    assert found[0].item == "column readouts, exposures b"
    counting = SETUP[: SETUP.index("mode =")] + 'mode = "counting"\n'
    found = problems_with(tmp_path / "c", counting, readouts=50.0)
    assert [problem for problem in found if "readouts" in problem.item] == []


def test_an_energy_beyond_a_detectors_table(tmp_path):
    setup = SETUP + 'electrons_per_photon = [["5 keV", 1300], ["8 keV", 2100]]\n'
    (found,) = problems_with(tmp_path, setup)
    assert found.item == "detector.electrons_per_photon"
    assert "4.511 keV" in found.found
