"""Curves with everything that makes them unsure: closed forms, repetition, files."""

import dataclasses

import astropy.units as u
import numpy as np
import pytest
from astropy.io import fits

from beamreduce.encircled_energy import (
    CurveTerm,
    NetRings,
    UncertainCurve,
    encircled_energy,
    measured_curve,
    read_curves,
    write_curves,
)
from beamreduce.errors import MeasurementError
from beamreduce.record import curve_file
from beamreduce.units import arcsec_per_mm

DISTANCE_MM = 5544.0
SEED = 20261127


def gaussian_rings(photons=20_000.0, sigma_mm=0.5, count=120, **modes):
    """Expected counts of a round Gaussian out to 4 σ, no background noise."""
    radii = np.linspace(4 * sigma_mm / count, 4 * sigma_mm, count)
    inside = 1 - np.exp(-((radii / sigma_mm) ** 2) / 2)
    counts = photons * np.diff(inside, prepend=0.0)
    none = np.zeros((0, count))
    fields = {"modes": none, "model_modes": none, "systematic_modes": none} | modes
    return NetRings(
        radius_mm=radii,
        photons=counts,
        poisson_part=counts,
        noise_covariance=np.zeros((count, count)),
        background_covariance=np.zeros((count, count)),
        scale=np.ones(count),
        covered=np.ones(count),
        detector_distance_mm=DISTANCE_MM,
        **fields,
    )


def term(curve, name):
    return next(t.change for t in curve.terms if t.term == name)


def test_counting_is_that_of_the_curve():
    net = gaussian_rings()
    curve, plain = measured_curve(net), encircled_energy(net)
    assert curve.terms == ()
    np.testing.assert_allclose(curve.fraction, plain.fraction)
    np.testing.assert_allclose(curve.uncertainty, plain.uncertainty)
    np.testing.assert_allclose(curve.radius_arcsec, plain.angle.to_value(u.arcsec))


def test_pixel_size_moves_a_gaussian_as_its_closed_form_says():
    """E = 1 − exp(−r²/2σ²): lengths larger by ε change it by −ε (r²/σ²) exp(−r²/2σ²).

    Set to 1 at 4 σ again it is less by the curve times the change there. Rings of σ/30,
    even within each, give slopes to (1/30)²/2 of themselves, here 0.06 % of ε.
    """
    epsilon, sigma = 1e-3, 0.5
    net = gaussian_rings()
    curve = measured_curve(net, pixel_size=epsilon)
    square = (net.radius_mm / sigma) ** 2
    expected = -epsilon * square * np.exp(-square / 2)
    expected -= curve.fraction * expected[-1]
    found = term(curve, "pixel size")
    np.testing.assert_allclose(found, expected, atol=1e-3 * epsilon)
    assert found[-1] == pytest.approx(0.0, abs=1e-15)
    distance = term(measured_curve(net, detector_distance=epsilon), "detector distance")
    np.testing.assert_allclose(distance, -found, atol=1e-15)


def test_background_modes_are_changes_of_the_curve():
    """Against the curve worked out anew with the mode taken off; first order in 1e-4."""
    rng = np.random.default_rng(SEED)
    mode = rng.uniform(0.5, 1.5, (1, 120)) * 1e-2
    net = gaussian_rings(systematic_modes=mode, model_modes=2 * mode)
    curve = measured_curve(net)
    moved = dataclasses.replace(net, photons=net.photons - net.scale * mode[0])
    anew = encircled_energy(moved).fraction - curve.fraction
    assert np.abs(anew).max() > 1e-5
    np.testing.assert_allclose(term(curve, "background scale"), anew, atol=1e-8)
    assert {t.kind for t in curve.terms} == {"systematic", "model"}
    np.testing.assert_allclose(
        curve.part("model"), 2 * curve.part("systematic"), rtol=1e-12
    )


def test_parts_add_up():
    net = gaussian_rings(systematic_modes=np.ones((2, 120)))
    curve = measured_curve(net, pixel_size=0.01)
    parts = [curve.part(kind) for kind in ("statistical", "systematic", "model")]
    np.testing.assert_allclose(curve.uncertainty, np.sqrt(np.sum(np.square(parts), axis=0)))


def test_other_radii_and_reference_by_repetition():
    """Covariance at other radii, with another reference, against Poisson repeats."""
    net = gaussian_rings(photons=4000.0)
    curve = measured_curve(net)
    scale = arcsec_per_mm(DISTANCE_MM)
    reference = 1.5 * scale
    wanted = np.array([0.31, 0.62, 0.97]) * scale
    found = curve.within(reference).at(wanted)
    rng = np.random.default_rng(SEED)
    drawn = rng.poisson(net.photons, (6000, net.photons.size))
    growth = np.cumsum(drawn, axis=1)
    squares = np.concatenate([[0.0], net.radius_mm**2])
    places = np.append(wanted, reference) / scale
    inside = np.array(
        [np.interp(places**2, squares, np.concatenate([[0.0], row])) for row in growth]
    )
    repeats = inside[:, :3] / inside[:, 3:]
    assert found.fraction == pytest.approx(repeats.mean(axis=0), abs=4e-4)
    # A covariance from 6000 repeats is known to 1/√3000 = 1.8 %; three of those.
    np.testing.assert_allclose(
        found.covariance, np.cov(repeats.T), atol=0.055 * found.covariance.max()
    )


def test_beyond_the_reference_radius_there_is_nothing():
    curve = measured_curve(gaussian_rings())
    with pytest.raises(MeasurementError, match="must not be beyond the reference radius"):
        curve.at(np.array([1.0, 500.0]))


@pytest.mark.parametrize("terms", [0, 3])
def test_files_hold_what_was_written(tmp_path, terms):
    net = gaussian_rings(systematic_modes=np.ones((terms, 120)))
    measured = measured_curve(net, pixel_size=0.01)
    star = UncertainCurve(
        radius_arcsec=measured.radius_arcsec,
        fraction=measured.fraction**2,
        covariance=2 * measured.covariance,
        terms=(CurveTerm(term="roughness", kind="model", change=measured.fraction - 1),),
    )
    write_curves(tmp_path, "m", measured, star)
    for found, wanted in zip(
        read_curves(curve_file(tmp_path, "m")), (measured, star), strict=True
    ):
        np.testing.assert_array_equal(found.fraction, wanted.fraction)
        np.testing.assert_array_equal(found.radius_arcsec, wanted.radius_arcsec)
        np.testing.assert_allclose(found.covariance, wanted.covariance, rtol=1e-6)
        assert [(t.term, t.kind) for t in found.terms] == [
            (t.term, t.kind) for t in wanted.terms
        ]
        for one, other in zip(found.terms, wanted.terms, strict=True):
            np.testing.assert_array_equal(one.change, other.change)
    first = curve_file(tmp_path, "m").read_bytes()
    write_curves(tmp_path, "m", measured, star)
    assert curve_file(tmp_path, "m").read_bytes() == first


def test_without_a_star_and_without_terms(tmp_path):
    write_curves(tmp_path, "m", measured_curve(gaussian_rings()), None)
    measured, star = read_curves(curve_file(tmp_path, "m"))
    assert star is None
    assert measured.terms == ()
    with fits.open(curve_file(tmp_path, "m"), checksum=True) as hdus:
        assert [hdu.name for hdu in hdus[1:]] == [
            "MEASURED", "MEASURED_COVARIANCE", "MEASURED_TERMS",
        ]  # fmt: skip
