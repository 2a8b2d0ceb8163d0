"""Sentences about what a campaign leaves untested."""

from dataclasses import replace

import astropy.units as u
import pytest

from beamreduce.campaign import Exposure, read_campaign
from beamreduce.infinity.exercised import exercised
from beamreduce.infinity.not_tested import not_tested
from tests.infinity.made_designs import designed


@pytest.fixture(scope="module")
def setup(small_campaign):
    return read_campaign(small_campaign).setup


@pytest.fixture(scope="module")
def lit():
    _, nest = designed(inner=120.0, outer=126.0)
    return exercised(nest, source_distance=86 * u.m)


def beam(**more):
    return Exposure(
        exposure="a",
        file="a.fits",
        kind="beam",
        exposure_time=10 * u.s,
        energy=4.511 * u.keV,
        detector_distance=5540 * u.mm,
        **more,
    )


def sentence(sentences, word):
    (found,) = [text for text in sentences if word in text]
    return found


def test_unlit_parts_are_those_of_the_record(setup, lit):
    told = not_tested(setup, [beam()], lit)
    primaries = sentence(told, "primaries")
    unlit = 100 * (1 - lit.primary_exercised_fraction)
    assert primaries.startswith(f"{unlit:.1f} % of the length of the primaries (")
    assert "at the front end" in primaries
    secondaries = sentence(told, "secondaries")
    unlit = 100 * (1 - lit.secondary_exercised_fraction)
    assert secondaries.startswith(f"{unlit:.1f} % of the length of the secondaries")


def test_one_nesting_lights_its_secondary_all_along(setup):
    _, nest = designed()
    told = not_tested(setup, [beam()], exercised(nest, source_distance=86 * u.m))
    assert sentence(told, "secondaries") == (
        "The secondaries were lit all along by the diverging beam."
    )
    assert "by nesting" not in sentence(told, "primaries")


def test_what_is_not_declared_is_said_to_be_so(setup, lit):
    told = not_tested(setup, [beam()], lit)
    assert "direction of gravity on the mirror is not declared" in sentence(
        told, "gravity on"
    )
    assert "temperature is not declared" in sentence(told, "temperature")
    assert "hung on the ground" in sentence(told, "At infinity")
    assert "Off-axis angles were not measured." in told
    assert sentence(told, "keV") == (
        "Measured at 4.511 keV. Other energies were not measured."
    )


def test_what_is_declared_is_quoted(setup, lit):
    rows = [
        beam(temperature=19.5 * u.deg_C, comment="Gravity along +x"),
        beam(temperature=294.15 * u.K, off_axis=4 * u.arcmin),
        replace(beam(comment="Gravity along +x"), energy=1.487 * u.keV),
        replace(beam(temperature=5 * u.deg_C, comment="gravity?"), kind="dark"),
    ]
    told = not_tested(setup, rows, lit)
    assert sentence(told, "Gravity as").startswith(
        "Gravity as declared: 'Gravity along +x'."
    )
    assert "declared as 19.5 to 21 deg C (2 of 3 exposures)" in sentence(told, "deg C")
    assert "Measured at 1.487 to 4.511 keV. Energies between" in sentence(told, "keV")
    assert "Off-axis angles other than 4 arcmin were not measured." in told


def test_gravity_may_be_an_unknown_key(setup, lit):
    with_key = replace(setup, unknown={"mirror.gravity_direction": "-y"})
    told = not_tested(with_key, [beam()], lit)
    assert "'mirror.gravity_direction = -y'" in sentence(told, "Gravity as declared")


def test_a_pre_collimator_that_was_away_is_told(setup, lit):
    mirror = replace(setup.mirror, pre_collimator_length=40 * u.mm)
    told = not_tested(
        replace(setup, mirror=mirror),
        [beam(pre_collimator=True), beam(pre_collimator=False)],
        lit,
    )
    assert "The pre-collimator was not in place in 1 of 2 exposures." in told
    assert not any("pre-collimator" in text for text in not_tested(setup, [beam()], lit))
