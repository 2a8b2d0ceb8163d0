"""What belongs to what: darks, flats, backgrounds and direct beams of each measurement."""

import math
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from functools import partial
from typing import TypeVar

import astropy.units as u

from beamreduce.beamline import Detector
from beamreduce.campaign.exposure import Exposure
from beamreduce.campaign.grouping import group_beams, same_number
from beamreduce.campaign.measurement_inputs import CalibratedBy, MeasurementInputs
from beamreduce.campaign.paths import EXPOSURE_FILE
from beamreduce.campaign.setup_file import DEFAULT_DETECTOR, Setup
from beamreduce.errors import Problem

# Darks without bias frames must have the time of the exposure to within 1 %; the last
# digits are for times that were rounded when written.
_SAME_TIME = 0.01 * (1 + 1e-9)

_NO_BEAM = Problem(
    file=EXPOSURE_FILE,
    item="column kind",
    found="no beam row",
    expected="at least one, since only beam rows become measurements",
    action="add the exposures of the image",
)

Shape = tuple[int, int]
T = TypeVar("T")


@dataclass(frozen=True)
class _Shelf:
    """All exposures of a campaign, ready to be asked; lists grow with what is missing."""

    by_kind: Mapping[str, tuple[Exposure, ...]]
    setup: Setup
    shapes: Mapping[str, Shape]
    without_dark: dict[str, list[Exposure]] = field(default_factory=dict)
    problems: dict[str, Problem] = field(default_factory=dict)
    found: dict[tuple, object] = field(default_factory=dict)

    def kind(self, kind: str) -> tuple[Exposure, ...]:
        return self.by_kind.get(kind, ())

    def detector(self, exposure: Exposure) -> Detector:
        return self.setup.detectors[exposure.detector or DEFAULT_DETECTOR]

    def same_detector(self, one: Exposure, two: Exposure) -> bool:
        return (one.detector or "") == (two.detector or "")

    def same_shape(self, one: Exposure, two: Exposure) -> bool:
        """True unless both shapes are known and differ."""
        shapes = {self.shapes.get(exposure.exposure) for exposure in (one, two)}
        return len(shapes - {None}) < 2

    def masters(self, kind: str, exposure: Exposure) -> tuple[Exposure, ...]:
        """Return exposures of a kind with the same detector and shape."""
        shape = self.shapes.get(exposure.exposure)
        return self.once(
            (kind, exposure.detector, shape),
            lambda: tuple(
                other
                for other in self.kind(kind)
                if self.same_detector(other, exposure) and self.same_shape(other, exposure)
            ),
        )

    def once(self, key: tuple, search: Callable[[], T]) -> T:
        """Return what was found for a key before; thousands of frames ask the same."""
        if key not in self.found:
            self.found[key] = search()
        return self.found[key]

    def report(self, exposure: Exposure, column: str, words: tuple[str, str, str]) -> None:
        item = f"exposure {exposure.exposure}, column {column}"
        problem = Problem(
            file=EXPOSURE_FILE,
            item=item,
            found=words[0],
            expected=words[1],
            action=words[2],
        )
        self.problems.setdefault(str(problem), problem)


def match(
    exposures: Iterable[Exposure],
    setup: Setup,
    shapes: Mapping[str, Shape],
    lost: frozenset[str] = frozenset(),
) -> tuple[tuple[MeasurementInputs, ...], list[Problem]]:
    """Find the measurements of a campaign and everything that each of them uses.

    Parameters
    ----------
    exposures
        Every exposure.
    setup
        The campaign's settings.
    shapes
        Rows and columns of each frame by exposure, where known.
    lost
        Kinds of rows that could not be used: what they might have served is not
        reported as missing.

    Returns
    -------
    measurements, problems
        Measurements in the order of their names, whatever the order of the rows.
    """
    ordered = sorted(exposures, key=lambda exposure: exposure.exposure)
    kinds = {exposure.kind for exposure in ordered}
    by_kind = {
        kind: tuple(exposure for exposure in ordered if exposure.kind == kind)
        for kind in kinds
    }
    shelf = _Shelf(by_kind, setup, shapes)
    groups, problems = group_beams(by_kind, shapes)
    measurements = tuple(_measurement(shelf, name, groups[name]) for name in sorted(groups))
    if not groups and "beam" not in lost:
        problems.append(_NO_BEAM)
    if lost <= {"beam"}:
        problems += list(shelf.problems.values()) + _dark_problems(shelf)
    return measurements, problems


