"""Beam-off exposures of a campaign, taken off with what is known of their noise."""

import numpy as np
import pytest

from beamreduce.campaign import read_campaign
from beamreduce.frame import adu_per_photon, gather_masters
from beamreduce.reduction.locate import locate
from beamreduce.reduction.request import MeasureRequest
from tests.folders import changed, default_rows, write_campaign
from tests.reduction.runs import setup_with


def request_of(folder):
    campaign = read_campaign(folder)
    return MeasureRequest(
        folder=folder,
        setup=campaign.setup,
        inputs=campaign.measurements[0],
        reference_radius=None,
    )


def test_masters_of_beam_and_beam_off_frames_are_known_to_be_the_same(tmp_path):
    """Two frames of 10 s each: what masters bring to either sum is all in common."""
    request = request_of(write_campaign(tmp_path / "c", setup=setup_with()))
    inputs = request.inputs
    masters = gather_masters(
        inputs.beam[0], folder=request.folder, detector=inputs.detector
    )
    wanted = masters.pedestal_variance(count=2, seconds=20.0)
    wanted = wanted / adu_per_photon(inputs.detector, inputs.energy) ** 2
    found = locate(request).background
    np.testing.assert_allclose(found.shared_variance, wanted, rtol=1e-6)
    assert 0 < found.shared_variance.sum() < found.photon_variance.sum()


def test_without_masters_nothing_is_in_common(tmp_path):
    rows = [c for c in default_rows() if c["kind"] not in ("bias", "dark")]
    setup = setup_with('dark = "none"')
    request = request_of(write_campaign(tmp_path / "c", setup=setup, rows=rows))
    assert np.all(locate(request).background.shared_variance == 0.0)


@pytest.mark.parametrize("seconds", [40.0, 2.5])
def test_the_scale_goes_with_what_is_in_common(tmp_path, seconds):
    """Covariance of beam and scaled beam-off: scale times that of the sums."""
    rows = default_rows()
    for name in ("off-1", "off-2"):
        rows = changed(rows, name, exposure_time=seconds)
    request = request_of(write_campaign(tmp_path / "c", setup=setup_with(), rows=rows))
    inputs = request.inputs
    masters = gather_masters(
        inputs.beam[0], folder=request.folder, detector=inputs.detector
    )
    weight = masters.dark.bias_weight
    left = (2 - 20 * weight) * (2 - 2 * seconds * weight)
    wanted = left * masters.bias.variance + 20 * 2 * seconds * masters.dark.variance
    wanted = wanted / adu_per_photon(inputs.detector, inputs.energy) ** 2
    found = locate(request).background.shared_variance
    np.testing.assert_allclose(found, 10 / seconds * wanted, rtol=1e-5)
