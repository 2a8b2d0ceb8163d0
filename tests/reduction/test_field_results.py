"""What a campaign tells off the axis, from measurements made by hand."""

import copy
import json
import math

import numpy as np
import pytest
from astropy.io import fits
from astropy.table import Table

from beamreduce.campaign import read_campaign
from beamreduce.record import Uncertain, plain_json
from beamreduce.reduction.area_files import write_area_files
from beamreduce.reduction.area_summary import area_summary
from beamreduce.reduction.field_results import field_results
from tests.folders import SETUP, default_rows, row, write_campaign

TOTAL, INFINITY = "effective_area_measured_cm2", "effective_area_infinity_cm2"
WITHIN = "effective_area_within_reference_measured_cm2"
NEST = SETUP.replace('outer_radius = "190 mm"', 'outer_radius = "74 mm"')
DIRECTIONS = {"ti": (0.0, None), "x4": (4.0, 0.0), "x6": (6.0, 0.0), "y6": (6.0, 90.0),
              "m6": (6.0, 180.0)}  # fmt: skip
QUADRANTS = ("Q1", "Q2", "Q3", "Q4")


@pytest.fixture(scope="module")
def campaign(tmp_path_factory):
    rows = [one for one in default_rows() if one["kind"] != "beam"]
    for name, (angle, azimuth) in DIRECTIONS.items():
        cells = {} if azimuth is None else {"off_axis": angle, "azimuth": azimuth,
                                            "off_axis_by": "source_shift"}  # fmt: skip
        rows.append(row(name, "beam", aperture="full", **cells))
    rows += [row(name, "beam", aperture=name) for name in QUADRANTS]
    folder = write_campaign(tmp_path_factory.mktemp("field") / "c", rows=rows, setup=NEST)
    return read_campaign(folder)


def measurement(identity, aperture, direction, areas):
    """A measurement as results.json holds it, as far as off-axis results read it."""
    angle, azimuth = direction
    terms = [
        {"term": "photons in the image", "kind": "statistical", "relative": 0.005,
         "shared": ""},
        {"term": "photons in the direct beam", "kind": "statistical", "relative": -0.02,
         "shared": "direct"},
        {"term": "pixel size", "kind": "systematic", "relative": 0.001,
         "shared": "pixel size"},
    ]  # fmt: skip
    stored = {
        key: Uncertain(value=area, statistical=0.02 * area).to_json()
        for key, area in zip((TOTAL, INFINITY), areas, strict=True)
    }
    stored[WITHIN] = stored[TOTAL]
    moved = angle / 60 * math.pi / 180 * 5534.653 / 0.02  # pixels
    turn = math.radians(azimuth or 0.0)
    return {
        "id": identity,
        "aperture": aperture,
        "energy_keV": 4.511,
        "off_axis_arcmin": angle,
        "azimuth_deg": azimuth,
        "detector_distance_mm": 5534.653,
        "center_pixel": [31.3 + moved * math.cos(turn), 30.6 + moved * math.sin(turn)],
        "center_uncertainty_pixel": [0.1, 0.1],
        "net_photons": Uncertain(value=4000.0, statistical=70.0).to_json(),
        "flux_ratio": {
            "frame_photons": Uncertain(value=4100.0, statistical=80.0).to_json()
        },
        "fit": {"slope_error_arcsec": 10.0, "predicted_center_mm": [0.0, 0.0]},
        "hpd_measured_arcsec": Uncertain(value=20.0, statistical=0.2).to_json(),
        "hpd_infinity_arcsec": Uncertain(value=25.0, statistical=0.3).to_json(),
        **stored,
        "area_at_infinity": {
            "terms": dict.fromkeys((TOTAL, INFINITY, WITHIN), terms),
            "predicted_infinity_cm2": stored[INFINITY],
            "beam_over_star": areas[0] / areas[1],
        },
    }


@pytest.fixture(scope="module")
def measurements():
    beam = {"ti": 1.0, "x4": 0.99, "x6": 0.9, "y6": 0.9, "m6": 0.9}
    star = {"ti": 1.0, "x4": 0.7, "x6": 0.55, "y6": 0.55, "m6": 0.55}
    found = [
        measurement(name, "full", direction, (10 * beam[name], 16 * star[name]))
        for name, direction in DIRECTIONS.items()
    ]
    # Tilted towards Q1 by what makes 4 % of asymmetry, and not across.
    sizes = {"Q1": 2.6, "Q2": 2.5, "Q3": 2.4, "Q4": 2.5}
    return found + [
        measurement(name, name, (0.0, None), (area, 4.0)) for name, area in sizes.items()
    ]


