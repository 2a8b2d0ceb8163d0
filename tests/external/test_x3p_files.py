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
