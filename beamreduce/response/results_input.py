"""What a results folder says of mirror, detector and certificates, for response files."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import astropy.units as u
import numpy as np

from beamreduce.beamline import Detector
from beamreduce.campaign.setup_tables import read_detector, read_mirror, read_quadrants
from beamreduce.campaign.toml_section import Section
from beamreduce.errors import GeometryError, Problem, ResultsError
from beamreduce.mirror import (
    PRESCRIPTION_FILE,
    MirrorDesign,
    Nesting,
    Prescription,
    nestings_from_design,
)
from beamreduce.response.fits_file import Certificate
from beamreduce.response.mirror_model import Mirror
from beamreduce.units import parse_quantity

_FILE = "settings.toml"
FIRST_DETECTOR = "detector"  # that of the table [detector], without a name
_AGAIN = "make the results anew with beamreduce reduce"
# What the numbers of a response rest on: key path of the settings, and its name.
_SIGNED = (
    ("facility.source_distance", "source distance"),
    ("facility.monitor_efficiency", "monitor efficiency"),
    ("mirror.focal_length", "focal length"),
    ("mirror.reflector_thickness", "reflector thickness"),
    ("mirror.coating_density", "coating density"),
    ("detector.pixel_size", "pixel size"),
    ("detector.gain", "detector gain"),
    ("detector.electron_energy", "energy per electron"),
    ("detector_efficiency", "detector efficiency"),
    ("detector_distance", "detector distance"),
)


@dataclass(frozen=True, kw_only=True)
class ResultsInput:
    """What response files are made of.

    Parameters
    ----------
    folder
        The results folder.
    campaign
        Its name.
    measurements
        As results.json holds them.
    mirror, detectors
        As its settings say; detectors by name.
    area_detectors
        Names of those that saw the lines with areas, of lines on the axis first.
    quadrants
        Azimuths (rad) by name.
    certificates
        Sign-off block.
    """

    folder: Path
    campaign: str
    measurements: Sequence[Mapping[str, object]]
    mirror: Mirror
    detectors: Mapping[str, Detector]
    area_detectors: tuple[str, ...]
    quadrants: Mapping[str, tuple[float, float]]
    certificates: tuple[Certificate, ...]


def results_input(
    folder: Path,
    campaign: str,
    measurements: Sequence[Mapping[str, object]],
    settings: Mapping[str, object],
) -> ResultsInput:
    """Take what is needed out of the settings of a results folder.

    Raises
    ------
    ResultsError
        When mirror or detector cannot be read from them.
    """
    problems: list[Problem] = []
    design = read_mirror(_section(settings, "mirror", problems))
    tables = _mapping(settings.get("detectors"))
    detectors = {}
    for name, table in tables.items():
        section = Section(_mapping(table), _path_of(name), problems, file=_FILE)
        detectors[name] = read_detector(section)
    pairs = read_quadrants(_section(settings, "quadrants", problems))
    wrong = [problem for problem in problems if not problem.warning]
    if wrong or design is None or not detectors or None in detectors.values():
        told = "\n".join(str(problem) for problem in wrong)
        raise ResultsError(told or f"{folder / _FILE}: found no mirror; {_AGAIN}")
    used = _area_detectors(measurements) or tuple(detectors)[:1]
    for name in used:
        if name not in detectors:
            raise ResultsError(
                f"{folder / _FILE}: found no detector {name!r}, that the measurements "
                f"name; {_AGAIN}"
            )
    return ResultsInput(
        folder=folder,
        campaign=campaign,
        measurements=measurements,
        mirror=Mirror(
            prescription=_prescription(folder, settings, design),
            design=design,
            density_relative=_density_relative(settings, design),
        ),
        detectors=detectors,
        area_detectors=used,
        quadrants={
            key: tuple(float(end.to_value(u.rad)) for end in pair)
            for key, pair in pairs.items()
        },
        certificates=_certificates(settings, used[0]),
    )


def _area_detectors(measurements: Sequence[Mapping[str, object]]) -> tuple[str, ...]:
    with_area = [m for m in measurements if m.get("effective_area_infinity_cm2")]
    rising = sorted(with_area, key=lambda m: float(m["off_axis_arcmin"]))  # type: ignore[arg-type]
    names = [str(m.get("detector") or FIRST_DETECTOR) for m in rising]
    return tuple(dict.fromkeys(names))


def _path_of(detector: str) -> str:
    """Return the key path of a detector's table."""
    return detector if detector == FIRST_DETECTOR else f"detectors.{detector}"