@pytest.fixture(scope="module")
def found(campaign, measurements, tmp_path_factory):
    folder = tmp_path_factory.mktemp("out")
    for m in measurements:
        fits.PrimaryHDU(np.zeros((64, 64))).writeto(folder / f"net_{m['id']}.fits")
    results = {
        "effective_areas": plain_json(area_summary(campaign, measurements)),
        "off_axis": plain_json(field_results(campaign, folder, measurements)),
    }
    write_area_files(folder, results)
    return folder, results


def test_what_directions_share_cancels_in_normalised_areas(found):
    (entry,) = found[1]["off_axis"]
    point = next(p for p in entry["points"] if p["id"] == "x6")
    assert point["normalised_measured"]["value"] == pytest.approx(0.9)
    assert point["normalised_infinity"]["value"] == pytest.approx(0.55)
    # The direct beam's 2 % cancels; the own 0.5 % of both is left.
    expected = 0.9 * 0.005 * math.sqrt(2)
    assert point["normalised_measured"]["uncertainty"] == pytest.approx(expected)
    assert point["normalised_measured"]["systematic"] == pytest.approx(0.0, abs=1e-12)


def test_the_axis_lies_opposite_to_the_tilt(found):
    (entry,) = found[1]["off_axis"]
    axis = entry["optical_axis"]["from_quadrants"]
    first = next(p for p in axis["pairs"] if p["first"] == "Q1")
    assert first["asymmetry"] == pytest.approx(0.04)
    assert 0.05 < first["per_arcmin"] < 0.4  # some 10 to 20 % an arcminute
    tilt = first["asymmetry"] / first["per_arcmin"]
    for key in ("x_arcmin", "y_arcmin"):
        assert axis[key]["value"] == pytest.approx(-tilt / math.sqrt(2), rel=0.02)
    wholes = {one["id"]: one for one in entry["whole_from_quadrants"]}
    assert wholes["Q1"]["scaled_cm2"] == pytest.approx(10.4)
    assert wholes["Q1"]["corrected_cm2"] == pytest.approx(10.0, rel=2e-3)
    assert wholes["Q3"]["corrected_cm2"] == pytest.approx(10.0, rel=2e-3)


def test_images_of_a_shifted_source_give_the_plate_scale(found):
    (entry,) = found[1]["off_axis"]
    (scale,) = entry["plate_scale"]
    expected = 206264.806247 / 5534.653
    assert scale["arcsec_per_mm"]["value"] == pytest.approx(expected, rel=1e-6)
    assert scale["expected_arcsec_per_mm"] == pytest.approx(expected, rel=1e-9)
    # Its centers are where the ray through the middle of the mirror lands.
    assert scale["model_arcsec_per_mm"]["value"] == pytest.approx(expected, rel=1e-5)


def test_stray_light_measured_is_what_the_frame_has_more_than_the_circle(found):
    (entry,) = found[1]["off_axis"]
    measured = entry["stray_light"]["measured"]
    assert {one["id"] for one in measured} == {"x4", "x6", "y6", "m6"}
    outside = measured[0]["outside_reference"]
    assert outside["value"] == pytest.approx(100 / 4000)
    assert outside["statistical"] == pytest.approx(math.sqrt(80**2 - 70**2) / 4000)
    assert set(entry["stray_light"]["model"]) == {"without_pre_collimator"}
    assert "pre_collimator_length" in entry["notes"]["stray_light"]
    assert "out of scope" in entry["notes"]["scope"]


def test_means_by_energy_keep_what_they_share(found):
    areas = found[1]["effective_areas"]
    (line,) = areas["by_energy"]
    assert line["measurements"] == ["ti"]
    assert line[TOTAL]["value"] == pytest.approx(10.0)
    matrix = areas["covariance_cm4"][TOTAL]
    assert matrix["systematic"] == [[pytest.approx(0.01**2)]]
    assert matrix["statistical"] == [[pytest.approx((10 * math.hypot(0.005, 0.02)) ** 2)]]