def _measurement(
    shelf: _Shelf, name: str, beams: tuple[Exposure, ...]
) -> MeasurementInputs:
    first = beams[0]
    beam = tuple(_with_background(shelf, exposure) for exposure in beams)
    direct = tuple(
        _with_background(shelf, other)
        for other in shelf.kind("direct")
        if same_number(other.energy, first.energy)
        and (shelf.same_detector(other, first) or _any_detector(other))
    )
    background = _of_background(shelf, beam)
    direct_background = _of_background(shelf, direct)
    notes = _notes(shelf, beam, direct)
    _check_background(shelf, name, beam)
    return MeasurementInputs(
        id=name,
        beam=beam,
        background=background,
        direct=direct,
        direct_background=direct_background,
        detector=shelf.detector(first),
        notes=notes,
        aperture=first.aperture or "full",
        energy=first.energy,
        off_axis=first.off_axis,
        azimuth=first.azimuth,
        detector_distance=first.detector_distance,
    )


def _any_detector(direct: Exposure) -> bool:
    """Return True for a counter, which serves images of whatever detector."""
    return direct.is_counter and not direct.detector


def _calibrated(
    shelf: _Shelf, exposure: Exposure, background: tuple[str, ...] = ()
) -> CalibratedBy:
    """Find bias, dark and flat of an exposure; remember it when it lacks a dark."""
    if exposure.is_counter or not shelf.detector(exposure).integrating:
        return CalibratedBy(exposure=exposure, background=background)
    bias = shelf.masters("bias", exposure)
    flat = _flats(shelf, exposure)
    dark, use = _darks(shelf, exposure, bias)
    flat_dark: dict[str, Exposure] = {}
    if flat and not bias and use != "none":
        for frame in flat:
            flat_dark |= {d.exposure: d for d in _darks(shelf, frame, bias)[0]}
    return CalibratedBy(
        exposure=exposure,
        bias=bias,
        dark=dark,
        flat=flat,
        dark_use=use,
        flat_dark=tuple(flat_dark.values()),
        background=background,
    )


def _darks(
    shelf: _Shelf, exposure: Exposure, bias: tuple[Exposure, ...]
) -> tuple[tuple[Exposure, ...], str]:
    """Return the darks of an exposure and how they are used."""
    if shelf.setup.reduction.dark == "none":
        return (), "none"
    darks = shelf.masters("dark", exposure)
    if not bias:
        time = exposure.exposure_time.to_value(u.s)
        darks = tuple(
            dark
            for dark in darks
            if abs(dark.exposure_time.to_value(u.s) - time) <= _SAME_TIME * time
        )
    if not darks:
        shelf.without_dark.setdefault(_lack(shelf, exposure, bias), []).append(exposure)
        return (), "none"
    return darks, "rate" if bias else "same_time"


def _lack(shelf: _Shelf, exposure: Exposure, bias: tuple[Exposure, ...]) -> str:
    """Say which darks there are, since the right ones are missing."""
    if bias:
        return "bias frames but no dark of the same detector and shape"
    times = {f"{d.exposure_time:g}" for d in shelf.masters("dark", exposure)}
    if times:
        return f"no bias frames, and darks only of {', '.join(sorted(times))}"
    if shelf.kind("dark") or shelf.kind("bias"):
        return "no dark or bias frames of the same detector and shape"
    return "no dark and no bias frames"


def _dark_problems(shelf: _Shelf) -> list[Problem]:
    problems = []
    for lack, exposures in shelf.without_dark.items():
        names = sorted({exposure.exposure for exposure in exposures})
        shown = ", ".join(names[:5]) + (
            f" and {len(names) - 5} more" if len(names) > 5 else ""
        )
        problems.append(
            Problem(
                file=EXPOSURE_FILE,
                item=f"exposures {shown}" if len(names) > 1 else f"exposure {shown}",
                found=lack,
                expected="darks and bias frames, or darks within 1 % of the exposure time",
                action='add them, or set dark = "none" in [reduction] to go without',
            )
        )
    return problems


def _flats(shelf: _Shelf, exposure: Exposure) -> tuple[Exposure, ...]:
    """Return the flats of an exposure: of its energy or of none if there are any such."""
    flats = shelf.masters("flat", exposure)
    if exposure.energy is None:
        return flats
    fitting = tuple(
        flat
        for flat in flats
        if flat.energy is None or same_number(flat.energy, exposure.energy)
    )
    return fitting or flats


