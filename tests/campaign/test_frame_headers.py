import gzip

import numpy as np
import pytest
from astropy.io import fits

from beamreduce.campaign.frame_headers import check_frame, read_frame_header

IMAGE = np.arange(30 * 40, dtype=np.int16).reshape(30, 40)
BOTH = pytest.mark.parametrize("look", [read_frame_header, check_frame])


def saved(folder, *units, name="a.fits", checksum=False):
    path = folder / name
    hdus = [fits.PrimaryHDU(units[0])] + [
        unit if isinstance(unit, fits.CompImageHDU) else fits.ImageHDU(unit)
        for unit in units[1:]
    ]
    fits.HDUList(hdus).writeto(path, checksum=checksum)
    return path


def spoilt(path, at, value=b"\xff"):
    content = bytearray(path.read_bytes())
    content[at : at + len(value)] = value
    path.write_bytes(bytes(content))
    return path


def trouble(path, look=check_frame):
    header, problems = look(path, "frames/a.fits")
    (problem,) = problems
    assert problem.file == "frames/a.fits"
    return header, str(problem)


@BOTH
@pytest.mark.parametrize(
    ("dtype", "stored"),
    [("u1", "uint8"), ("i2", "int16"), ("u2", "int16"), ("i4", "int32"), ("i8", "int64"),
     ("f4", "float32"), ("f8", "float64")],
)  # fmt: skip
def test_shape_and_type_of_the_primary_image(tmp_path, look, dtype, stored):
    header, problems = look(saved(tmp_path, IMAGE.astype(dtype)), "a")
    assert not problems
    assert header.shape == (30, 40)
    assert header.hdu == 0
    assert header.stored_as == stored


@BOTH
def test_the_first_image_extension_is_found(tmp_path, look):
    path = saved(tmp_path, None, IMAGE, np.zeros((2, 2)))
    header, problems = look(path, "a")
    assert not problems
    assert (header.hdu, header.shape) == (1, (30, 40))


@BOTH
def test_an_image_behind_a_table_is_found(tmp_path, look):
    table = fits.BinTableHDU.from_columns([fits.Column("x", "J", array=[1, 2, 3])])
    path = tmp_path / "a.fits"
    fits.HDUList([fits.PrimaryHDU(), table, fits.ImageHDU(IMAGE)]).writeto(path)
    header, problems = look(path, "a")
    assert not problems
    assert (header.hdu, header.shape) == (2, (30, 40))


@BOTH
def test_a_tile_compressed_image_is_seen_as_the_image_it_holds(tmp_path, look):
    path = saved(tmp_path, None, fits.CompImageHDU(IMAGE), checksum=True)
    header, problems = look(path, "a")
    assert not problems
    assert (header.hdu, header.shape) == (1, (30, 40))
    assert header.stored_as == "int16 tile-compressed"


@BOTH
@pytest.mark.parametrize("name", ["a.fits.gz", "a.fits"])
def test_gzip_is_known_by_its_content(tmp_path, look, name):
    path = saved(tmp_path, None, IMAGE, checksum=True)
    packed = tmp_path / "packed" / name
    packed.parent.mkdir()
    packed.write_bytes(gzip.compress(path.read_bytes()))
    header, problems = look(packed, "a")
    assert not problems
    assert header.shape == (30, 40)


def test_cards_come_from_the_image_before_the_primary_unit(tmp_path):
    path = saved(tmp_path, None, IMAGE)
    with fits.open(path, mode="update") as content:
        content[0].header["BOTH"] = 1
        content[1].header["BOTH"] = 2
        content[0].header["ONE"] = 3
    header, _ = read_frame_header(path, "a")
    assert header.card("BOTH").value == 2
    assert header.card("ONE").value == 3
    assert header.card("NONE") is None


@BOTH
def test_an_empty_file(tmp_path, look):
    path = tmp_path / "a.fits"
    path.write_bytes(b"")
    header, text = trouble(path, look)
    assert header is None
    assert "found an empty file" in text


@BOTH
@pytest.mark.parametrize(
    "content",
    [b"P5 40 30 255\n" + bytes(5000), b"SIMPLE  =                    F".ljust(2880)],
)
def test_a_file_that_is_not_fits(tmp_path, look, content):
    path = tmp_path / "a.fits"
    path.write_bytes(content)
    header, text = trouble(path, look)
    assert header is None
    assert "not FITS" in text


@BOTH
@pytest.mark.parametrize("keep", [2880 + 100, 2880 + 2399])
def test_a_truncated_file_gives_bytes_found_and_expected(tmp_path, look, keep):
    path = saved(tmp_path, IMAGE)
    whole = path.stat().st_size
    path.write_bytes(path.read_bytes()[:keep])
    _, text = trouble(path, look)
    assert f"found {keep} bytes" in text
    assert f"expected {whole} bytes" in text


@BOTH
def test_a_file_without_its_last_padding_is_whole(tmp_path, look):
    path = saved(tmp_path, IMAGE)
    path.write_bytes(path.read_bytes()[: 2880 + 2400])
    header, problems = look(path, "a")
    assert not problems
    assert header.shape == (30, 40)


