"""``report.html`` of a reduced campaign: everything that a signature is put under."""

import json
from collections import Counter
from pathlib import Path

from beamreduce.record import ResultsFolder, read_results
from beamreduce.report.areas_page import area_sections
from beamreduce.report.configuration_pages import configuration_sections
from beamreduce.report.measurement_page import measurement_section
from beamreduce.report.page import Section, render, render_page
from beamreduce.report.sign_off import sign_off_section
from beamreduce.report.standard_tables import standard_tables
from beamreduce.report.summary import summary_section


def campaign_report(folder: Path) -> str:
    """Return the report of a results folder, a pure function of the files in it.

    Parameters
    ----------
    folder
        ``results.json``, ``settings.toml``, curves and figures of one run.

    Raises
    ------
    OutputError
        When results cannot be read.
    """
    results = read_results(folder)
    sections = [
        summary_section(results),
        not_tested_section(results),
        standard_tables(results),
        *area_sections(results),
        _fixed("measurements", "Measurements"),
        *(measurement_section(results, m) for m in results.measurements.values()),
        *configuration_sections(results),
        *decisions_sections(results),
        settings_section(results),
        inputs_section(results),
        sign_off_section(results),
    ]
    return render_page(
        "Beam test of an X-ray mirror",
        results.campaign,
        sections,
        version=str(results.content["version"]),
    )


def _fixed(name: str, title: str) -> Section:
    """Return a part whose words are always the same."""
    return Section(anchor=name, title=title, body=render(f"{name}.html", {}))


def not_tested_section(results: ResultsFolder) -> Section:
    """Say what all numbers are silent about."""
    focus = results.content.get("focus", [])
    content = {"sentences": results.content.get("not_tested", []), "focus": focus}
    return Section(
        anchor="not-tested",
        title="What was not tested",
        body=render("not_tested.html", content),
    )


def decisions_sections(results: ResultsFolder) -> list[Section]:
    """List who decided what and why; nothing where nobody did."""
    decisions = results.content.get("decisions", [])
    if not decisions:
        return []
    body = render("decisions.html", {"decisions": decisions})
    return [Section(anchor="decisions", title="Decisions", body=body)]


def settings_section(results: ResultsFolder) -> Section:
    """List all settings as they were used."""
    declared = results.settings.get("uncertainties", {})
    rows = []
    for name, table in results.settings.items():
        if isinstance(table, dict) and name not in ("uncertainties", "certificates"):
            rows += _rows(name, table)
    content = {"rows": rows, "declared": declared}
    return Section(
        anchor="settings", title="Settings as used", body=render("settings.html", content)
    )


def _rows(name: str, table: dict[str, object]) -> list[tuple[str, str]]:
    rows = []
    for key, value in table.items():
        if isinstance(value, dict):
            if key != "uncertainties":  # they have a table of their own
                rows += _rows(f"{name}.{key}", value)
        else:
            rows.append((f"{name}.{key}", _plain(value)))
    return rows


def _plain(value: object) -> str:
    if isinstance(value, list):
        return ", ".join(str(one) for one in value)
    return str(value)


def inputs_section(results: ResultsFolder) -> Section:
    """List every frame that any number comes from, the steps since, and the software."""
    served: dict[tuple[str, str], list[str]] = {}
    for m in results.measurements.values():
        for path, digest in m["inputs"].items():
            served.setdefault((path, digest), []).append(str(m["id"]))
    every = len(results.measurements)
    rows = [
        (path, digest, "all" if len(ids) == every > 1 else ", ".join(ids))
        for (path, digest), ids in sorted(served.items())
    ]
    steps, software = _made_by(results.folder)
    seed = results.settings.get("reduction", {}).get("random_seed", "not kept")
    content = {"rows": rows, "steps": steps, "software": software, "seed": seed}
    return Section(
        anchor="inputs",
        title="Where the numbers come from",
        body=render("inputs.html", content),
    )


def _made_by(folder: Path) -> tuple[list[tuple[str, int]], list[tuple[str, str]]]:
    """Return the steps with how often each was done, and the software with its versions."""
    path = folder / "provenance.json"
    if not path.is_file():
        return [], []
    story = json.loads(path.read_text(encoding="utf-8"))
    # br:calibrate-image/focus_Ti: what is done, then to what.
    done = (name.removeprefix("br:").split("/")[0] for name in story["activity"])
    (agent,) = story["agent"].values()
    software = [
        (key.removeprefix("br:"), str(version))
        for key, version in sorted(agent.items())
        if key.startswith("br:")
    ]
    return list(Counter(done).items()), software
