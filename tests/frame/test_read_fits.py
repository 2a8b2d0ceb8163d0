import gzip
import re
from pathlib import Path

import numpy as np
import pytest
from astropy.io import fits

from beamreduce.errors import FrameError
from beamreduce.frame import FrameFiles, read_frame


@pytest.fixture
def pixels():
    return np.random.default_rng(11).integers(0, 65536, (40, 50)).astype(np.uint16)


@pytest.fixture
def whole(tmp_path, pixels):
    path = tmp_path / "whole.fits"
    fits.writeto(path, pixels)
    return path


@pytest.mark.parametrize("dtype", ["u1", "i2", "u2", "i4", "u4", "i8", "f4", "f8"])
@pytest.mark.parametrize("suffix", [".fits", ".fits.gz"])
def test_numbers_and_their_type_come_back_as_written(tmp_path, dtype, suffix):
    rng = np.random.default_rng(1)
    values = (rng.normal(size=(30, 20)) * 100).astype("i4").astype(dtype)
    fits.writeto(tmp_path / f"a{suffix}", values)
    frame = read_frame(tmp_path / f"a{suffix}")
    assert frame.pixels.dtype == np.dtype(dtype)
    assert frame.pixels.dtype.isnative
    np.testing.assert_array_equal(frame.pixels, values)
    assert frame.without_data is None


def test_unsigned_frames_stay_small(whole, pixels):
    assert read_frame(whole).pixels.nbytes == pixels.nbytes


def test_scaled_integers_become_their_physical_values(tmp_path):
    hdu = fits.PrimaryHDU(np.arange(600, dtype="f4").reshape(20, 30))
    hdu.scale("int16", bzero=10.0, bscale=2.0)
    hdu.writeto(tmp_path / "scaled.fits")
    expected = np.arange(600).reshape(20, 30)
    # Rounding to steps of 2 while writing.
    assert np.abs(read_frame(tmp_path / "scaled.fits").pixels - expected).max() <= 1


@pytest.mark.parametrize("dtype", ["i2", "u2"])
@pytest.mark.parametrize("suffix", [".fits", ".fits.gz"])
def test_extremes_and_extensions_of_16_bits(tmp_path, dtype, suffix):
    """Every value of the type, behind a table and in front of another image."""
    limits = np.iinfo(dtype)
    pixels = np.arange(limits.min, limits.max + 1, dtype=dtype).reshape(128, 512)
    table = fits.BinTableHDU(np.zeros(7, dtype=[("a", "f4")]))
    image, other = fits.ImageHDU(pixels), fits.ImageHDU(pixels[:5] * 0)
    image.header["DETTEMP"] = -60.5
    path = tmp_path / f"frame{suffix}"
    fits.HDUList([fits.PrimaryHDU(), table, image, other]).writeto(path, checksum=True)
    frame = read_frame(path)
    assert frame.pixels.dtype == np.dtype(dtype)
    assert np.array_equal(frame.pixels, pixels)
    assert frame.cards["DETTEMP"] == -60.5
    frame.pixels[0, 0] = 1  # the pixels are the caller's own


@pytest.mark.parametrize("dtype", ["i2", "u2", "i4"])
def test_blank_pixels_hold_no_data(tmp_path, dtype):
    values = np.arange(100, 700).reshape(20, 30).astype(dtype)
    values[3, 4] = 0
    hdu = fits.PrimaryHDU(values)
    hdu.header["BLANK"] = -32768 if dtype == "u2" else 0
    hdu.writeto(tmp_path / "blank.fits")
    frame = read_frame(tmp_path / "blank.fits")
    assert np.argwhere(frame.without_data).tolist() == [[3, 4]]
    assert frame.pixels[3, 5] == values[3, 5]


