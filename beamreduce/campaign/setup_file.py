"""``campaign.toml``: facility, mirror, detectors, and how the campaign shall be reduced."""

import re
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path

import astropy.units as u
from astropy.units import Quantity

from beamreduce.beamline import Detector, Facility, Layer
from beamreduce.campaign.paths import SETUP_FILE, find_inside
from beamreduce.campaign.setup_tables import (
    Reduction,
    read_cards,
    read_certificates,
    read_detector,
    read_facility,
    read_layer,
    read_mirror,
    read_quadrants,
    read_reduction,
)
from beamreduce.campaign.toml_section import Section
from beamreduce.errors import CampaignError, Problem
from beamreduce.mirror import MirrorDesign

FORMAT = "beamreduce-campaign/1"
DEFAULT_DETECTOR = ""

_PLACE = re.compile(r"^(.*?)\s*\(at (line \d+, column \d+|end of document)\)$", re.DOTALL)


# First and last azimuth by default, as seen from the source.
QUADRANTS = {f"Q{k + 1}": (90.0 * k * u.deg, 90.0 * (k + 1) * u.deg) for k in range(4)}


@dataclass(frozen=True, kw_only=True)
class Setup:
    """Everything that ``campaign.toml`` says.

    Parameters
    ----------
    name
        Name of the campaign.
    facility, mirror
        The tables of the same name.
    detectors
        By name; the plain ``[detector]`` has the empty name.
    reduction
        The ``[reduction]`` table with its defaults.
    layers
        Filters, windows and sensors by name.
    cards
        Header card by column of the exposure table.
    quadrants
        First and last azimuth by name.
    certificates
        Calibration certificates by the key whose value they stand behind.
    uncertainties
        Declared standard uncertainties of all tables, by key path
        (``facility.source_distance``, ``detectors.NAME.gain``).
    unknown_keys
        Key paths that the format does not know.
    unknown
        What they hold.
    """

    name: str
    facility: Facility
    mirror: MirrorDesign
    detectors: Mapping[str, Detector]
    reduction: Reduction
    cards: Mapping[str, str]
    quadrants: Mapping[str, tuple[Quantity, Quantity]]
    uncertainties: Mapping[str, Quantity | float]
    layers: Mapping[str, Layer] = field(default_factory=dict)
    certificates: Mapping[str, str] = field(default_factory=dict)
    unknown_keys: tuple[str, ...] = ()
    unknown: Mapping[str, object] = field(default_factory=dict)


@dataclass(frozen=True, kw_only=True)
class SetupDraft:
    """What could be read of a setup, and every problem with it.

    ``setup`` is None when there are errors. ``detector_names`` is None when they cannot
    be known; ``cards`` are those that can be used all the same.
    """

    setup: Setup | None
    detector_names: frozenset[str] | None
    cards: Mapping[str, str]
    problems: tuple[Problem, ...]


def read_setup(folder: Path) -> Setup:
    """Read ``campaign.toml`` of a campaign folder.

    Raises
    ------
    CampaignError
        With all problems of the file: TOML syntax (with the line), keys that are missing
        or have a wrong value or unit (with the key path).
    """
    draft = draft_setup(folder)
    if draft.setup is None:
        raise CampaignError([p for p in draft.problems if not p.warning])
    return draft.setup


