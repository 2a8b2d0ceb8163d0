"""Checksums of files and of settings."""

import math

import pytest

from beamreduce.errors import FrameError
from beamreduce.record import sha256_of_file, sha256_of_json


def test_the_published_example(tmp_path):
    # FIPS 180-4, example of SHA-256: the message "abc".
    (tmp_path / "abc").write_bytes(b"abc")
    assert sha256_of_file(tmp_path / "abc") == (
        "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
    )


def test_settings_do_not_depend_on_the_order_of_keys():
    one = sha256_of_json({"a": 1, "b": {"x": 0.1, "y": [1, 2]}})
    assert one == sha256_of_json({"b": {"y": [1, 2], "x": 0.1}, "a": 1})
    assert one != sha256_of_json({"a": 1, "b": {"x": 0.1, "y": [2, 1]}})
    assert one != sha256_of_json({"a": 1, "b": {"x": 0.1000000000000001, "y": [1, 2]}})


def test_numbers_that_json_has_not_are_refused():
    with pytest.raises(ValueError, match="not JSON compliant"):
        sha256_of_json({"a": math.nan})


def test_a_file_that_cannot_be_read_is_named(tmp_path):
    with pytest.raises(FrameError, match=r"gone\.fits: found a file that cannot be read"):
        sha256_of_file(tmp_path / "gone.fits")
    with pytest.raises(FrameError, match="Is a directory"):
        sha256_of_file(tmp_path)
