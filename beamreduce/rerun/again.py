"""``rerun``: an archived run checked, done again in a fresh process, and compared."""

import json
import time
import tomllib
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from beamreduce.errors import ResultsError
from beamreduce.record import sha256_of_file, software_versions, write_text_whole
from beamreduce.reduction.output_folder import (
    open_output,
    place_text,
    put_in_place,
    refuse_inside,
)
from beamreduce.reduction.run_log import json_text, run_log
from beamreduce.reduction.seal import CHECKSUMS, VERSIONS, installed, read_checksums
from beamreduce.reduction.seal import sealed_files as files_of
from beamreduce.rerun.agreement import Finding, compare_results_folders, counted
from beamreduce.rerun.chain import Story, read_story
from beamreduce.rerun.commands import Command, command_of, input_folders
from beamreduce.rerun.declared import Declared, declared_changes
from beamreduce.rerun.divergence import Divergence, first_divergences, lost_numbers
from beamreduce.rerun.fresh import run_job
from beamreduce.rerun.inputs import MISSING, InputState, check_inputs, unknown_files
from beamreduce.rerun.leave_out import write_decisions
from beamreduce.rerun.page import rerun_page

FORMAT = "beamreduce-rerun/1"
RESULTS = "results"
Progress = Callable[[str, int, int], None]


@dataclass(frozen=True, kw_only=True)
class RerunOptions:
    """How to run an archive again.

    Parameters
    ----------
    inputs
        Where the inputs are now; None takes the place that the archive keeps.
    output
        Folder to write; None takes ``DIR.rerun`` beside the archive.
    fresh_environment
        Install the archived versions into a virtual environment of their own.
    jobs
        Processes to use.
    """

    inputs: Path | None = None
    output: Path | None = None
    fresh_environment: bool = False
    jobs: int = 1


@dataclass(frozen=True, kw_only=True)
class Rerun:
    """What a rerun found.

    Parameters
    ----------
    archive, folder
        The archive, and where the rerun is kept.
    command
        That made the archive.
    damage
        What is wrong with the archive itself, in sentences.
    inputs
        Every input and what has become of it.
    unknown
        Files beside the inputs that the archive does not know.
    versions
        Packages whose version is another: (name, archived, now).
    declared
        What the change log declares about numbers since the archived version.
    fault
        Why nothing could be run again; empty when it could.
    findings
        Everything compared.
    left_out
        What was not compared because an input of it is missing, with that input.
    divergences
        Where each differing number first parts from the archive.
    """

    archive: Path
    folder: Path
    command: str
    damage: tuple[str, ...]
    inputs: tuple[InputState, ...]
    unknown: tuple[str, ...]
    versions: tuple[tuple[str, str, str], ...]
    declared: Declared
    fault: str
    findings: tuple[Finding, ...]
    left_out: Mapping[str, str]
    divergences: tuple[Divergence, ...]

    @property
    def partial(self) -> bool:
        """True when some inputs are missing, so that only a part was run."""
        return any(not state.there for state in self.inputs)

    @property
    def comes_back(self) -> bool:
        """True when the whole archive is sound and every bit of it comes back."""
        return (
            not self.damage
            and not self.fault
            and not self.left_out
            and all(state.state == "unchanged" for state in self.inputs)
            and all(finding.comes_back for finding in self.findings)
        )

    @property
    def verdict(self) -> str:
        """One sentence."""
        counts = counted(self.findings)
        found = ", ".join(f"{number} {state}" for state, number in counts.items() if number)
        if self.fault:
            return f"the run could not be done again: {self.fault}"
        if self.comes_back:
            return f"everything comes back: {found}"
        changed = sum(s.state not in ("unchanged", MISSING) for s in self.inputs)
        missing = sum(s.state == MISSING for s in self.inputs)
        parts = [f"{changed} inputs changed"] if changed else []
        parts += [f"{missing} inputs missing (a partial rerun)"] if missing else []
        parts += (
            [f"the archive is damaged ({len(self.damage)} files)"] if self.damage else []
        )
        return f"not everything comes back: {'; '.join([*parts, found])}"