@BOTH
def test_a_file_that_ends_in_its_header(tmp_path, look):
    path = saved(tmp_path, IMAGE)
    path.write_bytes(path.read_bytes()[:1000])
    header, text = trouble(path, look)
    assert header is None
    assert "ends inside a header, after 1000 bytes" in text


@BOTH
def test_a_header_without_end(tmp_path, look):
    path = saved(tmp_path, IMAGE)
    content = path.read_bytes()
    path.write_bytes(content[:2880].replace(b"END ", b"ENX ") * 3)
    header, text = trouble(path, look)
    assert header is None
    assert "without an END card" in text


@BOTH
def test_a_truncated_second_image(tmp_path, look):
    path = saved(tmp_path, IMAGE, IMAGE)
    path.write_bytes(path.read_bytes()[:-2880])
    _, text = trouble(path, look)
    assert "by the header of unit 1" in text


@BOTH
@pytest.mark.parametrize(
    ("shape", "words"), [((2, 3, 4), "3 dimensions (4 × 3 × 2)"), ((9,), "1 dimensions")]
)
def test_an_image_of_other_dimensions(tmp_path, look, shape, words):
    header, text = trouble(saved(tmp_path, np.zeros(shape, np.float32)), look)
    assert header is None
    assert words in text
    assert "expected a two-dimensional image" in text


@BOTH
def test_a_file_without_image(tmp_path, look):
    header, text = trouble(saved(tmp_path, None), look)
    assert header is None
    assert "no image" in text


@BOTH
def test_a_missing_structural_card(tmp_path, look):
    path = saved(tmp_path, IMAGE)
    path.write_bytes(path.read_bytes().replace(b"NAXIS2  =", b"NAXIX2  ="))
    header, text = trouble(path, look)
    assert header is None
    assert "NAXIS2 missing" in text


@BOTH
def test_a_folder_in_place_of_a_file(tmp_path, look):
    header, text = trouble(tmp_path, look)
    assert header is None
    assert "cannot be read" in text


def test_spoilt_data_break_datasum(tmp_path):
    path = saved(tmp_path, IMAGE, checksum=True)
    assert check_frame(path, "a")[1] == []
    start = path.stat().st_size - 2880
    header, text = trouble(spoilt(path, start + 100))
    assert header.shape == (30, 40)
    assert "DATASUM" in text
    assert read_frame_header(path, "a")[1] == []  # looks at headers only


def test_a_spoilt_header_breaks_checksum(tmp_path):
    path = saved(tmp_path, IMAGE)
    with fits.open(path, mode="update") as content:
        content[0].header["EXPTIME"] = 10.0
        content[0].add_checksum()
    assert check_frame(path, "a")[1] == []
    at = path.read_bytes().index(b"10.0")
    _, text = trouble(spoilt(path, at, b"20.0"))
    assert "CHECKSUM of unit 0" in text
    assert "renew CHECKSUM" in text


def test_a_frame_without_checksums_has_none_to_break(tmp_path):
    path = saved(tmp_path, IMAGE)
    assert check_frame(spoilt(path, path.stat().st_size - 2880), "a")[1] == []


def test_sums_agree_with_those_of_a_general_library(tmp_path):
    """1000 words of every size: carries of ones' complement come back in."""
    rng = np.random.default_rng(7)
    for number, size in enumerate(rng.integers(1, 400, 20)):
        data = rng.integers(-(2**31), 2**31, (int(size), 7), dtype=np.int64).astype("i4")
        path = saved(tmp_path, data, name=f"{number}.fits", checksum=True)
        assert check_frame(path, "a")[1] == []


def test_a_spoilt_gzip_file(tmp_path):
    packed = tmp_path / "a.fits.gz"
    rng = np.random.default_rng(1)
    content = saved(tmp_path, rng.integers(0, 30000, (100, 100)).astype("i2")).read_bytes()
    packed.write_bytes(gzip.compress(content))
    spoilt(packed, packed.stat().st_size - 6)
    _, text = trouble(packed)
    assert "gzip" in text


@pytest.mark.parametrize("look", [check_frame])
def test_a_gzip_file_that_breaks_off(tmp_path, look):
    packed = tmp_path / "a.fits.gz"
    packed.write_bytes(gzip.compress(saved(tmp_path, IMAGE).read_bytes())[:-200])
    _, text = trouble(packed, look)
    assert "gzip file that breaks off" in text


def test_a_whole_gzip_file_of_a_truncated_frame(tmp_path):
    packed = tmp_path / "a.fits.gz"
    packed.write_bytes(gzip.compress(saved(tmp_path, IMAGE).read_bytes()[:4000]))
    _, text = trouble(packed)
    assert "4000 bytes once unpacked" in text


def test_a_truncated_frame_of_many_blocks(tmp_path):
    path = saved(tmp_path, np.zeros((1500, 700), np.float32), checksum=True)
    path.write_bytes(path.read_bytes()[:-5760])
    _, text = trouble(path)
    assert "truncated" in text
