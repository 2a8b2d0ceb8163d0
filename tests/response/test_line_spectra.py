"""Line shapes fitted to made spectra come back; what cannot be fitted is said."""

import astropy.units as u
import numpy as np
import pytest
from astropy.table import QTable

from beamreduce.errors import SettingsError
from beamreduce.response.line_shape import LineShape, constant, silicon_escape
from beamreduce.response.line_spectra import fit_spectra, shape_of_spectra

TRUTH = {1.487: (0.035, 0.0, 0.02), 5.9: (0.060, 0.012, 0.03)}


def write_spectra(path, photons=200_000, **columns):
    rng = np.random.default_rng(20261126)
    edges = np.arange(0, 7, 0.02)
    parts = {"line_energy": [], "e_min": [], "e_max": [], "counts": []}
    for energy, (sigma, escape, shelf) in TRUTH.items():
        shape = LineShape(
            sigma_kev=constant(sigma),
            escape_fraction=silicon_escape(escape),
            shelf_fraction=constant(shelf),
        )
        share = np.diff(shape.below(np.array([energy]), edges)[0])
        parts["line_energy"].append(np.full(share.size, energy))
        parts["e_min"].append(edges[:-1])
        parts["e_max"].append(edges[1:])
        parts["counts"].append(rng.poisson(photons * share))
    table = QTable({k: np.concatenate(v) for k, v in parts.items()})
    for name in ("line_energy", "e_min", "e_max"):
        table[name] = table[name] * u.keV
    for name, values in columns.items():
        table[name] = values
    table.write(path, format="ascii.ecsv")
    return path


def test_width_escape_and_shelf_come_back(tmp_path):
    fits = fit_spectra(write_spectra(tmp_path / "lines.ecsv"))
    for fit, (energy, truth) in zip(fits, TRUTH.items(), strict=True):
        assert fit.energy_kev == energy
        for value, sigma, true in zip(fit.values, fit.uncertainties, truth, strict=True):
            # Four standard deviations: six numbers, one seed.
            assert abs(value - true) <= 4 * sigma + 1e-9
        # Counting: σ of a width from N photons is σ/√(2N), a little more with a shelf.
        expected = truth[0] / np.sqrt(2 * fit.counts)
        assert fit.uncertainties[0] == pytest.approx(expected, rel=0.15)


def test_between_lines_the_variance_goes_straight(tmp_path):
    shape = shape_of_spectra(write_spectra(tmp_path / "lines.ecsv"))
    middle = np.array([(1.487 + 5.9) / 2])
    wanted = np.sqrt((0.035**2 + 0.060**2) / 2)
    assert shape.sigma_kev(middle)[0] == pytest.approx(wanted, rel=0.01)
    assert shape.escape_fraction(np.array([1.5]))[0] == 0
    assert "1.487, 5.9 keV" in shape.source


def test_too_few_counts_and_bad_tables_are_said(tmp_path):
    with pytest.raises(SettingsError, match="expected at least 100"):
        fit_spectra(write_spectra(tmp_path / "few.ecsv", photons=40))
    with pytest.raises(SettingsError, match="not numbers of at least zero"):
        fit_spectra(write_spectra(tmp_path / "minus.ecsv", counts=-1.0))
    (tmp_path / "no.ecsv").write_text("nothing\n")
    with pytest.raises(SettingsError, match=r"no column line_energy|cannot be read"):
        fit_spectra(tmp_path / "no.ecsv")
