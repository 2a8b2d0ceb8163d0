import json
import tomllib

import numpy as np
import pytest
from astropy.io import fits
from astropy.table import Table

from beamreduce.campaign import inspect_campaign, read_campaign
from beamreduce.errors import CampaignError, OutputError, SettingsError
from beamreduce.frame import read_frame
from beamreduce.simulate import simulate_campaign, write_campaign


def contents(folder):
    files = sorted(path for path in folder.rglob("*") if path.is_file())
    return {str(path.relative_to(folder)): path.read_bytes() for path in files}


def truth_of(folder):
    return folder.with_name(f"{folder.name}.truth.json")


def test_the_reader_of_campaigns_finds_nothing_wrong(tiny_campaign):
    campaign = read_campaign(tiny_campaign)
    by_id = {m.id: m for m in campaign.measurements}
    assert sorted(by_id) == ["focus", "quadrant_01", "tilted"]
    focus = by_id["focus"]
    assert len(focus.beam) == 2
    assert len(focus.background) == len(focus.direct) == len(focus.direct_background) == 1
    assert len(focus.beam[0].bias) == 2
    assert len(focus.beam[0].dark) == 3
    assert campaign.setup.unknown_keys == ()
    assert not [p for p in inspect_campaign(tiny_campaign).problems if not p.warning]


def test_settings_are_those_of_the_scenario_without_what_is_secret(
    tiny_campaign, tiny_file
):
    written = tomllib.loads((tiny_campaign / "campaign.toml").read_text())
    scenario = tomllib.loads(tiny_file.read_text())
    assert written.pop("format") == "beamreduce-campaign/1"
    for key in ("format", "seed", "made"):
        scenario.pop(key)
    assert written == scenario


def test_only_the_files_of_a_campaign_are_in_its_folder(tiny_campaign):
    names = {path.name for path in tiny_campaign.iterdir()}
    assert names == {"campaign.toml", "exposures.ecsv", "frames"}
    beside = {path.name for path in tiny_campaign.parent.iterdir()}
    assert beside == {"campaign", "campaign.truth.json"}
    rows = Table.read(tiny_campaign / "exposures.ecsv")
    frames = {f"frames/{path.name}" for path in (tiny_campaign / "frames").iterdir()}
    assert set(rows["file"]) == frames


def test_frames_are_sound_and_carry_no_time(tiny_campaign):
    for path in sorted((tiny_campaign / "frames").iterdir()):
        frame = read_frame(path)  # checks size and checksums
        assert frame.pixels.dtype == np.uint16
        assert frame.pixels.shape == (256, 256)
        with fits.open(path, disable_image_compression=True) as units:
            for unit in units:
                assert "DATE" not in unit.header
                assert unit.header.comments["CHECKSUM"] == ""
                assert unit.header.comments["DATASUM"] == ""


def test_the_image_is_where_and_as_bright_as_the_truth_says(tiny_campaign):
    truth = json.loads(truth_of(tiny_campaign).read_text())["measurements"][0]
    bias, dark = (mean_frame(tiny_campaign, kind) for kind in ("bias", "dark"))
    frames = [
        read_frame(tiny_campaign / f"frames/{name}.fits").pixels - bias
        for name in truth["exposures"]
    ]
    image = sum(frames)
    image[(bias > 50_000) | (dark - bias > 100)] = 0
    y, x = np.indices(image.shape)
    x0, y0 = truth["center_pixel"]
    radius = np.hypot(x - x0, y - y0)
    found = image[radius < 100].sum() * 2 / (4511 / 3.65)
    area = np.pi * 100**2
    expected = truth["net_photons"]["value"]
    expected += truth["background_per_pixel"]["value"] * area
    expected += 0.05 * 20 * area / (4511 / 3.65)  # dark current, not calibrated away
    # Photons, a cosmic ray or two of some 9 photons each, and the two bias frames' read
    # noise, 6/√2 electrons a pixel common to both exposures, 1 photon in all.
    assert found == pytest.approx(expected, abs=4 * np.sqrt(expected + 2 * 9**2))
    # Half of the light within the radius of the truth's HPD (binomial, and background).
    half = truth["hpd_measured_mm"]["value"] / 2 / 0.05
    share = image[radius < half].sum() / image[radius < 100].sum()
    assert share == pytest.approx(0.5, abs=4 * 0.5 / np.sqrt(expected) + 0.02)


