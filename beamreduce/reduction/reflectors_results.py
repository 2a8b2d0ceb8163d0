"""The files of a run over reflectors: tables, JSON, provenance, settings, run log."""

import json
from collections.abc import Callable, Mapping, Sequence
from dataclasses import asdict, dataclass, fields
from typing import TYPE_CHECKING

from beamreduce.mirror.bar_budget import BarBudget
from beamreduce.mirror.bar_errors import BarSensitivity
from beamreduce.record import (
    Provenance,
    plain_json,
    sha256_of_file,
    software_versions,
    toml_text,
    write_table_whole,
    write_text_whole,
)
from beamreduce.reduction.bar_table import budget_json
from beamreduce.reduction.keys import as_plain
from beamreduce.reduction.output_folder import OutputFolder, place_text
from beamreduce.reduction.reflectors_tables import result_tables, too_wide
from beamreduce.reduction.run_log import json_text, run_log
from beamreduce.reflectors import (
    GRADES,
    MAPS_FILE,
    SETTINGS_FILE,
    STAGES,
    TRACES_FILE,
    ControlChart,
    GroupYield,
    MapNumbers,
    MirrorPlan,
    ReflectorFolder,
    ReflectorNumbers,
)

if TYPE_CHECKING:
    pass

FORMAT = "beamreduce-reflector-results/1"
MAP_NUMBERS = "map_numbers.json"


@dataclass(frozen=True, kw_only=True)
class ReflectorRun:
    """One run, ready to be written down.

    Parameters
    ----------
    folder
        What was read.
    output
        Where the files go.
    records
        Every map as it is stored, with checksum and key.
    maps, numbers, plan
        Numbers of the maps, of the reflectors, and the plan.
    yields, charts
        How forming and coating ran.
    bars, budget
        Tolerances of the alignment bars; empty and None without mirror or target.
    started
        When the run began, seconds since 1970.
    """

    folder: ReflectorFolder
    output: OutputFolder
    records: Sequence[Mapping[str, object]]
    maps: Mapping[str, MapNumbers]
    numbers: tuple[ReflectorNumbers, ...]
    plan: MirrorPlan
    yields: tuple[GroupYield, ...]
    charts: tuple[ControlChart, ...]
    bars: tuple[BarSensitivity, ...]
    budget: BarBudget | None
    started: float


def write_reflector_results(
    run: ReflectorRun, tell: Callable[[str, int, int], None]
) -> None:
    """Write every file of the run."""
    folder = run.output.partial
    tables = result_tables(run)
    for done, (name, table) in enumerate(tables.items(), start=1):
        write_table_whole(folder / f"{name}.ecsv", table)
        tell("tables", done, len(tables))
    write_text_whole(folder / "reflectors.json", json_text(results_json(run)))
    stored = {"format": FORMAT, "maps": list(run.records)}
    write_text_whole(folder / MAP_NUMBERS, json.dumps(stored, allow_nan=False) + "\n")
    write_text_whole(folder / "settings.toml", toml_text(_settings(run)))
    write_text_whole(
        folder / "provenance.json", json_text(_provenance(run, sorted(tables)))
    )
    write_text_whole(folder / "run_log.json", json_text(run_log(run.started)))