def test_the_first_image_extension_counts_when_the_primary_is_empty(tmp_path, pixels):
    primary = fits.PrimaryHDU()
    primary.header["FILTER"] = "Al"
    primary.header["SHARED"] = "primary"
    table = fits.BinTableHDU.from_columns([fits.Column("x", "J", array=[1, 2])])
    image = fits.ImageHDU(pixels, name="RAW")
    image.header["SHARED"] = "image"
    other = fits.ImageHDU(np.zeros((3, 3)))
    fits.HDUList([primary, table, image, other]).writeto(tmp_path / "multi.fits")
    frame = read_frame(tmp_path / "multi.fits")
    np.testing.assert_array_equal(frame.pixels, pixels)
    assert frame.cards["FILTER"] == "Al"
    assert frame.cards["SHARED"] == "image"


def test_a_short_last_block_loses_no_pixel(tmp_path, whole, pixels):
    cut = tmp_path / "unpadded.fits"
    cut.write_bytes(whole.read_bytes()[: 2880 + pixels.nbytes])
    np.testing.assert_array_equal(read_frame(cut).pixels, pixels)


def test_whole_checksums_are_accepted(tmp_path, pixels):
    hdus = fits.HDUList([fits.PrimaryHDU(), fits.CompImageHDU(pixels)])
    hdus.writeto(tmp_path / "sum.fits", checksum=True)
    np.testing.assert_array_equal(read_frame(tmp_path / "sum.fits").pixels, pixels)


def test_a_changed_pixel_breaks_the_checksum(tmp_path, pixels):
    path = tmp_path / "sum.fits"
    fits.writeto(path, pixels, checksum=True)
    content = bytearray(path.read_bytes())
    content[2880 + 77] ^= 1
    path.write_bytes(content)
    with pytest.raises(FrameError, match=r"sum\.fits: found .*DATASUM.* expected DATASUM"):
        read_frame(path)


def test_a_changed_card_breaks_the_checksum(tmp_path, pixels):
    path = tmp_path / "sum.fits"
    fits.writeto(path, pixels, fits.Header({"EXPTIME": 10}), checksum=True)
    old = b"EXPTIME =                   10"
    path.write_bytes(path.read_bytes().replace(old, old[:-2] + b"11"))
    with pytest.raises(FrameError, match=r"sum\.fits: found a CHECKSUM .* renew CHECKSUM"):
        read_frame(path)


def text(path):
    path.write_text("not an image at all\n" * 300)


def cut_data(path):
    path.write_bytes(path.read_bytes()[:4000])


def cut_header(path):
    path.write_bytes(path.read_bytes()[:1000])


def cut_gzip(path):
    path.write_bytes(gzip.compress(path.read_bytes())[:-500])


def gzip_of_cut(path):
    path.write_bytes(gzip.compress(path.read_bytes()[:4000]))


def empty(path):
    path.write_bytes(b"")


def no_image(path):
    table = fits.BinTableHDU.from_columns([fits.Column("x", "J", array=[1])])
    fits.HDUList([fits.PrimaryHDU(), table]).writeto(path, overwrite=True)


def cube(path):
    fits.writeto(path, np.ones((2, 4, 5)), overwrite=True)


def line(path):
    fits.writeto(path, np.ones(9), overwrite=True)


def all_nan(path):
    fits.writeto(path, np.full((4, 5), np.nan), overwrite=True)


def folder(path):
    path.unlink()
    path.mkdir()


def missing(path):
    path.unlink()


@pytest.mark.parametrize(
    ("spoil", "found", "expected"),
    [
        (empty, "an empty file", "a FITS image"),
        (text, "not FITS", "SIMPLE"),
        (cut_data, "4000 bytes", "8640 bytes"),
        (cut_header, "inside a header", "END"),
        (cut_gzip, "gzip file that breaks off", "a whole gzip file"),
        (gzip_of_cut, "4000 bytes once unpacked", "8640 bytes"),
        (no_image, "no image", "two-dimensional"),
        (cube, "3 dimensions", "two-dimensional"),
        (line, "1 dimension", "two-dimensional"),
        (all_nan, "all NaN", "an image with data"),
        (folder, "", "file"),
        (missing, "No such file", "file"),
    ],
)
def test_every_unreadable_file_has_its_own_sentence(whole, spoil, found, expected):
    spoil(whole)
    message = rf"whole\.fits: found .*{found}.*; expected .*{expected}.*; \w+"
    with pytest.raises(FrameError, match=message):
        read_frame(whole)