def test_tables_hold_what_the_results_hold(found):
    folder, results = found
    (entry,) = results["off_axis"]
    table = Table.read(folder / "off_axis_4.511keV.ecsv")
    assert list(table["id"]) == [p["id"] for p in entry["points"]]
    assert table["off_axis_arcmin"].unit == "arcmin"
    assert table["effective_area_measured_cm2"].unit == "cm2"
    curve = Table.read(folder / "vignetting_4.511keV.ecsv")
    assert list(curve["star_cm2"]) == entry["vignetting"]["star_cm2"]
    assert len(Table.read(folder / "stray_4.511keV.ecsv")) == len(
        entry["stray_light"]["model"]["without_pre_collimator"]
    )
    json.dumps(results, allow_nan=False)


def test_nothing_off_the_axis_is_no_entry(campaign, measurements, tmp_path):
    assert field_results(campaign, tmp_path, measurements[:1]) == []


def test_figures_show_every_point(found, tmp_path):
    from beamreduce.figures import (  # noqa: PLC0415
        draw_areas,
        draw_off_axis_hpd,
        draw_vignetting,
        draw_vignetting_map,
        new_figure,
    )
    from beamreduce.reduction.draw_areas import (  # noqa: PLC0415
        areas_by_energy,
        draw_area_figures,
        off_axis_sizes,
        vignetting_map,
        vignetting_panels,
    )

    _, results = found
    (entry,) = results["off_axis"]
    drawn = draw_areas(
        tuple(new_figure().subplots(2, 1)),
        areas_by_energy(results["effective_areas"]["by_energy"]),
    )
    assert drawn.measured.lines[0].get_ydata() == pytest.approx([10.0])
    figure = new_figure()
    axes = tuple(figure.subplots(1, 2))
    draw_vignetting(axes, vignetting_panels(entry))
    labels = [text.get_text() for text in figure.legends[0].get_texts()]
    assert labels == ["model", "azimuth 0°", "azimuth 90°", "azimuth 180°"]
    sizes = draw_off_axis_hpd(new_figure().subplots(), *off_axis_sizes(entry["points"]))
    assert [len(one.lines[0].get_xdata()) for one in sizes] == [5, 5]
    field = vignetting_map(entry)
    image = draw_vignetting_map(new_figure().subplots(), field)
    assert np.nanmax(image.get_array()) == pytest.approx(1.0, abs=0.01)
    draw_area_figures(tmp_path, results)
    names = {path.name for path in tmp_path.glob("*.png")}
    assert names == {
        "area_by_energy.png", "vignetting_4.511keV.png", "vignetting_map_4.511keV.png",
        "hpd_off_axis_4.511keV.png",
    }  # fmt: skip


def _unsure_whole(measurements, change=None):
    """The same measurements, whole areas of quadrants 10 % off and unsure by as much."""
    changed = copy.deepcopy(measurements)
    for k, m in enumerate(one for one in changed if one["aperture"] != "full"):
        terms = m["area_at_infinity"]["terms"]
        wide = {"term": "slope errors: photon counting", "kind": "statistical",
                "relative": 0.1, "shared": f"fold {m['aperture']}, photons"}  # fmt: skip
        terms[TOTAL] = [*terms[TOTAL], wide]
        m[TOTAL] = m[TOTAL] | {"value": m[TOTAL]["value"] * (1.1, 0.9)[k % 2]}
        if change:
            change(k, m)
    return changed


def test_the_axis_comes_from_areas_inside_the_reference_radius(
    campaign, measurements, found, tmp_path
):
    for name in measurements:
        fits.PrimaryHDU(np.zeros((64, 64))).writeto(tmp_path / f"net_{name['id']}.fits")
    (before,) = found[1]["off_axis"]
    (entry,) = field_results(campaign, tmp_path, _unsure_whole(measurements))
    axis = plain_json(entry["optical_axis"]["from_quadrants"])
    assert axis == before["optical_axis"]["from_quadrants"]

    def moved(k, m):
        m["detector_distance_mm"] += 10.0 * (k == 0)

    # Another distance has another share inside: then whole areas alone can be compared.
    (entry,) = field_results(campaign, tmp_path, _unsure_whole(measurements, moved))
    other = plain_json(entry["optical_axis"]["from_quadrants"])
    for key in ("x_arcmin", "y_arcmin"):
        assert other[key]["statistical"] > 10 * axis[key]["statistical"]