def results_json(run: ReflectorRun) -> dict[str, object]:
    """Return what reflectors.json holds: all but the rows of the tables."""
    plan = run.plan
    return {
        "format": FORMAT,
        "version": software_versions()["beamreduce"],
        "name": run.folder.setup.name,
        "reflectors": len(run.numbers),
        "maps": len(run.maps),
        "grades": {
            stage: {
                grade: sum(
                    n.grade.grade == grade and n.reflector.stage == stage
                    for n in run.numbers
                )
                for grade in (*GRADES, "not graded")
            }
            for stage in STAGES
        },
        "yields": [{**_plain(y), "share": y.share} for y in run.yields],
        "plan": {
            "minimised": plan.minimised,
            "slots": len(plan.plan.filled),
            "filled": len(plan.plan.filled) - len(plan.plan.empty),
            "reserves": sum(e.grade == GRADES[1] for e in plan.plan.filled),
            "spares": len(plan.plan.spares),
            "total_loss": plan.plan.total_loss,
        },
        "to_form": [_order(order) for order in plan.to_form],
        "bar_budget": budget_json(run.budget),
        "forecast": [_plain(f) for f in plan.forecast],
        "control": [
            {
                "quantity": chart.quantity,
                "center": chart.center,
                "sigma": chart.sigma,
                "signals": [
                    {"batch": p.name, "signal": p.signal} for p in chart.points if p.signal
                ],
            }
            for chart in run.charts
        ],
        "disagreeing": [n.reflector.reflector for n in run.numbers if not n.agree],
        "unusable_maps": {name: m.note for name, m in run.maps.items() if not m.usable},
        "notes": [
            *plan.notes,
            *too_wide(run.folder),
            *(str(problem) for problem in run.folder.warnings),
        ],
    }


def _plain(record: object) -> object:
    return plain_json({f.name: getattr(record, f.name) for f in fields(record)})


def _order(order: object) -> dict[str, object]:
    plain = {f.name: getattr(order, f.name) for f in fields(order) if f.name != "chance"}
    return plain_json({**plain, "yield": order.chance.value})


def _settings(run: ReflectorRun) -> dict[str, object]:
    setup = run.folder.setup
    return {
        "format": "beamreduce-settings/1",
        "version": software_versions()["beamreduce"],
        "command": "reflectors",
        "maps_folder": place_text(run.folder.folder.resolve(), run.output.final),
        "name": setup.name,
        "energies": [f"{energy} keV" for energy in setup.energies_kev],
        "maps": asdict(setup.treatment),
        "instrument": asdict(setup.instrument),
        "image": {"core_hpd_arcsec": setup.core_hpd_arcsec},
        "traces": {"slope_length_mm": setup.slope_length_mm},
        "filling": {
            **asdict(setup.plan),
            "minimise": run.plan.minimised,
        },
        "bars": asdict(setup.bars),
        "mirror": {} if setup.design is None else as_plain(setup.design),
        "limits": [asdict(limit) for limit in setup.limits],
    }


def _provenance(run: ReflectorRun, tables: Sequence[str]) -> dict[str, object]:
    """Which maps, with which settings, made which tables."""
    record = Provenance()
    settings = record.entity("settings.toml", {"prov:type": "br:Settings"})
    folder = run.folder.folder
    lists = []
    for name in (SETTINGS_FILE, MAPS_FILE, TRACES_FILE, "nestings.ecsv"):
        if (folder / name).is_file():
            digest = sha256_of_file(folder / name)
            lists.append(record.entity(name, {"br:path": name, "br:sha256": digest}))
    files = {row.map: row.file for r in run.folder.reflectors for row in r.maps}
    maps = [
        record.entity(
            f"map/{r['map']}", {"br:path": files[r["map"]], "br:sha256": r["sha256"]}
        )
        for r in run.records
    ]
    for reflector in run.folder.reflectors:
        for row in reflector.traces:
            digest = sha256_of_file(row.path)
            maps.append(
                record.entity(
                    f"trace/{row.trace}", {"br:path": row.file, "br:sha256": digest}
                )
            )
    numbers = record.entity(MAP_NUMBERS, {"br:path": MAP_NUMBERS})
    record.activity(
        "measure-maps",
        used=[*maps, *lists[:2], settings],
        made=[numbers],
        settings=json.dumps(asdict(run.folder.setup.treatment), sort_keys=True),
    )
    made = [record.entity(f"{name}.ecsv", {"br:path": f"{name}.ecsv"}) for name in tables]
    made.append(record.entity("reflectors.json", {"br:path": "reflectors.json"}))
    record.activity(
        "grade-and-plan",
        used=[numbers, *lists, settings],
        made=made,
        settings=json.dumps({"minimised": run.plan.minimised}),
    )
    return record.to_json()
