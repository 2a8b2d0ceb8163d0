"""One exposure judged on shift: its numbers, and whether to go on, repeat or stop."""

import math
from dataclasses import dataclass, replace
from pathlib import Path

import astropy.units as u

from beamreduce.campaign import Campaign, Exposure, MeasurementInputs, read_campaign
from beamreduce.errors import CampaignError, FrameError, MeasurementError
from beamreduce.frame import MasterCache
from beamreduce.reduction.awaited import awaited_line, request_now
from beamreduce.reduction.image_limits import cut_at_edges, saturation_note
from beamreduce.reduction.locate import locate
from beamreduce.reduction.peak import PeakLevel, peak_level
from beamreduce.reduction.quick_numbers import QuickNumbers, quick_numbers
from beamreduce.reduction.request import MeasureRequest
from beamreduce.units import arcsec_per_mm

NEAR_SATURATION = 0.9
PILE_UP_LIMIT = 0.01  # photons a pixel a readout; common practice for counting detectors
CHANGE_LIMIT = 4.0  # standard deviations
FEW_PHOTONS = 100
CUT_LIMIT = 0.01  # of the net photons, in a strip along a side of the frame


@dataclass(frozen=True, kw_only=True)
class Change:
    """Change of a number against an earlier exposure of the same setting."""

    earlier: str
    hpd_sigma: float
    rate_sigma: float | None


@dataclass(frozen=True, kw_only=True)
class QuickLook:
    """What a quick look shows.

    Parameters
    ----------
    exposure
        The exposure looked at.
    numbers
        Its numbers; None where the core is saturated.
    peak
        Brightest pixel against the limits of the detector.
    photons_per_monitor_count
        (value, uncertainty), None where the monitor was not recorded.
    change
        Against the last earlier exposure of the same setting; None when there is none.
    verdict
        One line: go on, repeat or stop, with the reason.
    awaited
        One line: calibrations and backgrounds that are not there yet; None when all are.
    """

    exposure: Exposure
    numbers: QuickNumbers | None
    peak: PeakLevel
    photons_per_monitor_count: tuple[float, float] | None
    change: Change | None
    verdict: str
    awaited: str | None = None

    def as_text(self) -> str:
        """Return the lines that the command prints."""
        row = self.exposure
        lines = [
            f"exposure      {row.exposure} ({row.aperture or 'full'}, "
            f"{row.energy.to_value(u.keV):g} keV, {row.live_seconds:g} s)",
            *([] if self.awaited is None else [f"not there     {self.awaited}"]),
            *self._number_lines(),
            f"peak          {self.peak.as_text()}",
            f"change        {self._change()}",
            self.verdict,
        ]
        return "\n".join(lines)

    def _number_lines(self) -> list[str]:
        numbers = self.numbers
        if numbers is None:
            return []
        arcsec = arcsec_per_mm(numbers.net.detector_distance_mm)
        center = numbers.located.center
        photons, sigma = numbers.net_photons
        return [
            f"HPD           {_pair(numbers.hpd_mm, arcsec)} arcsec "
            f"= {_pair(numbers.hpd_mm)} mm",
            f"W90           {_pair(numbers.w90_mm, arcsec)} arcsec "
            f"= {_pair(numbers.w90_mm)} mm",
            f"reference     EEF is 1 at {numbers.net.radius_mm[-1]:.4g} mm; background "
            f"by {numbers.located.background.method}",
            f"center        {center.x:.2f} ± {center.x_uncertainty:.2f}, "
            f"{center.y:.2f} ± {center.y_uncertainty:.2f} pixel",
            f"net photons   {photons:.0f} ± {sigma:.0f}, "
            f"{photons / numbers.seconds:.4g} a second",
            f"monitor       {self._monitor()}",
        ]

    def _monitor(self) -> str:
        if self.photons_per_monitor_count is None:
            return "not recorded"
        return f"{_pair(self.photons_per_monitor_count)} net photons a monitor count"

    def _change(self) -> str:
        if self.change is None:
            return "no earlier exposure of this setting to compare with"
        rate = (
            "" if self.change.rate_sigma is None
            else f", rate {self.change.rate_sigma:+.1f} σ"
        )  # fmt: skip
        return f"HPD {self.change.hpd_sigma:+.1f} σ{rate} against {self.change.earlier}"


