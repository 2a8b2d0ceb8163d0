"""Scatter of rough surfaces: Bennett & Porteus 1961, JOSA 51, 123, and Debye-Waller."""

import astropy.units as u
import numpy as np
import pytest

from beamreduce.mirror import specular_share
from beamreduce.record import Uncertain
from beamreduce.reflectors import (
    Halo,
    scatter_angle,
    scatter_effect,
    scatter_of,
    scattered_fraction,
)


@pytest.mark.parametrize(
    ("kev", "nm", "degrees", "share"),
    [
        (1.48656, 0.5, 0.5, 0.004312583),
        (4.51084, 0.5, 0.5, 0.039013325),
        (6.40384, 0.3, 0.4, 0.018309298),
        (8.04778, 0.5, 0.6, 0.166730556),
        (8.04778, 1.0, 0.5, 0.397499871),
    ],
)
def test_bennett_and_porteus(kev, nm, degrees, share):
    found = scattered_fraction(nm * u.nm, kev * u.keV, degrees * u.deg)
    assert found == pytest.approx(share, rel=2e-6)
    ours = scatter_of(Uncertain(value=nm, statistical=0.0), kev, np.radians(degrees))
    assert ours.value == pytest.approx(share, rel=2e-6)


def test_visible_light_straight_on():
    energy = (632.8 * u.nm).to(u.keV, equivalencies=u.spectral())
    found = scattered_fraction(1 * u.nm, energy, 90 * u.deg)
    assert found == pytest.approx(3.942767e-4, rel=1e-6)


def test_it_is_what_debye_and_waller_leave():
    angles = np.radians([0.1, 0.4, 0.8])
    energies = np.array([1.0, 6.4, 10.0])
    rough = scattered_fraction(0.4 * u.nm, energies * u.keV, angles * u.rad)
    left = specular_share(
        (1e-5, 1e-6),
        angles,
        roughness_in_wavelengths=0.4 * energies / 1.2398419843320026,
        roughness_model="debye_waller",
    )
    np.testing.assert_allclose(1 - rough, left, rtol=1e-12)


def test_grating_relation():
    # λ 0.834034 nm, 0.5°, 1′: 3.043576 waves a mm.
    energy = (0.834034 * u.nm).to(u.keV, equivalencies=u.spectral())
    angle = scatter_angle(1 / 3.043576 * u.mm, energy, 0.5 * u.deg)
    assert angle.to_value(u.arcmin) == pytest.approx(1.0, rel=1e-6)


def test_uncertainty_is_the_scatter_of_repeats():
    rng = np.random.default_rng(11)
    claimed = scatter_of(Uncertain(value=0.5, statistical=0.02), 8.0, 0.009).statistical
    draws = scattered_fraction(
        rng.normal(0.5, 0.02, 20_000) * u.nm, 8 * u.keV, 0.009 * u.rad
    )
    # 20 000 draws know it to half a per cent; the second order adds a tenth of that.
    assert claimed == pytest.approx(draws.std(), rel=0.02)


def test_effect_on_the_half_power_diameter_by_photons():
    """Against photons drawn from the same picture: a normal law, a share lost far out."""
    share, core = 0.12, 30.0
    found = scatter_effect(
        Uncertain(value=share, statistical=0.01), core_hpd=core * u.arcsec
    )
    rng = np.random.default_rng(12)
    radii = np.abs(rng.normal(0, core / 1.3489795003921634, 400_000))
    radii[rng.random(radii.size) < share] = 1e6
    seen = 2 * np.median(radii)
    # Standard error of a median: √(¼/N) over the density there, here 0.2 %.
    assert found.hpd_arcsec == pytest.approx(seen, rel=0.008)
    assert found.hpd_gain_arcsec == pytest.approx(found.hpd_arcsec - core)
    assert found.area_factor.value == pytest.approx(1 - share)


def test_no_scatter_changes_nothing():
    found = scatter_effect(Uncertain(value=0.0, statistical=0.0), core_hpd=45 * u.arcsec)
    assert found.hpd_arcsec == pytest.approx(45.0, rel=1e-8)


def test_halo_by_photons():
    """Scattered photons turned by the grating rule of waves drawn from the spectrum."""
    share, core = 0.3, 40.0
    energy, angle = 8.0 * u.keV, 0.5 * u.deg
    edges = np.geomspace(0.005, 0.3, 40)
    halo = Halo(edges_per_um=edges, mean_square_nm2=edges**-0.7)
    found = scatter_effect(
        Uncertain(value=share, statistical=0.0),
        core_hpd=core * u.arcsec,
        halo=halo,
        at=(energy, angle),
    )
    rng = np.random.default_rng(16)
    n = 400_000
    radii = np.abs(rng.normal(0, core / 1.3489795003921634, n))
    # Waves are even within a band, as the shares are straight between its edges.
    band = rng.choice(40, n, p=halo.mean_square_nm2 / halo.mean_square_nm2.sum())
    low = np.concatenate([[0.0], edges[:-1]])
    waves = low[band] + rng.random(n) * (edges - low)[band]
    turned = scatter_angle(1 / waves * u.um, energy, angle).to_value(u.arcsec)
    lost = rng.random(n) < share
    seen = 2 * np.median(np.where(lost, turned, radii))
    assert found.hpd_arcsec == pytest.approx(seen, rel=0.01)
    far = scatter_effect(Uncertain(value=share, statistical=0.0), core_hpd=core * u.arcsec)
    assert core < found.hpd_arcsec <= far.hpd_arcsec


def test_more_than_half_scattered_needs_to_know_where_to():
    from beamreduce.errors import SettingsError  # noqa: PLC0415

    most = Uncertain(value=0.7, statistical=0.0)
    with pytest.raises(SettingsError, match="says where to"):
        scatter_effect(most, core_hpd=40 * u.arcsec)
    near = Halo(edges_per_um=np.array([0.001, 0.01]), mean_square_nm2=np.ones(2))
    with pytest.raises(SettingsError, match="energy and grazing angle"):
        scatter_effect(most, core_hpd=40 * u.arcsec, halo=near)
    found = scatter_effect(
        most, core_hpd=40 * u.arcsec, halo=near, at=(8 * u.keV, 0.5 * u.deg)
    )
    assert np.isfinite(found.hpd_arcsec)
