"""Files are whole or not there."""

import errno
import os

import pytest

from beamreduce.errors import OutputError
from beamreduce.record import write_text_whole, write_whole


def names(folder):
    return [path.name for path in folder.iterdir()]


def test_a_file_is_written_and_replaced(tmp_path):
    path = tmp_path / "new" / "results.json"
    write_text_whole(path, "σ = 1\n")
    write_text_whole(path, "σ = 2\n")
    assert path.read_bytes() == "σ = 2\n".encode()
    assert names(path.parent) == ["results.json"]


def test_the_name_keeps_its_ending_while_it_is_written(tmp_path):
    # Writers choose compression by the ending.
    seen = []
    write_whole(tmp_path / "net.fits.gz", lambda p: seen.append(p.name) or p.touch())
    assert seen[0].endswith("net.fits.gz")
    assert seen[0] != "net.fits.gz"


@pytest.mark.parametrize("fault", [errno.ENOSPC, errno.EIO])
def test_a_full_disk_leaves_the_old_file_and_nothing_else(tmp_path, fault):
    path = tmp_path / "results.json"
    write_text_whole(path, "old")

    def write(temporary):
        temporary.write_text("half")
        raise OSError(fault, os.strerror(fault))

    with pytest.raises(OutputError, match=f"found {os.strerror(fault)}.*free space"):
        write_whole(path, write)
    assert path.read_text() == "old"
    assert names(tmp_path) == ["results.json"]


def test_any_other_fault_passes_and_leaves_nothing(tmp_path):
    def write(temporary):
        temporary.write_text("half")
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        write_whole(tmp_path / "results.json", write)
    assert names(tmp_path) == []


def test_a_folder_that_is_a_file_is_named(tmp_path):
    (tmp_path / "out").write_text("")
    with pytest.raises(
        OutputError, match=r"out/results\.json: found .*; expected to write"
    ):
        write_text_whole(tmp_path / "out" / "results.json", "x")


def test_a_name_that_is_too_long_is_an_error_of_the_output(tmp_path):
    with pytest.raises(OutputError, match="expected to write the file"):
        write_text_whole(tmp_path / ("x" * 250), "x")


@pytest.mark.skipif(os.geteuid() == 0, reason="root may write anywhere")
def test_no_permission_is_said(tmp_path):
    tmp_path.chmod(0o500)
    try:
        with pytest.raises(OutputError, match="check free space and permissions"):
            write_text_whole(tmp_path / "results.json", "x")
    finally:
        tmp_path.chmod(0o700)
