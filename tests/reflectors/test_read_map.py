"""Maps from files: units, spacing, damage."""

import astropy.units as u
import numpy as np
import pytest
from astropy.io import fits

from beamreduce.errors import ReflectorError
from beamreduce.reflectors import read_map
from tests.reflectors.folders import write_map

HEIGHTS = np.random.default_rng(51).normal(0, 2, (20, 30))


@pytest.mark.parametrize(("unit", "factor"), [("nm", 1), ("um", 1000), ("Angstrom", 0.1)])
def test_fits_heights_come_in_their_unit(tmp_path, unit, factor):
    path = tmp_path / "a.fits"
    write_map(path, HEIGHTS, unit)
    found = read_map(path, pixel_size=2 * u.um, pixel_size_y=3 * u.um)
    np.testing.assert_allclose(found.height_nm, HEIGHTS * factor, rtol=1e-6)
    assert (found.pixel_x_um, found.pixel_y_um) == (2, 3)


def test_fits_in_an_extension_packed_with_blanks(tmp_path):
    path = tmp_path / "a.fits.gz"
    whole = (HEIGHTS * 1000).astype(np.int32)
    whole[3, 4] = -999999
    image = fits.ImageHDU(whole)
    image.header["BUNIT"] = "pm"
    image.header["BLANK"] = -999999
    fits.HDUList([fits.PrimaryHDU(), image]).writeto(path)
    found = read_map(path, pixel_size=1 * u.um)
    assert np.isnan(found.height_nm[3, 4])
    assert found.height_nm[0, 0] == pytest.approx(HEIGHTS[0, 0], abs=1e-3)


def test_arrays_need_a_unit_from_outside(tmp_path):
    path = tmp_path / "a.npy"
    np.save(path, HEIGHTS)
    with pytest.raises(ReflectorError, match="array without a unit"):
        read_map(path, pixel_size=1 * u.um)
    found = read_map(path, pixel_size=9 * u.um, height_unit=u.um)
    np.testing.assert_allclose(found.height_nm, 1000 * HEIGHTS)


def test_the_spacing_in_a_file_and_in_the_table_must_agree(tmp_path):
    import x3pio  # noqa: PLC0415

    path = tmp_path / "a.x3p"
    x3pio.write(path, HEIGHTS * 1e-9, x_scale=1e-6, y_scale=1e-6)
    assert read_map(path, pixel_size=1 * u.um).pixel_x_um == pytest.approx(1)
    with pytest.raises(ReflectorError, match="a unit of one of them is wrong"):
        read_map(path, pixel_size=1 * u.mm)
    with pytest.raises(ReflectorError, match="expected the two to agree"):
        read_map(path, pixel_size=1.3 * u.um)


@pytest.mark.parametrize(
    ("name", "content", "words"),
    [
        ("a.fits", b"no fits at all", "cannot be read"),
        ("a.npy", b"no numpy", "cannot be read"),
        ("a.x3p", b"no zip", "cannot be unpacked"),
        ("a.txt", b"1 2 3", "expected one of .fits"),
    ],
)
def test_files_that_are_no_maps(tmp_path, name, content, words):
    path = tmp_path / name
    path.write_bytes(content)
    with pytest.raises(ReflectorError, match=words):
        read_map(path, pixel_size=1 * u.um, height_unit=u.nm)


@pytest.mark.parametrize(
    ("unit", "pixel", "words"),
    [
        ("nm", 1.1 * u.m, r"points 1.1e\+06 um apart; expected 0.0001 to 100 um"),
        ("nm", 1.1 * u.mm, "points 1100 um apart"),
        ("nm", 1.1 * u.fm, "points 1.1e-09 um apart"),
        ("mm", 1.1 * u.um, "correct the unit of the heights"),
        ("nm", 0.1 * u.nm, "correct the unit of the heights or of pixel_size"),
    ],
)
def test_a_wrong_unit_makes_no_surface(tmp_path, unit, pixel, words):
    path = tmp_path / "a.fits"
    write_map(path, HEIGHTS, unit)
    with pytest.raises(ReflectorError, match=words):
        read_map(path, pixel_size=pixel)


def test_files_that_hold_no_image(tmp_path):
    path = tmp_path / "a.fits"
    fits.PrimaryHDU(np.zeros((2, 8, 8))).writeto(path)
    with pytest.raises(ReflectorError, match="no image of two dimensions"):
        read_map(path, pixel_size=1 * u.um)
    with pytest.raises(ReflectorError, match="no pixel size"):
        read_map(path)
    np.save(tmp_path / "a.npy", np.array(["x"]))
    with pytest.raises(ReflectorError, match="expected numbers"):
        read_map(tmp_path / "a.npy", pixel_size=1 * u.um, height_unit=u.nm)
