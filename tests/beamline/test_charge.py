import pickle

import astropy.units as u
import numpy as np
import pytest

from beamreduce.beamline import Detector, Facility, electrons_per_photon, line_width
from beamreduce.errors import SettingsError


def detector(**changes):
    settings = {
        "name": "",
        "pixel_size": 20 * u.um,
        "mode": "integrating",
        "gain": 2 * u.electron / u.adu,
        "read_noise": 6 * u.electron,
        "electron_energy": 3.65 * u.eV,
        "saturation": 60000 * u.adu,
    }
    return Detector(**settings | changes)


COUNTER = Detector(name="c", pixel_size=55 * u.um, mode="counting")


def test_without_a_table_all_charge_is_collected():
    assert electrons_per_photon(detector(), 8.048 * u.keV) == pytest.approx(8048 / 3.65)


def test_a_table_gives_its_own_values_and_interpolates_the_collected_share():
    energies = [1.0, 2.0] * u.keV
    complete = 1000 / 3.65
    table = (energies, np.array([0.8 * complete, 0.9 * 2 * complete]) * u.electron)
    partly = detector(electrons_per_photon=table)
    assert electrons_per_photon(partly, 1 * u.keV) == pytest.approx(0.8 * complete)
    assert electrons_per_photon(partly, 2000 * u.eV) == pytest.approx(1.8 * complete)
    assert electrons_per_photon(partly, 1.5 * u.keV) == pytest.approx(0.85 * 1.5 * complete)


def test_nothing_is_guessed_beyond_a_table():
    partly = detector(electrons_per_photon=([1.0, 2.0] * u.keV, [250, 540] * u.electron))
    with pytest.raises(SettingsError, match=r"from 1 to 2 keV for 2\.1 keV"):
        electrons_per_photon(partly, 2.1 * u.keV)


def test_a_counter_has_no_electrons():
    with pytest.raises(SettingsError, match="counts photons"):
        electrons_per_photon(COUNTER, 1 * u.keV)


@pytest.mark.parametrize(
    ("energy_ev", "noise", "pair_ev", "fano", "full_width_ev"),
    [
        (5895.0, 0, 3.65, 0.115, 117.137238),
        (5895.0, 5, 3.65, 0.115, 124.771885),
        (5898.75, 3, 3.66, 0.118, 121.635347),
        (1486.6, 5, 3.65, 0.115, 72.849731),
        (277.0, 5, 3.65, 0.115, 49.916256),
    ],
)
def test_line_width_is_computed_and_said_so(energy_ev, noise, pair_ev, fano, full_width_ev):
    """Closed form 2 sqrt(2 ln 2) w sqrt(noise² + F E/w), computed apart from this code.

    The format rounds 2 sqrt(2 ln 2) to 2.355, which is 7.7e-5 more.
    """
    silicon = detector(
        read_noise=noise * u.electron, electron_energy=pair_ev * u.eV, fano_factor=fano
    )
    width = line_width(silicon, energy_ev * u.eV)
    assert width.computed
    assert width.full_width.to_value(u.eV) == pytest.approx(full_width_ev, rel=8e-5)


def test_a_given_line_width_is_taken():
    assert line_width(detector(line_width=0.13 * u.keV), 1 * u.keV).full_width == 130 * u.eV
    table = ([1.0, 3.0] * u.keV, [100.0, 120.0] * u.eV)
    width = line_width(detector(line_width=table), 2 * u.keV)
    assert not width.computed
    assert width.full_width.to_value(u.eV) == pytest.approx(110)


def test_a_counter_without_line_width_has_none():
    with pytest.raises(SettingsError, match="line_width must be given"):
        line_width(COUNTER, 1 * u.keV)


def test_declared_uncertainties_become_relative():
    declared = {"gain": 0.02 * u.electron / u.adu, "fano_factor": 0.0115}
    some = detector(uncertainties=declared)
    assert some.relative_uncertainty("gain") == pytest.approx(0.01)
    assert some.relative_uncertainty("fano_factor") == pytest.approx(0.1)
    assert some.relative_uncertainty("pixel_size") == 0


def test_the_largest_relative_uncertainty_of_a_table_counts():
    some = detector(
        electrons_per_photon=([1.0, 2.0] * u.keV, [250, 500] * u.electron),
        uncertainties={"electrons_per_photon": 5 * u.electron},
    )
    assert some.relative_uncertainty("electrons_per_photon") == pytest.approx(0.02)


def test_stations_go_to_another_process():
    facility = Facility(source_distance=86 * u.m, source_diameter=0 * u.mm)
    assert pickle.loads(pickle.dumps((facility, detector()))) == (facility, detector())