def rerun_archive(
    archive: Path | str,
    *,
    options: RerunOptions | None = None,
    progress: Progress | None = None,
) -> Rerun:
    """Check an archived run, do it again in a fresh process and compare everything.

    Parameters
    ----------
    archive
        Folder of results of any command; never written.
    options
        How to run it.
    progress
        Called with (what, done, of how many).

    Raises
    ------
    ResultsError
        When the archive or its inputs cannot be used at all.
    OutputError
        When the rerun cannot be written.
    """
    options, started = options or RerunOptions(), time.time()
    tell = progress or (lambda what, done, total: None)
    archive = Path(archive)
    settings = _settings(archive)
    name, command = command_of(settings, archive)
    story = read_story(archive)
    folders = input_folders(command, settings, archive, options.inputs)
    place = options.output or archive.resolve().with_name(f"{archive.resolve().name}.rerun")
    refuse_inside(archive, place, "the archive", "archives are never written")
    for kept in folders.values():
        refuse_inside(kept, place, "the inputs", "inputs are never written")
    with open_output(place, update=True) as output:
        tell("checksums", 0, 1)
        states = check_inputs(story, command, folders, archive)
        tell("checksums", 1, 1)
        damage = _damage(archive)
        work = output.partial / "work"
        work.mkdir(exist_ok=True)
        absent = {s.source.entity: s.source.path for s in states if not s.there}
        _refuse_without_tables(states, command, name)
        write_decisions(archive, states, work)
        told = {
            "command": name,
            "settings": settings,
            "inputs": {key: str(path) for key, path in folders.items()},
            "output": str(output.partial / RESULTS),
            "archive": str(archive.resolve()),
            "reference_radius_mm": _kept_radius_mm(archive) if absent else None,
            "figures": any(archive.glob("*.png")),
            "jobs": options.jobs,
            "names": {one.role: one.path for one in story.sources()},
        }
        fault = run_job(told, work, _archived_versions(archive), (options, tell))
        findings: Sequence[Finding] = ()
        left_out: Mapping[str, str] = {}
        if not fault:
            tell("comparison", 0, 1)
            findings = compare_results_folders(archive, output.partial / RESULTS)
            left_out = lost_numbers(story, absent, findings)
            findings = [one for one in findings if _label(one) not in left_out]
            tell("comparison", 1, 1)
        versions = _changed_versions(archive, story, options)
        done = Rerun(
            archive=archive,
            folder=output.final,
            command=name,
            damage=damage,
            inputs=states,
            unknown=unknown_files(states, folders),
            versions=versions,
            declared=declared_changes(story.agent.get("beamreduce", "")),
            fault=fault,
            findings=tuple(findings),
            left_out=left_out,
            divergences=first_divergences(story, findings, states),
        )
        write_text_whole(output.partial / "rerun.json", json_text(_as_json(done)))
        write_text_whole(output.partial / "report.html", rerun_page(done))
        write_text_whole(output.partial / "run_log.json", json_text(run_log(started)))
        put_in_place(output)
    return done


def _label(finding: Finding) -> str:
    return f"{finding.file}: {finding.item}" if finding.item else finding.file


def _settings(archive: Path) -> Mapping[str, object]:
    if not archive.is_dir():
        raise ResultsError(
            f"{archive}: found no folder; expected a folder of results; check the path"
        )
    path = archive / "settings.toml"
    try:
        return tomllib.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or f"no sound TOML ({error})"
        raise ResultsError(
            f"{path}: found {reason}; expected the settings that a run leaves; take the "
            f"archive from a copy"
        ) from None


def _kept_radius_mm(archive: Path) -> float | None:
    """Return the reference radius of the archive, which missing frames would change."""
    try:
        results = json.loads((archive / "results.json").read_text(encoding="utf-8"))
        return float(results["measurements"][0]["reference_radius_mm"])
    except (OSError, ValueError, KeyError, IndexError, TypeError):
        return None  # damaged, which is said elsewhere


def _damage(archive: Path) -> tuple[str, ...]:
    """Compare the archive with its own checksums."""
    try:
        kept = read_checksums(archive)
    except (OSError, ValueError):
        return (f"{CHECKSUMS}: missing or damaged, so changes since cannot be told",)
    there = set(files_of(archive))
    said = []
    for name in sorted(set(kept) | there):
        if name not in there:
            said.append(f"{name}: missing from the archive")
        elif name not in kept:
            said.append(f"{name}: was not there when the archive was made")
        elif sha256_of_file(archive / name) != kept[name]:
            said.append(f"{name}: changed since the archive was made")
    return tuple(said)


