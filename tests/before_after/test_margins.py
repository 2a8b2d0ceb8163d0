import pytest

from beamreduce.before_after import CompareSettings, read_margins
from beamreduce.errors import ResultsError
from beamreduce.record import toml_text

HEAD = 'format = "beamreduce-margins/1"\n'


def margins_from(tmp_path, text):
    path = tmp_path / "margins.toml"
    path.write_text(text)
    return read_margins(path)


def test_what_is_left_out_keeps_its_default(tmp_path):
    found = margins_from(tmp_path, HEAD)
    assert found == CompareSettings()


def test_every_key_is_read(tmp_path):
    found = margins_from(
        tmp_path,
        HEAD
        + """
confidence = 0.9
power = 0.8
distance_tolerance = "0.05 cm"
detector_not_moved = true
common = ["pixel size"]
[margins]
hpd = "2 arcsec"
w90 = "4 %"
eef = 0.01
area = "3 cm2"
position = "0.1 arcmin"
quadrant_position = "2 arcsec"
""",
    )
    assert found.assurance.confidence == 0.9
    assert found.assurance.power == 0.8
    assert found.distance_tolerance_mm == pytest.approx(0.5)
    assert found.detector_not_moved
    assert found.common == ("pixel size",)
    assert found.margins.hpd.of(50.0) == 2.0
    assert found.margins.w90.of(-50.0) == pytest.approx(2.0)
    assert found.margins.position.of(0.0) == pytest.approx(6.0)
    assert found.margins.area.of(100.0) == pytest.approx(3.0)


def test_what_settings_say_reads_back_to_the_same(tmp_path):
    settings = CompareSettings()
    text = HEAD + toml_text(settings.as_plain())
    assert margins_from(tmp_path, text) == settings


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", 'expected format = "beamreduce-margins/1"'),
        ("format = ", "no sound TOML"),
        (HEAD + "sure = 1", "sure: found a key that is not known"),
        (HEAD + "confidence = 2", "confidence must be from 0.5 to below 1"),
        (HEAD + "confidence = true", "confidence must be a number"),
        (HEAD + "detector_not_moved = 1", "must be true or false"),
        (HEAD + "common = 'all'", "must be a list of names"),
        (HEAD + "distance_tolerance = 1", "must be a number and a unit"),
        (HEAD + "margins = 1", "margins must be a table"),
        (HEAD + "[margins]\nhdp = '1 arcsec'", "margins.hdp is not known"),
        (HEAD + "[margins]\nhpd = '1 mm'", "unit that converts to arcsec"),
        (HEAD + "[margins]\nhpd = '0 arcsec'", "must be above zero"),
        (HEAD + "[margins]\neef = '1 arcsec'", "must be a number"),
        (HEAD + "[margins]\nposition = '3 %'", "unit that converts to arcsec"),
    ],
)
def test_what_cannot_be_used_is_named(tmp_path, text, words):
    with pytest.raises(ResultsError, match=r"margins\.toml") as error:
        margins_from(tmp_path, text)
    assert words in str(error.value)


def test_a_missing_file_is_named(tmp_path):
    with pytest.raises(ResultsError, match="no sound TOML"):
        read_margins(tmp_path / "none.toml")