def draft_setup(folder: Path) -> SetupDraft:
    """Read as much of ``campaign.toml`` as can be read, and collect all problems."""
    document, problem = read_document(folder)
    if document is None:
        return SetupDraft(setup=None, detector_names=None, cards={}, problems=(problem,))
    problems: list[Problem] = []
    top = Section(document, "", problems)
    version = top.text("format", (FORMAT,), required=True)
    campaign = subsection(top, "campaign", "name")
    name = campaign.text("name", required=True) if campaign else None
    facility = subsection(top, "facility", "source_distance, source_diameter")
    mirror = subsection(top, "mirror", "focal_length, inner_radius, outer_radius, …")
    reduction = subsection(top, "reduction") or Section({}, "reduction", problems)
    cards = subsection(top, "cards") or Section({}, "cards", problems)
    quadrants = subsection(top, "quadrants") or Section({}, "quadrants", problems)
    certificates = subsection(top, "certificates") or Section({}, "certificates", problems)
    detectors = _detector_sections(top)
    layers = _named_sections(top, "layers")
    content = {
        "facility": read_facility(facility) if facility else None,
        "mirror": read_mirror(mirror) if mirror else None,
        "detectors": {key: read_detector(section) for key, section in detectors.items()},
        "reduction": read_reduction(reduction),
        "layers": {key: read_layer(section) for key, section in layers.items()},
        "cards": read_cards(cards),
        "quadrants": read_quadrants(quadrants),
        "certificates": read_certificates(certificates),
    }
    sections = [campaign, facility, mirror, reduction, cards, quadrants, certificates]
    sections = [
        s for s in (*sections, *detectors.values(), *layers.values()) if s is not None
    ]
    unknown = {
        key: value for section in sections for key, value in section.unknown().items()
    }
    unknown |= {key.removeprefix("."): value for key, value in top.unknown().items()}
    uncertainties = {
        f"{section.path}.{key}": value
        for section in sections
        for key, value in section.uncertainties.items()
    }
    content |= {
        "name": name,
        "uncertainties": uncertainties,
        "unknown_keys": tuple(unknown),
        "unknown": unknown,
    }
    whole = version and name and all(problem.warning for problem in problems)
    return SetupDraft(
        setup=Setup(**content) if whole else None,
        detector_names=frozenset(detectors),
        cards=content["cards"],
        problems=tuple(problems),
    )


def quadrants_of(setup: Setup) -> dict[str, tuple[float, float]]:
    """Return first and last azimuth of every quadrant, rad; Q1 begins at 0 by default."""
    return {
        name: (float(first.to_value(u.rad)), float(last.to_value(u.rad)))
        for name, (first, last) in (setup.quadrants or QUADRANTS).items()
    }


def read_document(
    folder: Path, file: str = SETUP_FILE
) -> tuple[dict[str, object] | None, Problem | None]:
    """Read a TOML file of a folder; the problem says what keeps it from being read."""
    path, trouble = find_inside(folder, file)
    expected, action = "a file of settings", ""
    item = ""
    if path is None:
        found, action = trouble
    else:
        try:
            # Some editors put a mark before the first character that TOML does not allow.
            return tomllib.loads(path.read_text(encoding="utf-8-sig")), None
        except tomllib.TOMLDecodeError as error:
            match = _PLACE.match(str(error))
            message, item = match.groups() if match else (str(error), "")
            found = f"a TOML syntax error ({message})"
            expected, action = "valid TOML", "correct this line"
        except RecursionError:
            found, expected = "lists or tables inside each other too deeply", "valid TOML"
            action = "write them flat, as in the format"
        except (OSError, UnicodeDecodeError) as error:
            reason = getattr(error, "strerror", None) or "not UTF-8 text"
            found, action = f"a file that cannot be read ({reason})", "save it as UTF-8"
        except ValueError:
            found = "a whole number of thousands of digits"
            expected, action = "numbers that mean something", "correct it"
    return None, Problem(
        file=file, item=item, found=found, expected=expected, action=action
    )


def subsection(top: Section, key: str, required: str = "") -> Section | None:
    """Return a table of the file; with ``required`` (what it holds) it has to be there."""
    top.known.add(key)
    table = top.table.get(key)
    if isinstance(table, dict):
        path = f"{top.path}.{key}".removeprefix(".")
        return Section(table, path, top.problems, file=top.file)
    if table is not None:
        top.report(key, repr(table), f"a table [{key}]", "write it as a table")
    elif required:
        top.report(key, "nothing", f"a table [{key}] with {required}", "add the table")
    return None


def _detector_sections(top: Section) -> dict[str, Section]:
    """Return the table of each detector by its name."""
    sections = {}
    plain = subsection(top, "detector", "pixel_size and mode")
    if plain is not None:
        sections[DEFAULT_DETECTOR] = plain
    return sections | _named_sections(top, "detectors")


def _named_sections(top: Section, key: str) -> dict[str, Section]:
    """Return the tables ``[key.NAME]`` by name."""
    outer = subsection(top, key)
    found = {name: subsection(outer, name) for name in (outer.table if outer else ())}
    return {name: section for name, section in found.items() if section is not None}