@pytest.mark.parametrize("at", range(0, 8640, 311))
def test_a_file_cut_anywhere_is_one_clear_error_or_whole(whole, at, pixels):
    content = whole.read_bytes()
    whole.write_bytes(content[:at])
    if at >= 2880 + pixels.nbytes:
        np.testing.assert_array_equal(read_frame(whole).pixels, pixels)
        return
    with pytest.raises(FrameError, match=r"whole\.fits: found .*; expected .*; \w+"):
        read_frame(whole)


def test_garbage_inside_compressed_tiles_is_named(tmp_path, pixels):
    path = tmp_path / "tiles.fits"
    tiles = fits.CompImageHDU(pixels, compression_type="GZIP_1")
    fits.HDUList([fits.PrimaryHDU(), tiles]).writeto(path)
    content = bytearray(path.read_bytes())
    content[-len(content) // 3 :] = b"\xff" * (len(content) // 3)
    path.write_bytes(content)
    with pytest.raises(FrameError, match=r"tiles\.fits: found an image that cannot be dec"):
        read_frame(path)


def test_zero_everywhere_is_refused_where_asked(tmp_path):
    fits.writeto(tmp_path / "dark.fits", np.zeros((4, 5), dtype="u2"))
    assert not read_frame(tmp_path / "dark.fits").pixels.any()
    with pytest.raises(
        FrameError, match=r"dark\.fits: found zero in every pixel; expected"
    ):
        read_frame(tmp_path / "dark.fits", refuse_zero=True)


@pytest.mark.parametrize("file", ["../out.fits", "/etc/hostname", "link.fits", "a/../../x"])
def test_paths_that_leave_the_folder_are_refused(tmp_path, file):
    root = tmp_path / "campaign"
    root.mkdir()
    fits.writeto(tmp_path / "out.fits", np.ones((4, 5)))
    (root / "link.fits").symlink_to(tmp_path / "out.fits")
    with pytest.raises(
        FrameError, match=rf"{re.escape(file)}: found .*expected a file bel"
    ):
        read_frame(Path(file), root=root)


def test_files_are_named_as_the_campaign_names_them(tmp_path, whole):
    (tmp_path / "frames").mkdir()
    whole.rename(tmp_path / "frames" / "a.fits")
    assert read_frame(Path("frames/a.fits"), root=tmp_path).name == "frames/a.fits"


def open_files():
    return len(list(Path("/proc/self/fd").iterdir()))


@pytest.mark.slow
@pytest.mark.skipif(not Path("/proc/self/fd").is_dir(), reason="needs /proc")
def test_thousands_of_frames_leave_no_file_open(tmp_path, whole_grid):
    count = 2000 if whole_grid else 100
    paths = [tmp_path / "a.fits", tmp_path / "b.fits.gz", tmp_path / "c.fits"]
    values = np.ones((8, 8), dtype="u2")
    fits.writeto(paths[0], values)
    fits.writeto(paths[1], values)
    fits.HDUList([fits.PrimaryHDU(), fits.CompImageHDU(values)]).writeto(paths[2])
    before = open_files()
    kept = [frame.pixels for frame in FrameFiles([paths[i % 3] for i in range(count)])]
    assert len(kept) == count
    assert open_files() == before


def test_the_file_may_be_removed_while_its_pixels_live(whole, pixels):
    frame = read_frame(whole)
    whole.unlink()
    np.testing.assert_array_equal(frame.pixels, pixels)


def test_an_unusual_header_is_read_without_a_word(tmp_path):
    """BLANK belongs to integers; a library warns of it, the campaign is none the worse."""
    unit = fits.PrimaryHDU(np.ones((4, 6), np.float32))
    unit.header["TEMP"] = 3.5
    unit.writeto(tmp_path / "a.fits")
    content = (tmp_path / "a.fits").read_bytes()
    content = content.replace(b"TEMP    =", b"BLANK   =")
    (tmp_path / "a.fits").write_bytes(content)
    frame = read_frame(tmp_path / "a.fits")
    assert frame.cards["BLANK"] == 3.5
    assert np.all(frame.pixels == 1.0)