def quick_look(folder: Path, exposure: str | None = None) -> QuickLook:
    """Reduce one exposure quickly and judge it.

    Parameters
    ----------
    folder
        Campaign folder; it may still be growing, the table ahead of the frames.
    exposure
        Name of a beam exposure; the last one of the list whose frame exists when None.

    Raises
    ------
    CampaignError
        When there is no such exposure, or its frame is not there yet.
    MeasurementError, FrameError
        When its frame cannot be used.
    """
    campaign = read_campaign(folder, growing=True)
    inputs, row = _find(campaign, exposure)
    request = _request(campaign, inputs, row.exposure)
    masters = MasterCache()
    located = locate(request, masters)
    peak = peak_level(request, located.image)
    note = saturation_note(request, located, masters)
    if note is not None:
        return QuickLook(
            exposure=row,
            numbers=None,
            peak=peak,
            photons_per_monitor_count=None,
            change=None,
            verdict=f"STOP: {note}",
            awaited=awaited_line(campaign),
        )
    numbers = quick_numbers(request, located)
    per_count = _per_monitor_count(numbers, row)
    change = _change(campaign, row, masters, (numbers, per_count))
    return QuickLook(
        exposure=row,
        numbers=numbers,
        peak=peak,
        photons_per_monitor_count=per_count,
        change=change,
        verdict=_verdict(numbers, peak, change),
        awaited=awaited_line(campaign),
    )


def _beam_rows(campaign: Campaign) -> list[tuple[MeasurementInputs, Exposure]]:
    rows = {
        row.exposure.exposure: (inputs, row.exposure)
        for inputs in campaign.measurements
        for row in inputs.beam
    }
    return [rows[e.exposure] for e in campaign.exposures if e.exposure in rows]


def _find(campaign: Campaign, name: str | None) -> tuple[MeasurementInputs, Exposure]:
    rows = _beam_rows(campaign)
    if name is None:
        if rows:
            return rows[-1]
        raise CampaignError(
            f"{campaign.folder}: found no beam exposure with a frame; expected at least "
            f"one; check exposures.ecsv"
        )
    for inputs, row in rows:
        if row.exposure == name:
            return inputs, row
    for coming in campaign.awaited:
        if coming.exposure == name:
            raise CampaignError(
                f"{coming.file}: found no such file; expected the frame of exposure "
                f"{name}; wait until it is there, or name an exposure that was taken"
            )
    raise CampaignError(
        f"{campaign.folder}: found no beam exposure named {name!r}; expected one of "
        f"{', '.join(row.exposure for _, row in rows[:8])}{' …' if len(rows) > 8 else ''}; "
        f"correct the name"
    )


def _request(campaign: Campaign, inputs: MeasurementInputs, name: str) -> MeasureRequest:
    """Ask for one exposure alone, whatever group it belongs to."""
    beam = tuple(row for row in inputs.beam if row.exposure.exposure == name)
    return request_now(campaign, replace(inputs, id=name, beam=beam))


def _per_monitor_count(numbers: QuickNumbers, row: Exposure) -> tuple[float, float] | None:
    counts = row.monitor_counts
    if counts is None or counts <= 0:
        return None
    photons, sigma = numbers.net_photons
    alive = 1.0 - (row.monitor_dead_time_fraction or 0.0)
    net = counts / alive - (row.monitor_background or 0.0)
    if net <= 0:
        return None
    ratio = photons / net
    relative = math.sqrt(counts) / alive / net
    return ratio, abs(ratio) * math.hypot(sigma / photons, relative)


