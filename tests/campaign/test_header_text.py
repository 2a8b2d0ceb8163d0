import numpy as np
import pytest
from astropy.io import fits
from hypothesis import given
from hypothesis import strategies as st

from beamreduce.campaign.frame_headers import check_frame, read_frame_header
from beamreduce.campaign.header_text import in_ascii, told_once
from beamreduce.errors import Problem


def card(text):
    return text.encode("latin-1").ljust(80)


def frame(folder, *replaced, name="a.fits"):
    """A frame in whose header bytes were replaced after it was written."""
    unit = fits.PrimaryHDU(np.ones((4, 6), np.int16))
    unit.header["OBSERVER"] = ("Jose", "who")
    unit.header["TEMP"] = (-60.0, "[Cdeg] of the detector")
    unit.writeto(folder / name, checksum=True)
    content = (folder / name).read_bytes()
    for old, new in replaced:
        assert content.count(old) == 1
        assert len(old) == len(new)
        content = content.replace(old, new)
    (folder / name).write_bytes(content)
    return folder / name


@given(st.binary(min_size=160, max_size=160))
def test_the_header_comes_back_printable_and_every_changed_card_is_named(content):
    clean, cards = in_ascii(content)
    assert len(clean) == len(content)
    assert all(32 <= code <= 126 for code in clean)
    kept = [new == old for new, old in zip(clean, content, strict=True)]
    assert kept == [32 <= code <= 126 for code in content]
    if not clean.startswith(b"END"):  # what follows is padding
        assert bool(cards) == (not all(kept))


def test_cards_are_named_once_and_padding_is_not_looked_at():
    header = b"".join(
        [card("OBSERVER= 'Jos\xe9'"), card("COMMENT 5 \xb5m"), card("COMMENT \xb0C"),
         card("EXPTIME = 3"), card("END"), b"\0" * 80]
    )  # fmt: skip
    clean, cards = in_ascii(header)
    assert cards == ["OBSERVER", "COMMENT"]
    assert clean.startswith(b"OBSERVER= 'Jos?'")


@pytest.mark.parametrize("look", [read_frame_header, check_frame])
@pytest.mark.parametrize("code", [b"\xe9", b"\xff", b"\n", b"\0"])
def test_a_letter_beyond_ascii_is_a_warning_and_the_card_is_still_read(
    tmp_path, look, code
):
    # Eight bits too many spoil CHECKSUM as well: it is taken out of the way.
    path = frame(tmp_path, (b"Jose", b"Jos" + code), (b"CHECKSUM=", b"CHECKSAM="))
    header, (problem,) = look(path, "frames/a.fits")
    assert problem.warning
    assert str(problem).startswith(
        "frames/a.fits: card OBSERVER: found characters that are not ASCII; expected the "
        "printable characters of ASCII"
    )
    assert 'read as "?"' in problem.action
    assert header.card("OBSERVER").value == "Jos?"
    assert header.card("TEMP").value == -60.0


def test_checksums_are_those_of_the_bytes_in_the_file(tmp_path):
    """A header changed after its CHECKSUM was written is told beside the warning."""
    header, problems = check_frame(frame(tmp_path, (b"Jose", b"Jos\xe9")), "a.fits")
    assert header is not None
    assert [problem.warning for problem in problems] == [False, True]
    assert "CHECKSUM" in problems[0].found


def test_a_warning_that_many_files_share_is_told_once():
    def problem(file, warning=True, found="x"):
        return Problem(file=file, found=found, expected="y", action="z", warning=warning)

    told = told_once(
        [problem("a"), problem("b", False), problem("c"), problem("d", found="w"),
         problem("e", False), problem("f")]
    )  # fmt: skip
    assert [(p.file, p.warning) for p in told] == [
        ("b", False), ("e", False), ("a and 2 more", True), ("d", True),
    ]  # fmt: skip
