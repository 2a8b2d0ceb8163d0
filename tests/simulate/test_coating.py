import numpy as np
import pytest

from beamreduce.simulate.coating import fresnel, make_coating


def test_straight_lines_between_tabulated_angles_are_good_enough():
    coating = make_coating("Au", 8.04778, density=19.3, roughness_nm=0.0)
    angles = np.linspace(1e-4, 0.04, 3001)
    direct = fresnel(1 - 4.710057e-5 + 4.848178e-6j, angles)
    # The index above has seven digits; the bend of the curve is strongest at the
    # critical angle, where steps of 1.5e-6 in the sine leave some 1e-6.
    assert coating.reflected(np.sin(angles)) == pytest.approx(direct, abs=2e-5)


def test_reflectivity_falls_with_angle_and_scatter_rises():
    coating = make_coating("Au", 4.511, density=19.3, roughness_nm=0.5)
    sines = np.linspace(0, 0.03, 500)
    reflected, scattered = coating.reflected(sines), coating.scattered(sines)
    assert reflected[0] == pytest.approx(1)
    assert (np.diff(reflected) < 0).all()
    assert scattered[0] == 0
    assert (np.diff(scattered) > 0).all()
    assert scattered.max() < 1