def _section(settings: Mapping[str, object], name: str, problems: list[Problem]) -> Section:
    return Section(_mapping(settings.get(name)), name, problems, file=_FILE)


def _mapping(value: object) -> Mapping[str, object]:
    return value if isinstance(value, Mapping) else {}


def _density_relative(settings: Mapping[str, object], design: MirrorDesign) -> float:
    declared = _mapping(settings.get("uncertainties")).get("mirror.coating_density")
    if declared is None or design.coating_density is None:
        return 0.0
    unit = u.g / u.cm**3
    size = parse_quantity(declared, unit, name="mirror.coating_density uncertainty")
    return float((size / design.coating_density).to_value(u.one))


def _prescription(
    folder: Path, settings: Mapping[str, object], design: MirrorDesign
) -> Prescription:
    """The nest that the results rest on: its nestings as stored, else by the design."""
    stored = settings.get("nestings")
    if isinstance(stored, Mapping):
        return _stored_nest(folder, stored, design)
    campaign = folder / str(settings.get("campaign_folder", "."))
    if (campaign / PRESCRIPTION_FILE).is_file():
        raise ResultsError(
            f"{folder / _FILE}: found no nestings, though the campaign has "
            f"{PRESCRIPTION_FILE}; expected the nest that the results rest on; {_AGAIN}"
        )
    try:
        return nestings_from_design(design)
    except GeometryError as error:
        raise ResultsError(f"{folder / _FILE}: {error}; {_AGAIN}") from None


_NUMBERS = (
    "radius_mm", "primary_angle_rad", "secondary_angle_rad", "primary_length_mm",
    "secondary_length_mm", "gap_mm", "thickness_mm", "roughness_nm",
)  # fmt: skip


def stored_nest(prescription: Prescription) -> dict[str, list[object]]:
    """Return a nest as settings.toml holds it: a list a column."""
    names = ("number", *_NUMBERS, "coating")
    return {key: [getattr(n, key) for n in prescription.nestings] for key in names}


def _stored_nest(
    folder: Path, stored: Mapping[str, object], design: MirrorDesign
) -> Prescription:
    try:
        rows = len(stored["number"])  # type: ignore[arg-type]
        nestings = tuple(
            Nesting(
                number=int(stored["number"][k]),  # type: ignore[index]
                coating=str(stored["coating"][k]),  # type: ignore[index]
                **{key: float(stored[key][k]) for key in _NUMBERS},  # type: ignore[index]
            )
            for k in range(rows)
        )
        return Prescription(
            nestings=nestings, focal_length_mm=float(design.focal_length.to_value(u.mm))
        )
    except (KeyError, IndexError, TypeError, ValueError, GeometryError) as error:
        raise ResultsError(
            f"{folder / _FILE}: nestings: found a list that cannot be read ({error!r}); "
            f"expected one entry a nesting in each; {_AGAIN}"
        ) from None


def _certificates(settings: Mapping[str, object], detector: str) -> tuple[Certificate, ...]:
    """What was declared of each number, and the certificate behind it if one is named."""
    given = dict(_mapping(settings.get("certificates")))
    uncertain = _mapping(settings.get("uncertainties"))
    rows = []
    for path, name in _SIGNED:
        table, _, key = path.rpartition(".")
        where = _mapping(settings.get(table))
        if table == "detector":
            where = _mapping(_mapping(settings.get("detectors")).get(detector))
            path = f"{_path_of(detector)}.{key}"
        text = given.pop(path, None) or given.pop(key, None)
        if key not in where and text is None and table:
            continue
        rows.append(
            Certificate(
                item=name,
                value=str(where.get(key, "by exposure")),
                uncertainty=str(uncertain.get(path, "not declared")),
                number=str(text or "not given"),
            )
        )
    rows += [Certificate(item=k, value="", number=str(v)) for k, v in given.items()]
    return tuple(rows)


def line_energies(measurements: Sequence[Mapping[str, object]]) -> np.ndarray:
    """Return the energies (keV) of all measurements, rising, each once."""
    return np.unique([float(one["energy_keV"]) for one in measurements])  # type: ignore[arg-type]