def _same_setting(a: Exposure, b: Exposure) -> bool:
    names = ("energy", "off_axis", "azimuth", "detector_distance", "detector")
    same_aperture = (a.aperture or "full") == (b.aperture or "full")
    return same_aperture and all(getattr(a, name) == getattr(b, name) for name in names)


def _change(
    campaign: Campaign,
    row: Exposure,
    masters: MasterCache,
    now: tuple[QuickNumbers, tuple[float, float] | None],
) -> Change | None:
    numbers, per_count = now
    earlier: tuple[MeasurementInputs, Exposure] | None = None
    for found in _beam_rows(campaign):
        if found[1].exposure == row.exposure:
            break
        if _same_setting(found[1], row):
            earlier = found
    if earlier is None:
        return None
    inputs, before = earlier
    try:
        request = _request(campaign, inputs, before.exposure)
        past = quick_numbers(request, locate(request, masters))
    except (MeasurementError, FrameError):
        return None  # that one cannot be used; this one may be good
    past_rate = _per_monitor_count(past, before)
    rate_sigma = None
    if per_count is not None and past_rate is not None:
        rate_sigma = _sigmas(per_count, past_rate)
    return Change(
        earlier=before.exposure,
        hpd_sigma=_sigmas(numbers.hpd_mm, past.hpd_mm),
        rate_sigma=rate_sigma,
    )


def _sigmas(now: tuple[float, float], before: tuple[float, float]) -> float:
    return (now[0] - before[0]) / max(math.hypot(now[1], before[1]), 1e-300)


def _verdict(numbers: QuickNumbers, peak: PeakLevel, change: Change | None) -> str:
    if peak.of_saturation is not None and peak.of_saturation > NEAR_SATURATION:
        return (
            f"STOP: the brightest pixel is at {peak.of_saturation:.0%} of saturation; "
            f"shorten the exposure to {0.8 / peak.of_saturation:.2f} of its time"
        )
    if peak.counting and peak.photons_per_frame > PILE_UP_LIMIT:
        return (
            f"STOP: {peak.photons_per_frame:.3g} photons a pixel a readout at the "
            f"peak; above {PILE_UP_LIMIT:g} photons pile up; read out faster or lower the "
            f"flux (where a file holds several readouts, column readouts says how many)"
        )
    if numbers.net_photons[0] < FEW_PHOTONS:
        return (
            f"REPEAT: only {numbers.net_photons[0]:.0f} net photons; expose longer, or "
            f"check source and shutter"
        )
    cut = cut_at_edges(numbers.located.net)
    if max(cut.values(), default=0.0) > CUT_LIMIT:
        sides = ", ".join(f"{side} ({share:.1%})" for side, share in cut.items())
        return (
            f"REPEAT: the image reaches the edge of the detector at {sides} of the net "
            f"photons; move the detector to have the image in its middle"
        )
    if change is not None and abs(change.hpd_sigma) > CHANGE_LIMIT:
        return (
            f"REPEAT: the HPD differs by {change.hpd_sigma:+.1f} σ from {change.earlier} "
            f"of the same setting; look for drift, focus or alignment"
        )
    if change is not None and abs(change.rate_sigma or 0.0) > CHANGE_LIMIT:
        return (
            f"REPEAT: net photons a monitor count differ by {change.rate_sigma:+.1f} σ "
            f"from {change.earlier} of the same setting; check source, monitor, filters"
        )
    return (
        f"GO ON: HPD to {numbers.hpd_mm[1] / numbers.hpd_mm[0]:.1%}, nothing near its limit"
    )


def _pair(pair: tuple[float, float], factor: float = 1.0) -> str:
    value, sigma = pair[0] * factor, pair[1] * factor
    if not sigma > 0:
        return f"{value:.6g}"
    digits = max(1 - math.floor(math.log10(sigma)), 0)
    return f"{value:.{digits}f} ± {sigma:.{digits}f}"
