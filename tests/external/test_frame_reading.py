"""Frames against a second FITS reader (fitsio, on CFITSIO), written by either."""

import fitsio
import numpy as np
import pytest
from astropy.io import fits

from beamreduce.errors import FrameError
from beamreduce.frame import read_frame

SHAPE = (70, 90)


def values(dtype):
    rng = np.random.default_rng(20240903)
    if np.dtype(dtype).kind == "f":
        return rng.normal(1000, 20, SHAPE).astype(dtype)
    span = np.iinfo(dtype)
    return rng.integers(max(span.min, -(2**30)), min(span.max, 2**30), SHAPE).astype(dtype)


def second_reading(path, extension=0):
    with fitsio.FITS(str(path)) as content:
        return content[extension].read()


@pytest.mark.parametrize("dtype", ["u1", "i2", "u2", "i4", "u4", "f4", "f8"])
@pytest.mark.parametrize("suffix", ["fits", "fits.gz"])
def test_what_the_second_library_wrote(tmp_path, dtype, suffix):
    path = tmp_path / f"a.{suffix}"
    fitsio.write(str(path), values(dtype))
    frame = read_frame(path)
    assert frame.pixels.dtype == np.dtype(dtype)
    np.testing.assert_array_equal(frame.pixels, values(dtype))


@pytest.mark.parametrize("dtype", ["u1", "i2", "u2", "i4", "u4", "f4", "f8"])
@pytest.mark.parametrize("suffix", ["fits", "fits.gz"])
def test_what_both_read(tmp_path, dtype, suffix):
    path = tmp_path / f"a.{suffix}"
    fits.writeto(path, values(dtype))
    np.testing.assert_array_equal(read_frame(path).pixels, second_reading(path))


@pytest.mark.parametrize(
    ("method", "dtype"),
    [(m, d) for m in ("RICE", "GZIP", "HCOMPRESS") for d in ("i2", "u2", "i4")]
    + [("PLIO", "i2")],  # holds positive whole numbers of up to 24 bits
)
def test_tiles_of_the_second_library(tmp_path, method, dtype):
    path = tmp_path / "a.fits.fz"
    content = np.abs(values(dtype) // 8)
    fitsio.write(str(path), content, compress=method, hcomp_scale=0)
    frame = read_frame(path)
    np.testing.assert_array_equal(frame.pixels, second_reading(path, 1))
    np.testing.assert_array_equal(frame.pixels, content)


@pytest.mark.parametrize("dtype", ["f4", "f8"])
def test_quantised_floats_in_tiles(tmp_path, dtype):
    path = tmp_path / "a.fits.fz"
    fitsio.write(str(path), values(dtype), compress="RICE", qlevel=16)
    # The same dithering is taken off by both.
    np.testing.assert_allclose(read_frame(path).pixels, second_reading(path, 1), rtol=1e-6)


@pytest.mark.parametrize("method", ["RICE_1", "GZIP_1", "GZIP_2", "HCOMPRESS_1"])
def test_tiles_that_both_read(tmp_path, method):
    path = tmp_path / "a.fits"
    tiles = fits.CompImageHDU(values("u2") // 8, compression_type=method)
    fits.HDUList([fits.PrimaryHDU(), tiles]).writeto(path)
    np.testing.assert_array_equal(read_frame(path).pixels, second_reading(path, 1))


def test_scaled_integers_and_extensions(tmp_path):
    path = tmp_path / "a.fits"
    scaled = fits.ImageHDU(values("f4"))
    scaled.scale("int16", bzero=1000.0, bscale=0.05)
    fits.HDUList([fits.PrimaryHDU(), scaled]).writeto(path)
    np.testing.assert_array_equal(read_frame(path).pixels, second_reading(path, 1))


def test_checksums_of_the_second_library_are_held(tmp_path):
    path = tmp_path / "a.fits"
    with fitsio.FITS(str(path), "rw", clobber=True) as content:
        content.write(values("u2"))
        content[0].write_checksum()
    np.testing.assert_array_equal(read_frame(path).pixels, values("u2"))
    changed = bytearray(path.read_bytes())
    changed[2880 + 100] ^= 4
    path.write_bytes(changed)
    with pytest.raises(FrameError, match=r"a\.fits: found .*DATASUM"):
        read_frame(path)
