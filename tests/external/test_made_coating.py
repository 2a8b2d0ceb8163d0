"""Reflectivity and scatter of made campaigns against published formulas and tables."""

import numpy as np
import pytest

from beamreduce.simulate.coating import fresnel, make_coating


@pytest.mark.parametrize(
    ("degrees", "mean"),
    [  # Fresnel's formulas for δ = 7.5e-5, β = 1e-5, evaluated independently
        (0.2, 0.924617257),
        (0.4, 0.833384008),
        (0.6, 0.656647895),
        (0.7, 0.381087205),
        (0.8, 0.120585305),
        (1.0, 0.028550892),
    ],
)
@pytest.mark.parametrize("sign", [1, -1])
def test_fresnel_without_a_table(degrees, mean, sign):
    index = 1 - 7.5e-5 + sign * 1e-5j
    assert fresnel(index, np.radians(degrees)) == pytest.approx(mean, abs=1e-8)


@pytest.mark.parametrize(
    ("material", "density", "energy", "degrees", "expected"),
    [  # Henke, Gullikson & Davis 1993, ADNDT 54, 181, smooth surface; six digits
        ("Au", 19.3, 1.48656, 0.3, 0.939081),
        ("Au", 19.3, 4.51084, 0.4, 0.805998),
        ("Au", 19.3, 6.40384, 0.6, 0.629172),
        ("Au", 19.3, 8.04778, 0.5, 0.667390),
        ("Pt", 21.45, 8.04778, 0.3, 0.890061),
        ("Ni", 8.908, 6.40384, 0.5, 0.812153),
    ],
)
def test_reflectivity_of_coatings(material, density, energy, degrees, expected):
    coating = make_coating(material, energy, density=density, roughness_nm=0.0)
    found = coating.reflected(np.sin(np.radians([degrees])))
    # Rounding of the table, 5e-7, and straight lines between steps of 6e-6 in the sine.
    assert found[0] == pytest.approx(expected, abs=2e-6)


@pytest.mark.parametrize(
    ("energy", "roughness", "degrees", "scattered"),
    [  # 1 - exp(-(4πσ sinθ/λ)²): Bennett & Porteus 1961, JOSA 51, 123; evaluated here
        (1.48656, 0.5, 0.5, 0.004312583),
        (6.40384, 0.3, 0.4, 0.018309298),
        (8.04778, 0.5, 0.6, 0.166730556),
        (8.04778, 1.0, 0.5, 0.397499871),
    ],
)
def test_scattered_share(energy, roughness, degrees, scattered):
    coating = make_coating("Au", energy, density=19.3, roughness_nm=roughness)
    found = coating.scattered(np.sin(np.radians([degrees])))
    assert found[0] == pytest.approx(scattered, rel=1e-6)
