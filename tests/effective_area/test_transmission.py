import math

import astropy.units as u
import pytest

from beamreduce.beamline import Layer
from beamreduce.effective_area.transmission import absorbed, transmission
from beamreduce.errors import SettingsError


def layer(**changes):
    known = {"name": "window", "material": "Al", "thickness": 10 * u.um}
    return Layer(**(known | changes))


def test_layers_in_a_row_multiply():
    thin, thick = layer(), layer(thickness=20 * u.um)
    one = transmission(thin, 4.511 * u.keV).value
    assert transmission(thick, 4.511 * u.keV).value == pytest.approx(one**2, rel=1e-12)


def test_what_does_not_pass_is_absorbed():
    sensor = layer(material="Si", thickness=300 * u.um)
    passed = transmission(sensor, 8.048 * u.keV).value
    assert absorbed(sensor, 8.048 * u.keV).value == pytest.approx(1 - passed, rel=1e-12)


def test_an_uncertain_thickness_counts_by_its_depth():
    sure, unsure = layer(), layer(uncertainties={"thickness": 0.5 * u.um})
    passed = transmission(sure, 4.511 * u.keV).value
    found = transmission(unsure, 4.511 * u.keV)
    # d ln T = −μ t · dt/t
    assert found.systematic == pytest.approx(passed * -math.log(passed) * 0.05, rel=1e-9)
    assert found.model > 0  # two tables never agree exactly


def test_energies_beyond_the_table_and_unknown_materials_are_refused():
    with pytest.raises(SettingsError, match="energy must be between"):
        transmission(layer(), 300 * u.keV)
    with pytest.raises(SettingsError, match="coating must be a chemical symbol"):
        transmission(layer(material="Unobtainium"), 1 * u.keV)
