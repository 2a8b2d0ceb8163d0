"""X3P files that two other libraries wrote (ISO 25178-72:2017)."""

import numpy as np
import pytest
import surfalize
import x3pio

from beamreduce.errors import ReflectorError
from beamreduce.reflectors import read_map, read_x3p

RNG = np.random.default_rng(3)
HEIGHTS_NM = RNG.normal(0, 3, (48, 60))
HEIGHTS_NM[5:8, 10:14] = np.nan


# It warns of steps that differ, which is what is tried here.
@pytest.mark.filterwarnings("ignore:The surface has different pixel size")
def test_written_by_surfalize(tmp_path):
    path = tmp_path / "a.x3p"
    surfalize.Surface(HEIGHTS_NM / 1000, 0.9, 1.4).save(path)
    found = read_x3p(path)
    assert (found.pixel_x_um, found.pixel_y_um) == pytest.approx((0.9, 1.4))
    np.testing.assert_allclose(found.height_nm, HEIGHTS_NM, rtol=1e-12)


@pytest.mark.parametrize("kind", ["F", "D"])
def test_written_by_x3pio_as_real_numbers(tmp_path, kind):
    path = tmp_path / "a.x3p"
    options = {"z_type": x3pio.DataType(kind)}
    x3pio.write(path, HEIGHTS_NM * 1e-9, x_scale=0.9e-6, y_scale=1.4e-6, **options)
    found = read_x3p(path)
    assert (found.pixel_x_um, found.pixel_y_um) == pytest.approx((0.9, 1.4))
    accuracy = 1e-12 if kind == "D" else 2**-23
    np.testing.assert_allclose(found.height_nm, HEIGHTS_NM, rtol=accuracy)


def test_written_by_x3pio_as_whole_numbers(tmp_path):
    """Heights in steps, invalid points as flags."""
    path = tmp_path / "a.x3p"
    step = 1e-12
    x3pio.write(
        path,
        HEIGHTS_NM * 1e-9,
        x_scale=1e-6,
        y_scale=1e-6,
        z_type=x3pio.DataType("L"),
        z_scale=step,
    )
    found = read_x3p(path)
    assert np.array_equal(np.isnan(found.height_nm), np.isnan(HEIGHTS_NM))
    np.testing.assert_allclose(found.height_nm, HEIGHTS_NM, atol=0.5001 * step * 1e9)


def test_what_is_no_surface_is_refused(tmp_path):
    path = tmp_path / "profile.x3p"
    x3pio.write(path, HEIGHTS_NM[20] * 1e-9, x_scale=1e-6)
    with pytest.raises(ReflectorError, match=r"profile\.x3p: found data of the type"):
        read_x3p(path)
    path = tmp_path / "layers.x3p"
    layers = np.zeros((2, 16, 16))
    x3pio.write(path, layers, x_scale=1e-6, y_scale=1e-6)
    with pytest.raises(ReflectorError, match="2 layers"):
        read_x3p(path)


def test_damage_is_found(tmp_path):
    import zipfile  # noqa: PLC0415

    whole = tmp_path / "a.x3p"
    surfalize.Surface(HEIGHTS_NM / 1000, 1.0, 1.0).save(whole)
    damaged = tmp_path / "b.x3p"
    with zipfile.ZipFile(whole) as old, zipfile.ZipFile(damaged, "w") as new:
        for entry in old.namelist():
            data = old.read(entry)
            if entry.endswith(".bin"):
                data = data[:100] + bytes([data[100] ^ 1]) + data[101:]
            new.writestr(entry, data)
    with pytest.raises(ReflectorError, match="checksum"):
        read_map(damaged)
    short = tmp_path / "c.x3p"
    short.write_bytes(whole.read_bytes()[:500])
    with pytest.raises(ReflectorError, match="cannot be unpacked"):
        read_map(short)


MAIN = """<?xml version="1.0" encoding="UTF-8"?>
<p:ISO5436_2 xmlns:p="http://www.opengps.eu/2008/ISO5436_2"><Record1>
<Revision>ISO5436 - 2000</Revision><FeatureType>SUR</FeatureType><Axes>
<CX><AxisType>I</AxisType><DataType>D</DataType><Increment>2e-6</Increment></CX>
<CY><AxisType>I</AxisType><DataType>D</DataType><Increment>3e-6</Increment></CY>
<CZ><AxisType>A</AxisType><DataType>D</DataType></CZ>ROTATION</Axes></Record1>
<Record3><MatrixDimension><SizeX>3</SizeX><SizeY>2</SizeY><SizeZ>1</SizeZ>
</MatrixDimension><DataList>DATA</DataList></Record3></p:ISO5436_2>"""


def by_hand(path, data="1e-9;2e-9;;4e-9;5e-9;6e-9", rotation="", main=MAIN):
    """A file as the standard describes it, heights in the XML itself."""
    import zipfile  # noqa: PLC0415

    datums = "".join(f"<Datum>{value}</Datum>" for value in data.split(";"))
    text = main.replace("DATA", datums).replace("ROTATION", rotation)
    with zipfile.ZipFile(path, "w") as archive:
        archive.writestr("main.xml", text)
    return path


def test_heights_in_the_xml_itself(tmp_path):
    found = read_x3p(by_hand(tmp_path / "a.x3p"))
    expected = [[1, 2, np.nan], [4, 5, 6]]
    np.testing.assert_allclose(found.height_nm, expected, rtol=1e-12)
    assert (found.pixel_x_um, found.pixel_y_um) == pytest.approx((2, 3))


@pytest.mark.parametrize(
    ("options", "words"),
    [
        ({"data": "1;2"}, "2 heights for 6 points"),
        ({"data": "1;2;3;4;5;six"}, "a value that cannot be read"),
        ({"rotation": "<Rotation><r11>0</r11></Rotation>"}, "a rotated coordinate"),
        ({"main": MAIN.replace("SUR", "PCL")}, "'PCL'"),
        ({"main": MAIN.replace("<Increment>2e-6</Increment>", "")}, "no Increment"),
        ({"main": MAIN.replace("2e-6", "0")}, "increments of 0"),
        ({"main": MAIN.replace("<SizeX>3", "<SizeX>0")}, "a size of 0"),
        ({"main": MAIN.replace("<AxisType>I", "<AxisType>A", 1)}, "not in even steps"),
        ({"main": MAIN + "<"}, "not XML"),
        ({"main": MAIN.replace("?>", "?><!DOCTYPE x>", 1)}, "declares entities"),
        ({"main": MAIN.replace("<DataList>DATA</DataList>",
          "<DataLink><PointDataLink>bindata/data.bin</PointDataLink></DataLink>")},
         "without a part it needs"),
    ],
)  # fmt: skip
def test_what_the_standard_does_not_mean(tmp_path, options, words):
    with pytest.raises(ReflectorError, match=words):
        read_x3p(by_hand(tmp_path / "a.x3p", **options))
