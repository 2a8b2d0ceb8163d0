"""The check of text files that commits and `make lint` run."""

import subprocess
import sys
from pathlib import Path

import pytest

SCRIPT = Path(__file__).parents[1] / ".ci" / "check_text.py"


def check(*paths):
    done = subprocess.run(
        [sys.executable, SCRIPT, *paths], capture_output=True, text=True, check=False
    )
    assert done.stderr == ""
    return done.returncode, done.stdout


@pytest.mark.parametrize(
    ("name", "content", "words"),
    [
        ("a.md", b"no end", "does not end in one line end"),
        ("a.md", b"two ends\n\n", "does not end in one line end"),
        ("a.md", b"one\ntwo \n", "a.md:2: blanks at the end"),
        ("a.md", b"one\r\n", "line ends of another system"),
        ("a.py", b"<" * 7 + b" mine\n", "a.py:1: a mark that a merge has left"),
        ("a.toml", b"key = \n", "blanks at the end"),
        ("a.toml", b"key =\n", "not TOML"),
        ("a.bin", b"\0" * 500_001, "500001 bytes"),
    ],
)
def test_what_is_wrong_is_named(tmp_path, name, content, words):
    (tmp_path / name).write_bytes(content)
    code, text = check(tmp_path / name)
    assert code == 1
    assert words in text


@pytest.mark.parametrize("content", [b"", b"a line\n", "α\n".encode(), b"\0 no text"])
def test_sound_files_pass(tmp_path, content):
    (tmp_path / "a.md").write_bytes(content)
    assert check(tmp_path / "a.md", tmp_path / "gone.md") == (0, "")