def mean_frame(folder, kind):
    paths = sorted(folder.glob(f"frames/{kind}_*.fits"))
    return np.mean([read_frame(path).pixels for path in paths], axis=0)


def test_a_seed_fixes_every_byte(tiny_campaign, tiny_file, tmp_path):
    simulate_campaign(tiny_file, tmp_path / "again")
    assert contents(tmp_path / "again") == contents(tiny_campaign)
    assert truth_of(tmp_path / "again").read_bytes() == truth_of(tiny_campaign).read_bytes()
    simulate_campaign(tiny_file, tmp_path / "other", seed=99)
    one, other = contents(tmp_path / "again"), contents(tmp_path / "other")
    assert one.keys() == other.keys()
    frames = [name for name in one if name.startswith("frames/")]
    assert all(one[name] != other[name] for name in frames)
    assert json.loads(truth_of(tmp_path / "other").read_text())["seed"] == 99


def test_an_empty_folder_is_filled_and_progress_is_told(tiny_file, tmp_path):
    (tmp_path / "campaign").mkdir()
    told = []
    simulate_campaign(
        tiny_file, tmp_path / "campaign", progress=lambda *step: told.append(step)
    )
    frames = [step for step in told if step[0] == "frames"]
    assert [done for _, done, _ in frames] == list(range(1, len(frames) + 1))
    assert told[-1] == ("truth", 3, 3)


def test_what_is_there_is_never_overwritten(tiny_file, tmp_path):
    folder = tmp_path / "campaign"
    folder.mkdir()
    (folder / "notes.txt").write_text("mine")
    with pytest.raises(OutputError, match="campaign: found something there already"):
        simulate_campaign(tiny_file, folder)
    with pytest.raises(OutputError, match=r"notes.txt: found something there already"):
        simulate_campaign(tiny_file, folder / "notes.txt")
    (tmp_path / "new.truth.json").write_text("{}")
    with pytest.raises(OutputError, match=r"new\.truth\.json: found the truth of another"):
        simulate_campaign(tiny_file, tmp_path / "new")
    assert {p.name for p in tmp_path.iterdir()} == {"campaign", "new.truth.json"}


def test_a_failure_leaves_nothing_behind(tiny_file, tmp_path, monkeypatch):
    def disk_full(*_):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(write_campaign, "true_measurements", disk_full)
    with pytest.raises(OutputError, match="No space left on device"):
        simulate_campaign(tiny_file, tmp_path / "campaign")
    assert list(tmp_path.iterdir()) == []


def test_an_interrupt_leaves_nothing_behind(tiny_file, tmp_path):
    def interrupt(*_):
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        simulate_campaign(tiny_file, tmp_path / "campaign", progress=interrupt)
    assert list(tmp_path.iterdir()) == []


def test_a_place_that_cannot_be_written(tiny_file, tmp_path):
    (tmp_path / "file").write_text("")
    with pytest.raises(OutputError, match="expected to write the campaign"):
        simulate_campaign(tiny_file, tmp_path / "file" / "campaign")


@pytest.mark.parametrize(
    ("old", "new", "error", "words"),
    [
        ('"86 m"', '"86 s"', CampaignError, "facility.source_distance"),
        ('reference_radius = "5 mm"', "", SettingsError, "reference_radius is missing"),
        ('aperture = "Q2"', 'aperture = "half"', SettingsError, "aperture 'half' is not"),
        ('monitor_area = "10 cm2"', "", SettingsError, "must come together"),
        ('coating = "Au"', 'coating = "Au"\nprimary_sag = "1 um"', SettingsError, "sag is"),
    ],
)
def test_settings_that_no_campaign_can_have(
    tmp_path, scenario_text, old, new, error, words
):
    assert old in scenario_text
    file = tmp_path / "wrong.toml"
    file.write_text(scenario_text.replace(old, new))
    with pytest.raises(error) as caught:
        simulate_campaign(file, tmp_path / "campaign")
    assert words in str(caught.value)
    assert [path.name for path in tmp_path.iterdir()] == ["wrong.toml"]
