"""The panel's numbers are those of ``reduce`` for one center, background and radius."""

from dataclasses import replace

import astropy.units as u
import numpy as np
import pytest

from beamreduce.campaign import read_campaign
from beamreduce.encircled_energy import HALF_POWER
from beamreduce.errors import MeasurementError, SettingsError
from beamreduce.panel import open_again, open_measurement, read_about
from beamreduce.panel.quick_rings import quick_rings
from beamreduce.reduction import MeasureRequest, measure

RADIUS = 4.0 * u.mm


@pytest.fixture(scope="module")
def campaign(small_campaign):
    return read_campaign(small_campaign)


@pytest.fixture(scope="module")
def opened(campaign):
    return open_measurement(campaign, "focus_Ti")


def reduced(campaign, center, background):
    """What the ordinary way gives for a decided center and background."""
    setup = campaign.setup
    reduction = replace(setup.reduction, center=center, background=background)
    inputs = {m.id: m for m in campaign.measurements}["focus_Ti"]
    request = MeasureRequest(
        folder=campaign.folder,
        setup=replace(setup, reduction=reduction),
        inputs=inputs,
        reference_radius=RADIUS,
    )
    return measure(request).measurement


@pytest.mark.parametrize("background", ["exposure", "annulus", "surface", "wings"])
@pytest.mark.parametrize("step_px", [(0.0, 0.0), (7.3, -4.6)])
def test_the_reading_is_what_reduce_gives(campaign, opened, background, step_px):
    x, y = np.add(opened.located.center.xy, step_px)
    again = open_again(
        opened, center_xy=(x, y), background=background, reference_radius=RADIUS
    )
    reading = read_about(again, (x, y), RADIUS)
    usual = reduced(campaign, (x, y), background)
    assert again.background_method == background
    # Rings beyond the reference radius shift those within by less than 1e-4 of a diameter
    # (tests/encircled_energy); the sums themselves are the same.
    assert reading.diameters.of(HALF_POWER).value == pytest.approx(
        usual.hpd_measured_mm.value, rel=1e-4
    )
    assert reading.net_photons == pytest.approx(usual.net_photons.value, rel=1e-9)
    # A scatter of a thousand replicates is known to 2.2 % (1/√(2n)), each drawn in rings of
    # its own; three of those, for the difference of two.
    replicates = campaign.setup.reduction.bootstrap_replicates
    bound = 3 * np.sqrt(2 / (2 * (replicates - 1)))
    assert reading.hpd_arcsec.statistical == pytest.approx(
        usual.hpd_measured_arcsec.statistical, rel=bound
    )


def test_quick_rings_are_the_planned_ones(opened):
    radii = np.linspace(0.2, 4.0, 40) * u.mm
    xy = tuple(np.add(opened.located.center.xy, (0.37, 3.2)))
    quick, level = quick_rings(opened.surfaces, xy, radii)
    planned, planned_level = opened.about(xy).in_rings(radii)
    total = planned.photons.sum()
    assert quick.photons == pytest.approx(planned.photons, abs=1e-9 * total)
    assert quick.covered_px == pytest.approx(planned.covered_px, rel=1e-9, abs=1e-6)
    assert level.photons == pytest.approx(planned_level.photons, abs=1e-9 * total)
    # All pixels of the circle together: only those on its edge are counted otherwise.
    # A pixel with a share s brings s² of its variance; s - s² is a quarter at most.
    noise = opened.surfaces.noise + opened.located.image.photons
    edge = 2 * np.pi * radii[-1].value / opened.located.image.pixel_mm * 1.5
    bound = 0.25 * edge * noise.mean() * 3
    both = planned.covariance.sum() + planned_level.covariance.sum()
    both -= 2 * planned_level.shared.sum()
    assert quick.covariance.sum() == pytest.approx(both, abs=bound)


def test_a_center_moved_by_hand_keeps_the_background(opened):
    x, y = opened.located.center.xy
    near = read_about(opened, (x, y), RADIUS)
    away = read_about(opened, (x + 12, y), RADIUS)
    # A round image measured off its middle can only look larger.
    assert away.hpd_arcsec.value > near.hpd_arcsec.value
    assert away.center_xy == (x + 12, y)


def test_one_exposure_alone_has_fewer_photons(campaign, opened):
    names = [row.exposure.exposure for row in opened.request.inputs.beam]
    one = open_measurement(campaign, "focus_Ti", names[0])
    xy = opened.located.center.xy
    whole, part = (read_about(o, xy, RADIUS).net_photons for o in (opened, one))
    share = len(names)
    # Counting of the single exposure; the monitor may drift by some per cent too.
    assert part == pytest.approx(whole / share, rel=5 / np.sqrt(whole / share) + 0.05)


def test_what_is_not_there_is_named(campaign):
    with pytest.raises(SettingsError, match=r"no measurement named 'focus_X'.*focus_Ti"):
        open_measurement(campaign, "focus_X")
    with pytest.raises(
        SettingsError, match="no exposure named 'e' in measurement focus_Ti"
    ):
        open_measurement(campaign, "focus_Ti", "e")


def test_a_radius_beyond_the_frame_is_refused(opened):
    with pytest.raises(MeasurementError, match="beyond the frame"):
        read_about(opened, opened.located.center.xy, 99 * u.mm)
