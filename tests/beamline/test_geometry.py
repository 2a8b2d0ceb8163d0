import astropy.units as u
import pytest
from hypothesis import given
from hypothesis import strategies as st

from beamreduce.beamline import (
    beam_divergence,
    direct_beam_dilution,
    image_distance,
    source_angle,
)
from beamreduce.errors import GeometryError, SettingsError

metres = st.floats(0.1, 1000)


@given(focal=metres, ratio=st.floats(1.001, 1e4))
def test_the_image_distance_obeys_the_lens_equation(focal, ratio):
    source = focal * ratio
    image = image_distance(source_distance=source * u.m, focal_length=focal * u.m)
    # 1/f = 1/L + 1/D; relative to 1/f it holds to some units in the last place.
    assert focal / source + focal / image.to_value(u.m) == pytest.approx(1, rel=1e-11)


@given(focal=metres, ratio=st.floats(1.01, 100))
def test_source_and_image_may_change_places(focal, ratio):
    source = focal * ratio * u.m
    image = image_distance(source_distance=source, focal_length=focal * u.m)
    back = image_distance(source_distance=image, focal_length=focal * u.m)
    assert back.to_value(u.m) == pytest.approx(source.to_value(u.m), rel=1e-9)


def test_units_are_converted():
    one = image_distance(source_distance=86 * u.m, focal_length=5.2 * u.m)
    two = image_distance(source_distance=8.6e6 * u.cm / 1000, focal_length=5200 * u.mm)
    assert two.to_value(u.mm) == pytest.approx(one.to_value(u.mm), rel=1e-14)


@pytest.mark.parametrize("source", [5.2, 1.0])
def test_a_source_inside_the_focus_has_no_image(source):
    with pytest.raises(GeometryError, match="are the two swapped"):
        image_distance(source_distance=source * u.m, focal_length=5.2 * u.m)


@pytest.mark.parametrize(
    ("source", "words"), [(86, "must have a unit"), (86 * u.s, "converts to mm"),
                          (-86 * u.m, "above zero"), (float("nan") * u.m, "finite")]
)  # fmt: skip
def test_a_bad_distance_is_refused(source, words):
    with pytest.raises(SettingsError, match=f"source_distance must .*{words}|{words}"):
        image_distance(source_distance=source, focal_length=5.2 * u.m)


def test_divergence_is_radius_over_distance():
    angle = beam_divergence(radius=86 * u.mm, source_distance=86 * u.m)
    assert angle.to_value(u.rad) == pytest.approx(1e-3)


def test_a_source_may_be_a_point_but_not_less():
    assert source_angle(source_diameter=0 * u.mm, source_distance=86 * u.m) == 0 * u.arcsec
    with pytest.raises(GeometryError, match="source_diameter must not be below zero"):
        source_angle(source_diameter=-1 * u.mm, source_distance=86 * u.m)


def test_a_detector_in_the_reference_plane_sees_the_flux_there():
    dilution = direct_beam_dilution(source_distance=86 * u.m, detector_distance=1e-9 * u.mm)
    assert dilution == pytest.approx(1, abs=1e-9)
