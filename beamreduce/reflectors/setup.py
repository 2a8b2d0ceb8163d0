"""``reflectors.toml``: how maps are treated, the limits of grades, the mirror, the plan."""

from dataclasses import dataclass, field, replace
from pathlib import Path

import astropy.units as u
from astropy.units import Quantity

from beamreduce.campaign.setup_file import read_document, subsection
from beamreduce.campaign.setup_tables import read_mirror
from beamreduce.campaign.toml_section import Section, Trouble
from beamreduce.errors import Problem, SettingsError
from beamreduce.mirror import (
    MirrorDesign,
    Prescription,
    coating_of,
    find_prescription,
    reflect,
)
from beamreduce.record.ranges import ABOVE_ZERO, FRACTION, ZERO_OR_MORE, Range
from beamreduce.reflectors.grading import Limit
from beamreduce.reflectors.limits_file import energy_name, read_limits
from beamreduce.reflectors.power_spectrum import DEFAULT_WINDOW, WINDOWS
from beamreduce.reflectors.remove_shape import (
    DEFAULT_OUTLIER_LIMIT,
    DEFAULT_SHAPE,
    SHAPES,
)
from beamreduce.reflectors.roughness import Instrument
from beamreduce.units import parse_quantity

SETTINGS_FILE = "reflectors.toml"
FOLDER_FORMAT = "beamreduce-reflectors/1"
QUADRANTS = ("Q1", "Q2", "Q3", "Q4")
AIMS = ("area", "hpd", "roughness")
_OUTLIERS = Range(words="of at least 3", low=3.0)
_CONFIDENCE = Range(words="between 0 and 1", low=0.0, high=1.0, without_low=True,
                    without_high=True)  # fmt: skip


@dataclass(frozen=True, kw_only=True)
class MapTreatment:
    """``[maps]``: how numbers are had from a map.

    Parameters
    ----------
    shape, outlier_limit
        As for :func:`remove_shape`.
    window
        Of the spectra.
    light_along
        Direction of the map, ``x`` or ``y``, that lies along the reflector's axis.
    shortest_um, longest_um
        Waves that ``Sq_band`` counts; None for none.
    missing_fraction_limit
        A map with more of its points missing or masked is not used.
    """

    shape: str = DEFAULT_SHAPE
    outlier_limit: float = DEFAULT_OUTLIER_LIMIT
    window: str = DEFAULT_WINDOW
    light_along: str = "x"
    shortest_um: float | None = None
    longest_um: float | None = None
    missing_fraction_limit: float = 0.3


@dataclass(frozen=True, kw_only=True)
class PlanSettings:
    """``[filling]`` and ``[blanks]``: the slots, what a good plan is, sheets.

    Parameters
    ----------
    quadrants
        Names of the quadrants.
    minimise
        ``area`` (share of the area that roughness scatters away), ``hpd`` (what the
        half-power diameter gains) or ``roughness`` (Sq).
    confidence
        Probability with which a batch to form shall suffice, and of intervals.
    sheet_width_mm, sheet_spacing_mm
        Of the sheets that blanks are cut from; None for no layout.
    """

    quadrants: tuple[str, ...] = QUADRANTS
    minimise: str | None = None
    confidence: float = 0.95
    sheet_width_mm: float | None = None
    sheet_spacing_mm: float = 0.0


@dataclass(frozen=True, kw_only=True)
class BarSettings:
    """``[bars]``: what alignment bars are held to.

    Parameters
    ----------
    hpd_target_arcsec
        Half-power diameter that bar errors shall not bring the mirror above; None for no
        budget.
    pivot_radius_mm
        Where a lean turns a bar; None for the middle of the nest.
    """

    hpd_target_arcsec: float | None = None
    pivot_radius_mm: float | None = None


@dataclass(frozen=True, kw_only=True)
class ReflectorSetup:
    """Everything that ``reflectors.toml`` says, with the mirror that goes with it."""

    name: str = ""
    energies_kev: tuple[float, ...] = ()
    treatment: MapTreatment = field(default_factory=MapTreatment)
    instrument: Instrument = field(default_factory=Instrument)
    limits: tuple[Limit, ...] = ()
    plan: PlanSettings = field(default_factory=PlanSettings)
    bars: BarSettings = field(default_factory=BarSettings)
    core_hpd_arcsec: float | None = None
    slope_length_mm: float = 5.0
    design: MirrorDesign | None = None
    prescription: Prescription | None = None


def read_reflector_setup(folder: Path) -> tuple[ReflectorSetup, list[Problem]]:
    """Read ``reflectors.toml``, and all that is wrong with it.

    What is wrong is left at its default, so that the maps can be checked all the same.
    """
    document, problem = read_document(folder, SETTINGS_FILE)
    if document is None:
        return ReflectorSetup(), [problem]
    problems: list[Problem] = []
    top = Section(document, "", problems, file=SETTINGS_FILE)
    top.text("format", (FOLDER_FORMAT,), required=True)
    sections = {
        key: subsection(top, key) or Section({}, key, problems, file=SETTINGS_FILE)
        for key in ("maps", "instrument", "image", "filling", "blanks", "bars", "traces")
    }
    mirror = subsection(top, "mirror")
    energies = top.read("energies", _energies) or ()
    design = None if mirror is None else read_mirror(mirror)
    prescription = None
    if design is not None:
        prescription, found = find_prescription(folder, design)
        problems += [
            replace(p, file=SETTINGS_FILE) if p.file == "campaign.toml" else p
            for p in found
        ]
    _check_coatings(top, design, prescription, energies)
    treatment = _treatment(sections["maps"])
    slope = sections["traces"].quantity("slope_length", u.mm, ABOVE_ZERO)
    core = sections["image"].quantity("hpd", u.arcsec, ABOVE_ZERO)
    setup = ReflectorSetup(
        name=top.text("name") or "",
        energies_kev=energies,
        treatment=treatment,
        instrument=_instrument(sections["instrument"]),
        limits=read_limits(top, energies, with_band=treatment.shortest_um is not None),
        plan=_plan(sections["filling"], sections["blanks"]),
        bars=_bars(sections["bars"], core),
        core_hpd_arcsec=None if core is None else float(core.value),
        slope_length_mm=5.0 if slope is None else float(slope.value),
        design=design,
        prescription=prescription,
    )
    for section in (*sections.values(), *([mirror] if mirror else []), top):
        section.unknown()
    return setup, problems


