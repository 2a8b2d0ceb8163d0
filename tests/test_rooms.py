"""Imports run one way, importing is light, and public names are those listed."""

import ast
import subprocess
import sys
from pathlib import Path

import pytest

import beamreduce

ROOT = Path(beamreduce.__file__).parent
# Rooms from left to right; rooms of one tier may import those before them in it.
FLOW = (
    "errors", "units", "statistics", "record", "progress_bar",
    "beamline", "mirror",
    "campaign", "frame", "image", "rings", "background", "encircled_energy",
    "raytrace", "infinity", "effective_area", "response",
    "reflectors", "quadrants", "before_after",
    "figures", "report",
    "reduction", "simulate",
    "panel",
    "rerun",
    "cli",
)  # fmt: skip
PRESENT = sorted(
    {p.stem for p in ROOT.glob("*.py") if p.stem != "__init__"}
    | {p.name for p in ROOT.iterdir() if (p / "__init__.py").is_file()}
)


def imported_rooms(source, package):
    """Rooms that a module imports, in any form, anywhere in it."""
    rooms = set()
    for node in ast.walk(ast.parse(source)):
        names = []
        if isinstance(node, ast.Import):
            names = [alias.name for alias in node.names]
        elif isinstance(node, ast.ImportFrom):
            base = node.module or ""
            if node.level:
                upward = ("beamreduce", *package)[: len(package) + 2 - node.level]
                base = ".".join([*upward, base]).rstrip(".")
            names = [f"{base}.{alias.name}" for alias in node.names] + [base]
        parts = [name.split(".") for name in names]
        rooms |= {p[1] for p in parts if p[0] == "beamreduce" and len(p) > 1}
    return rooms & set(FLOW)


def modules_of(room):
    single = ROOT / f"{room}.py"
    return [single] if single.is_file() else sorted((ROOT / room).rglob("*.py"))


def test_every_room_has_its_place():
    assert set(PRESENT) <= set(FLOW)


@pytest.mark.parametrize("room", PRESENT)
def test_a_room_reads_only_from_rooms_upstream(room):
    upstream = set(FLOW[: FLOW.index(room) + 1])
    for path in modules_of(room):
        package = path.relative_to(ROOT).parts[:-1]
        downstream = imported_rooms(path.read_text(), package) - upstream
        assert not downstream, f"{path.name} imports {sorted(downstream)}"


@pytest.mark.parametrize(
    ("source", "package", "rooms"),
    [
        ("import beamreduce.cli", (), {"cli"}),
        ("from beamreduce import rings", ("image",), {"rings"}),
        ("from beamreduce.frame import Frame", ("image",), {"frame"}),
        ("from ..record import Uncertain", ("image",), {"record"}),
        ("from . import center", ("image",), {"image"}),
        ("def f():\n    from beamreduce.figures import x", ("image",), {"figures"}),
        ("import numpy", (), set()),
    ],
)
def test_the_import_reader_sees_every_form(source, package, rooms):
    assert imported_rooms(source, package) == rooms


def test_public_names_are_exactly_those_listed():
    assert {n for n in dir(beamreduce) if not n.startswith("_")} >= set(beamreduce.__all__)
    for name in beamreduce.__all__:
        assert getattr(beamreduce, name).__module__.startswith("beamreduce")
    with pytest.raises(AttributeError, match="no attribute 'nothing'"):
        beamreduce.nothing  # noqa: B018


@pytest.mark.parametrize("module", ["beamreduce", "beamreduce.cli"])
def test_importing_loads_nothing_heavy(module):
    heavy = ["numpy", "astropy", "numba", "scipy", "matplotlib", "photutils"]
    code = f"import sys, {module}; print([m for m in {heavy} if m in sys.modules])"
    run = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=True
    )
    assert run.stdout.strip() == "[]"


def test_modules_stay_small():
    long = {
        str(path.relative_to(ROOT)): lines
        for path in ROOT.rglob("*.py")
        if (lines := len(path.read_text().splitlines())) > 400
    }
    assert not long