def _with_background(shelf: _Shelf, exposure: Exposure) -> CalibratedBy:
    """Find the backgrounds of a beam or direct exposure, then its masters."""
    if exposure.background is None:
        setting = (
            float(exposure.energy.to_value(u.keV)),
            exposure.aperture,
            exposure.is_counter,
        )
        chosen = shelf.once(
            ("serving", exposure.detector, shelf.shapes.get(exposure.exposure), setting),
            lambda: tuple(
                other
                for other in shelf.masters("background", exposure)
                if _serves(other, exposure)
            ),
        )
    else:
        chosen = _named_background(shelf, exposure)
    names = tuple(other.exposure for other in chosen)
    return _calibrated(shelf, exposure, names)


def _serves(background: Exposure, exposure: Exposure) -> bool:
    """Return True when a background has the setting of an exposure or leaves it open."""
    energy = background.energy is None or same_number(background.energy, exposure.energy)
    aperture = background.aperture in (None, exposure.aperture or "full")
    return energy and aperture and background.is_counter == exposure.is_counter


def _named_background(shelf: _Shelf, exposure: Exposure) -> tuple[Exposure, ...]:
    """Return the background rows that an exposure names, by their own name or group."""
    name = exposure.background
    rows = shelf.kind("background")
    for key in ("exposure", "group"):
        named = [row for row in rows if (getattr(row, key) or "").lower() == name.lower()]
        if named:
            break
    else:
        others = [e for kind in shelf.by_kind.values() for e in kind]
        other = next((e for e in others if e.exposure.lower() == name.lower()), None)
        found = f"{name!r}, a {other.kind} row" if other else f"{name!r}, which is no row"
        words = (found, "the name of a background row", "correct the name")
        shelf.report(exposure, "background", words)
        return ()
    for row in named:
        fits = shelf.same_detector(row, exposure) and shelf.same_shape(row, exposure)
        if not fits or row.is_counter != exposure.is_counter:
            words = (
                f"{row.exposure!r}, taken with another detector or frame shape",
                "a background of the same detector and shape",
                "name another row",
            )
            shelf.report(exposure, "background", words)
    return tuple(named)


def _of_background(
    shelf: _Shelf, users: tuple[CalibratedBy, ...]
) -> tuple[CalibratedBy, ...]:
    """Return every background that one of the users names, once, with its masters."""
    wanted = {name for user in users for name in user.background}
    return tuple(
        shelf.once(("calibrated", row.exposure), partial(_calibrated, shelf, row))
        for row in shelf.kind("background")
        if row.exposure in wanted
    )


def _notes(
    shelf: _Shelf, beam: tuple[CalibratedBy, ...], direct: tuple[CalibratedBy, ...]
) -> dict[str, str]:
    """Say what this measurement goes without."""
    notes = {}
    detector = shelf.detector(beam[0].exposure)
    if not detector.integrating:
        notes["calibration"] = "the detector counts photons: no bias, dark or flat is used"
    elif not beam[0].flat:
        notes["flat"] = "no flat rows of this detector and shape: flat = 1"
    elif not any(
        flat.energy is None or same_number(flat.energy, beam[0].exposure.energy)
        for flat in beam[0].flat
    ):
        notes["flat"] = "flats were taken at another energy than the beam"
    if detector.integrating and shelf.setup.reduction.dark == "none":
        notes["dark"] = 'no darks are used, by dark = "none" in [reduction]'
    if not any(row.background for row in beam):
        notes["background"] = "no background rows serve this measurement"
    if not direct:
        notes["direct"] = "no direct row of this energy and detector: areas are null"
    elif not all(row.background for row in direct):
        lacking = " ".join(r.exposure.exposure for r in direct if not r.background)
        notes["direct_background"] = f"direct rows without background rows: {lacking}"
    return notes


def _check_background(shelf: _Shelf, name: str, beam: tuple[CalibratedBy, ...]) -> None:
    """Report a measurement without the background, or the monitor, that it has to use."""
    first = beam[0].exposure
    lacking = [row.exposure for row in beam if not row.background]
    method = shelf.setup.reduction.background
    if method == "exposure" and lacking and lacking[0].background is None:
        words = (
            f"no background row that serves measurement {name}",
            'one of the same energy, aperture and detector, for background = "exposure"',
            "add one, name it in column background, or choose another background",
        )
        shelf.report(first, "background", words)
    if shelf.setup.reduction.background_scale != "monitor" or lacking:
        return
    if method not in (None, "exposure"):
        return
    wanted = {name for row in beam for name in row.background}
    backgrounds = [row for row in shelf.kind("background") if row.exposure in wanted]
    for row in [r.exposure for r in beam] + backgrounds:
        if row.monitor_counts is None or math.isclose(row.monitor_counts, 0.0):
            words = (
                "no monitor counts",
                'counts above zero, for background_scale = "monitor"',
                'fill them in, or use background_scale = "time"',
            )
            shelf.report(row, "monitor_counts", words)