def _refuse_without_tables(
    states: Sequence[InputState], command: Command, name: str
) -> None:
    """A campaign may lack frames; nothing else can be run in part."""
    for state in states:
        in_part = name == "reduce" and state.source.exposure
        if not state.there and not in_part:
            raise ResultsError(
                f"{state.path}: found it {state.state}; expected this input of {name}, "
                f"without which nothing can be run again; give the folder that holds it "
                f"with --inputs ({', '.join(command.inputs)})"
            )


def _archived_versions(archive: Path) -> tuple[str, ...]:
    try:
        return tuple((archive / VERSIONS).read_text(encoding="utf-8").split())
    except (OSError, ValueError):
        return ()


def _changed_versions(
    archive: Path, story: Story, options: RerunOptions
) -> tuple[tuple[str, str, str], ...]:
    before = dict(line.split("==", 1) for line in _archived_versions(archive))
    if not before:
        before = dict(story.agent)
    now = dict(line.split("==", 1) for line in installed())
    now["python"] = software_versions()["python"]
    before.setdefault("python", story.agent.get("python", now["python"]))
    if options.fresh_environment:  # it has the archived ones, but for Python itself
        now = {**before, "python": now["python"]}
    return tuple(
        (name, before.get(name, "none"), now.get(name, "none"))
        for name in sorted(set(before) & set(now))
        if before.get(name) != now.get(name)
    )


def _as_json(done: Rerun) -> dict[str, object]:
    return {
        "format": FORMAT,
        "version": software_versions()["beamreduce"],
        "archive": place_text(done.archive.resolve(), done.folder),
        "command": done.command,
        "verdict": done.verdict,
        "comes_back": done.comes_back,
        "partial": done.partial,
        "damage": list(done.damage),
        "inputs": [
            {"path": s.source.path, "sha256": s.source.sha256, "state": s.state}
            for s in done.inputs
        ],
        "unknown_files": list(done.unknown),
        "versions": [dict(zip(("name", "archived", "now"), v, strict=True))
                     for v in done.versions],
        "declared": list(done.declared.entries),
        "counts": counted(done.findings),
        "findings": [
            {k: v for k, v in vars_of(finding).items() if v not in ("", None)}
            for finding in done.findings
        ],
        "left_out": dict(done.left_out),
        "divergences": [vars_of(one) for one in done.divergences],
    }  # fmt: skip


def vars_of(record: object) -> dict[str, object]:
    """Return the fields of a record as JSON holds them; infinity becomes text."""
    plain = {key: getattr(record, key) for key in record.__dataclass_fields__}
    return json.loads(json.dumps(plain).replace(": Infinity", ': "infinite"'))


def rerun_text(done: Rerun, *, most: int = 40) -> str:
    """Return the table for the screen: verdict, inputs, and all that is not identical."""
    lines = [f"archive {done.archive}, made by {done.command}"]
    lines += [f"archive: {words}" for words in done.damage]
    lines += [
        f"input {s.source.path}: {s.state}" for s in done.inputs if s.state != "unchanged"
    ]
    lines += [f"not known to the archive: {name}" for name in done.unknown]
    lines += [f"version of {n}: {a} in the archive, {b} now" for n, a, b in done.versions]
    causes = {one.item: one for one in done.divergences}
    told = [one for one in done.findings if one.state != "identical"]
    for one in told[:most]:
        lines.append(_line(one))
        if _label(one) in causes:
            lines.append(f"    {causes[_label(one)].sentence}")
    if len(told) > most:
        lines.append(f"… and {len(told) - most} more, all in report.html and rerun.json")
    lines += [f"not compared: {what}: needs {why}" for what, why in done.left_out.items()]
    moved = {part for one in told if not one.comes_back for part in one.item.split("/")}
    lines += [f"declared: {entry[:300]}" for entry in done.declared.about(moved)]
    counts = counted(done.findings)
    lines += [f"{number:6d} {state}" for state, number in counts.items() if number]
    return "\n".join([*lines, f"verdict: {done.verdict}"])


def _line(one: Finding) -> str:
    text = f"{one.state:<17} {_label(one)}"
    if one.archived or one.again:
        text += f": {one.archived} → {one.again}" if one.again else f": {one.archived}"
    if one.sigmas is not None:
        text += f" ({one.sigmas:.3g} σ)"
    return text + (f" [bound: {one.tolerance}]" if one.tolerance else "")