def _check_coatings(
    top: Section,
    design: MirrorDesign | None,
    prescription: Prescription | None,
    energies: tuple[float, ...],
) -> None:
    """Report coatings and energies that no table of optical constants has."""
    if design is None or prescription is None:
        return
    for formula in sorted({n.coating for n in prescription.nestings}):
        try:
            coating = coating_of(design, formula=formula)
            if energies:
                reflect(coating, list(energies) * u.keV, 0.01 * u.rad)
        except SettingsError as error:
            top.report(
                "energies, mirror.coating",
                f"what cannot be used together: {error}",
                "coatings and energies that the table of optical constants has",
                "correct one of them",
            )


def _treatment(section: Section) -> MapTreatment:
    lengths = {
        key: section.quantity(f"{key}_wave", u.um, ABOVE_ZERO)
        for key in ("shortest", "longest")
    }
    if (lengths["shortest"] is None) != (lengths["longest"] is None):
        given = "shortest" if lengths["longest"] is None else "longest"
        section.report(
            f"{given}_wave",
            "one end of a band of waves",
            "shortest_wave and longest_wave together",
            "add the other, or take it out",
        )
    elif lengths["shortest"] is not None and lengths["shortest"] >= lengths["longest"]:
        section.report(
            "shortest_wave",
            f"{lengths['shortest']}, not below longest_wave, {lengths['longest']}",
            "a shortest wave below the longest",
            "check whether the two are swapped",
        )
    both = None not in lengths.values()
    values = {
        "shape": section.text("shape", tuple(SHAPES)),
        "outlier_limit": section.number("outlier_limit", _OUTLIERS),
        "window": section.text("window", WINDOWS),
        "light_along": section.text("light_along", ("x", "y")),
        "shortest_um": float(lengths["shortest"].value) if both else None,
        "longest_um": float(lengths["longest"].value) if both else None,
        "missing_fraction_limit": section.number("missing_fraction_limit", FRACTION),
    }
    return MapTreatment(**{k: v for k, v in values.items() if v is not None})


def _instrument(section: Section) -> Instrument:
    scale = section.number("height_scale_uncertainty", FRACTION)
    noise = section.quantity("noise", u.nm, ZERO_OR_MORE)
    return Instrument(
        height_scale=scale or 0.0, noise_nm=0.0 if noise is None else float(noise.value)
    )


def _plan(filling: Section, blanks: Section) -> PlanSettings:
    width = blanks.quantity("sheet_width", u.mm, ABOVE_ZERO)
    spacing = blanks.quantity("spacing", u.mm, ZERO_OR_MORE)
    values = {
        "quadrants": filling.read("quadrants", _names),
        "minimise": filling.text("minimise", AIMS),
        "confidence": filling.number("confidence", _CONFIDENCE),
        "sheet_width_mm": None if width is None else float(width.value),
        "sheet_spacing_mm": None if spacing is None else float(spacing.value),
    }
    return PlanSettings(**{k: v for k, v in values.items() if v is not None})


def _bars(section: Section, core: Quantity | None) -> BarSettings:
    target = section.quantity("hpd_target", u.arcsec, ABOVE_ZERO)
    pivot = section.quantity("pivot_radius", u.mm, ZERO_OR_MORE)
    if target is not None and (core is None or target <= core):
        found = "no image.hpd" if core is None else f"{target}, with image.hpd {core}"
        section.report(
            "hpd_target",
            found,
            "a target above image.hpd, the half-power diameter without bar errors",
            "correct one of them",
        )
    return BarSettings(
        hpd_target_arcsec=None if target is None else float(target.value),
        pivot_radius_mm=None if pivot is None else float(pivot.value),
    )


def _energies(value: object) -> tuple[float, ...] | Trouble:
    trouble = Trouble('a list of energies, each once, such as ["1.49 keV", "6.4 keV"]')
    if not isinstance(value, list) or not value:
        return trouble
    try:
        energies = [parse_quantity(e, u.keV, name="energy").value for e in value]
    except SettingsError:
        return trouble
    names = {energy_name(e) for e in energies}
    if min(energies) <= 0 or len(names) < len(energies):
        return trouble
    return tuple(float(e) for e in sorted(energies))


def _names(value: object) -> tuple[str, ...] | Trouble:
    trouble = Trouble('a list of names, each once, such as ["Q1", "Q2", "Q3", "Q4"]')
    if not isinstance(value, list) or not value:
        return trouble
    if not all(isinstance(name, str) and name.strip() for name in value):
        return trouble
    return tuple(value) if len(set(value)) == len(value) else trouble
