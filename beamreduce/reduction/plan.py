"""How many photons, frames and minutes an HPD of a given precision still needs."""

import math
import re
from dataclasses import dataclass
from pathlib import Path

from beamreduce.campaign import MeasurementInputs, read_campaign
from beamreduce.errors import CampaignError, MeasurementError, SettingsError
from beamreduce.frame import MasterCache
from beamreduce.reduction.awaited import (
    awaited_line,
    awaited_measurements,
    request_now,
)
from beamreduce.reduction.image_limits import saturation_note
from beamreduce.reduction.locate import locate
from beamreduce.reduction.peak import PeakLevel, peak_level
from beamreduce.reduction.quick_numbers import QuickNumbers, quick_numbers
from beamreduce.reduction.request import MeasureRequest

_MOST_HOURS = 1000


@dataclass(frozen=True, kw_only=True)
class Need:
    """What one measurement still needs.

    Parameters
    ----------
    id
        Measurement.
    precision_now
        Relative statistical uncertainty of its HPD with the frames there are; None when
        there is nothing to go by.
    photons_in_all
        Net photons with which the goal is reached.
    frame_seconds
        Longest frame time that keeps the brightest pixel below the limit.
    frames, minutes
        Still needed, beyond what there is.
    advice
        A sentence.
    """

    id: str
    precision_now: float | None
    photons_in_all: float | None
    frame_seconds: float | None
    frames: int | None
    minutes: float | None
    advice: str


@dataclass(frozen=True, kw_only=True)
class ExposurePlan:
    """Needs of every measurement of a campaign for one goal.

    ``awaited`` names calibrations and backgrounds that are not there yet.
    """

    goal: float
    needs: tuple[Need, ...]
    awaited: str | None = None

    def as_text(self, *, with_advice: bool = True) -> str:
        """Return the table that the command prints."""
        width = max(len("measurement"), *(len(need.id) for need in self.needs))
        head = (
            f"{'measurement':<{width}}  HPD now  photons in all  frame time  "
            f"frames more  minutes more"
        )
        lines = [f"goal: HPD to {100 * self.goal:.3g} % of itself (statistical, 1 σ)"]
        lines += [] if self.awaited is None else [f"not there: {self.awaited}"]
        lines.append(head)
        for need in self.needs:
            cells = (
                _cell(need.precision_now, "7.2%"),
                _cell(need.photons_in_all, "14.0f"),
                _cell(need.frame_seconds, "8.1f") + " s",
                _cell(need.frames, "11d"),
                _cell(need.minutes, "12.1f"),
            )
            lines.append(f"{need.id:<{width}}  {'  '.join(cells)}")
            if with_advice:
                lines.append(f"  {need.advice}")
        return "\n".join(lines)


def parse_goal(text: str) -> float:
    """Read a precision such as ``"1%"`` or ``"0.01"``.

    Raises
    ------
    SettingsError
        When it is no number between 0 and 1 (0 % and 100 %).
    """
    match = re.fullmatch(r"\s*([0-9.eE+-]+)\s*(%?)\s*", text)
    try:
        value = (
            float(match.group(1)) / (100 if match.group(2) else 1) if match else math.nan
        )
    except ValueError:
        value = math.nan
    if not 0 < value < 1:
        raise SettingsError(
            f'--hpd must be a precision between 0 % and 100 %, such as "1%"; got {text!r}'
        )
    return value


def plan_exposures(folder: Path, goal: str) -> ExposurePlan:
    """Work out what every measurement of a campaign still needs.

    Rates, background and the brightest pixel come from the frames there are. The
    counting part of the HPD's uncertainty falls with the square root of the exposure
    time; the part from the background level does not fall with more beam exposures.

    Raises
    ------
    SettingsError
        When the goal cannot be read.
    CampaignError
        When the campaign has no measurement.
    """
    wanted = parse_goal(goal)
    campaign = read_campaign(folder, growing=True)
    if not campaign.measurements:
        raise CampaignError(
            f"{folder}: found no exposure of kind beam with a frame; expected at least "
            f"one, to know the rates from; add a short test exposure of each setting"
        )
    needs = []
    masters = MasterCache()
    for inputs in campaign.measurements:
        try:
            needs.append(_plan_one(request_now(campaign, inputs), masters, wanted))
        except MeasurementError as error:
            needs.append(_unknown(inputs.id, str(error)))
    for identity, files in awaited_measurements(campaign).items():
        needs.append(_unknown(identity, f"{files[0]} is not there yet"))
    needs.sort(key=lambda need: need.id)
    return ExposurePlan(goal=wanted, needs=tuple(needs), awaited=awaited_line(campaign))


def _plan_one(request: MeasureRequest, masters: MasterCache, goal: float) -> Need:
    located = locate(request, masters)
    note = saturation_note(request, located, masters)
    if note is not None:
        return _unknown(request.inputs.id, note)
    numbers = quick_numbers(request, located)
    return _need(request.inputs, numbers, peak_level(request, located.image), goal)


def _need(
    inputs: MeasurementInputs, numbers: QuickNumbers, peak: PeakLevel, goal: float
) -> Need:
    hpd, sigma = numbers.hpd_mm
    now = sigma / hpd
    fixed = numbers.hpd_from_background_mm / hpd
    counting = math.sqrt(max(now**2 - fixed**2, 0.0))
    frame_seconds = inputs.beam[-1].exposure.live_seconds
    if peak.safe_seconds is not None:
        frame_seconds = peak.safe_seconds
    if fixed >= goal:
        return Need(
            id=inputs.id,
            precision_now=now,
            photons_in_all=None,
            frame_seconds=frame_seconds,
            frames=None,
            minutes=None,
            advice=f"the background level alone leaves {fixed:.2%}; take more or longer "
            f"background exposures, or a smaller reference_radius",
        )
    factor = counting**2 / (goal**2 - fixed**2)
    more_seconds = max(factor - 1.0, 0.0) * numbers.seconds
    frames = math.ceil(more_seconds / frame_seconds - 1e-9)
    if more_seconds > _MOST_HOURS * 3600:
        advice = "out of reach at this rate; raise the flux or lower the goal"
    elif frames == 0:
        advice = "reached already"
    else:
        advice = f"{numbers.net_photons[0]:.0f} net photons so far in {numbers.seconds:g} s"
    return Need(
        id=inputs.id,
        precision_now=now,
        photons_in_all=numbers.net_photons[0] * factor,
        frame_seconds=frame_seconds,
        frames=frames,
        minutes=frames * frame_seconds / 60,
        advice=advice,
    )


def _unknown(identity: str, reason: str) -> Need:
    return Need(
        id=identity,
        precision_now=None,
        photons_in_all=None,
        frame_seconds=None,
        frames=None,
        minutes=None,
        advice=f"not known: {reason}",
    )


def _cell(value: float | None, form: str) -> str:
    return (
        f"{value:{form}}"
        if value is not None
        else "–".rjust(int(re.match(r"\d+", form)[0]))
    )
