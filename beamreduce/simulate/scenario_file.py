"""Read and check a scenario: an invented mirror, facility and plan of exposures."""

import hashlib
import tomllib
from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass
from importlib import resources
from pathlib import Path

from beamreduce.errors import SettingsError
from beamreduce.simulate.scenario_records import (
    AdjusterAsMade,
    BackgroundAsMade,
    ExposureSet,
    FigureAsMade,
    Line,
    MonitorAsMade,
    MoveAsMade,
    SensorAsMade,
    Truth,
    read_record,
)

FORMAT = "beamreduce-scenario/1"
_ONE_EACH = {
    "figure": FigureAsMade,
    "sensor": SensorAsMade,
    "background": BackgroundAsMade,
    "monitor": MonitorAsMade,
    "truth": Truth,
}
_MANY = {"line": Line, "exposures": ExposureSet}
_ANY_NUMBER = {"adjuster": AdjusterAsMade, "move": MoveAsMade}


@dataclass(frozen=True, kw_only=True)
class Scenario:
    """What is to be made.

    Parameters
    ----------
    name
        Name of the scenario's file, without its ending.
    seed
        Where all chance comes from.
    sha256
        SHA-256 of the scenario's text, by which a campaign made from it is known.
    campaign
        The tables of campaign.toml, as they stand in the scenario.
    figure, sensor, background, monitor, truth, lines, exposures, adjusters, moves
        The tables below ``[made]``, which no campaign shows.
    """

    name: str
    seed: int
    sha256: str
    campaign: Mapping[str, object]
    figure: FigureAsMade
    sensor: SensorAsMade
    background: BackgroundAsMade
    monitor: MonitorAsMade
    truth: Truth
    lines: Mapping[str, Line]
    exposures: tuple[ExposureSet, ...]
    adjusters: tuple[AdjusterAsMade, ...] = ()
    moves: tuple[MoveAsMade, ...] = ()


def packaged_scenarios() -> tuple[str, ...]:
    """Return the names of the scenarios that come with the package."""
    folder = resources.files("beamreduce.simulate") / "scenarios"
    names = (Path(item.name) for item in folder.iterdir())
    return tuple(sorted(name.stem for name in names if name.suffix == ".toml"))


def scenario_tables(
    name: str, text: str, form: str, problems: list[str], *, seed: int | None = None
) -> tuple[dict[str, object], int]:
    """Return the tables of a scenario without its format and seed, and the seed.

    Parameters
    ----------
    name, text
        From :func:`scenario_text`.
    form
        The format that it must have.
    problems
        Grows with what is wrong with either.
    seed
        To use instead of the scenario's own.

    Raises
    ------
    SettingsError
        When it is no TOML.
    """
    try:
        tables = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise SettingsError(f"{name}: not TOML: {error}; correct that line") from None
    if tables.pop("format", None) != form:
        problems.append(f'format must be "{form}"')
    own_seed = tables.pop("seed", None)
    seed = own_seed if seed is None else seed
    if not isinstance(seed, int) or isinstance(seed, bool) or seed < 0:
        problems.append(f"seed must be a whole number of at least 0; got {seed!r}")
    return tables, seed


def read_scenario(scenario: Path | str, *, seed: int | None = None) -> Scenario:
    """Read a scenario.

    Parameters
    ----------
    scenario
        Path of a TOML file, or the name of a packaged scenario.
    seed
        To use instead of the scenario's own.

    Raises
    ------
    SettingsError
        With everything that is wrong, one line each.
    """
    name, text = scenario_text(scenario)
    problems: list[str] = []
    tables, seed = scenario_tables(name, text, FORMAT, problems, seed=seed)
    made = tables.pop("made", {})
    parts = _read_made(made, problems)
    if problems:
        raise SettingsError("\n".join(f"{name}: {problem}" for problem in problems))
    return Scenario(
        name=Path(name).stem,
        seed=seed,
        sha256=hashlib.sha256(text.encode()).hexdigest(),
        campaign=tables,
        **parts,
    )


def scenario_text(scenario: Path | str) -> tuple[str, str]:
    """Return the name and the text of a scenario, packaged or from a file."""
    path = Path(scenario)
    if not path.is_file() and str(scenario) in packaged_scenarios():
        packaged = resources.files("beamreduce.simulate") / "scenarios"
        return f"{scenario}.toml", (packaged / f"{scenario}.toml").read_text("utf-8")
    try:
        return str(scenario), path.read_text("utf-8")
    except (OSError, UnicodeDecodeError) as error:
        reason = getattr(error, "strerror", None) or "bytes that are not UTF-8 text"
        raise SettingsError(
            f"{scenario}: no scenario can be read there ({reason}); expected the path of "
            f"a TOML file or one of the names {', '.join(packaged_scenarios())}"
        ) from None


def _read_made(made: object, problems: list[str]) -> dict[str, object]:
    if not isinstance(made, Mapping):
        problems.append(f"made must be a table; got {made!r}")
        return {}
    known = _ONE_EACH | _MANY | _ANY_NUMBER
    for key in made.keys() - known.keys():
        problems.append(f"made.{key} is not known; expected {', '.join(known)}")
    parts: dict[str, object] = {
        key: read_record(kind, made.get(key), f"made.{key}", problems)
        for key, kind in _ONE_EACH.items()
    }
    lists: dict[str, list] = {}
    for key, kind in (_MANY | _ANY_NUMBER).items():
        entries = made.get(key, [] if key in _ANY_NUMBER else None)
        if not isinstance(entries, list) or not (entries or key in _ANY_NUMBER):
            problems.append(f"[[made.{key}]] must be there at least once; got {entries!r}")
            entries = []
        lists[key] = [
            read_record(kind, entry, f"made.{key}[{number}]", problems)
            for number, entry in enumerate(entries, start=1)
        ]
    if not problems:
        parts["lines"] = {line.name: line for line in lists["line"]}
        parts["exposures"] = tuple(lists["exposures"])
        parts["adjusters"] = tuple(lists["adjuster"])
        parts["moves"] = tuple(lists["move"])
        _check_lists({key: lists[key] for key in _MANY}, problems)
    return parts


def _check_lists(lists: Mapping[str, list], problems: list[str]) -> None:
    for key, entries in lists.items():
        for name, count in Counter(entry.name.lower() for entry in entries).items():
            if count > 1:
                problems.append(f"made.{key}: the name {name!r} is there {count} times")
    lines = {line.name for line in lists["line"]}
    for item in lists["exposures"]:
        where = f"made.exposures {item.name}"
        problems.extend(f"{where}: {text}" for text in _wrong(item, lines))


def _wrong(item: ExposureSet, lines: set[str]) -> list[str]:
    """Return what is missing or too much in one set of exposures."""
    wrong = []
    if item.kind in ("beam", "direct"):
        if not item.line:
            wrong.append(f"line is missing; expected one of {', '.join(sorted(lines))}")
        if item.detector_distance is None or item.detector_distance.value <= 0:
            wrong.append("detector_distance is missing; a beam needs one above zero")
    if item.line and item.line not in lines:
        wrong.append(f"line {item.line!r} is not in [[made.line]]")
    if item.kind != "bias" and item.exposure_time.value <= 0:
        wrong.append("exposure_time must be above zero; only a bias may have none")
    if item.kind != "beam" and (item.off_axis is not None or item.azimuth is not None):
        wrong.append("off_axis and azimuth are for kind beam only")
    return wrong
