"""The page of a rerun: verdict first, then inputs, versions and everything compared."""

from typing import TYPE_CHECKING

from beamreduce.record import software_versions
from beamreduce.report import Section, render, render_page
from beamreduce.rerun.agreement import counted

if TYPE_CHECKING:
    from beamreduce.rerun.again import Rerun


def rerun_page(done: "Rerun") -> str:
    """Return the report of a rerun, one HTML file that opens without a network."""
    causes = {one.item: one.sentence for one in done.divergences}
    rows = [
        {
            "one": one,
            "cause": causes.get(f"{one.file}: {one.item}" if one.item else one.file),
        }
        for one in done.findings
    ]
    numbers = [r for r in rows if r["one"].state != "identical"]
    same = [r["one"] for r in rows if r["one"].state == "identical"]
    content = {
        "done": done,
        "counts": {k: v for k, v in counted(done.findings).items() if v},
        "changed": [s for s in done.inputs if s.state != "unchanged"],
        "rows": numbers,
        "same": same,
        "declared": done.declared,
    }
    parts = (
        ("verdict", "Verdict"),
        ("inputs", "Inputs and versions"),
        ("moved", "What is not identical"),
        ("same", "What is identical"),
    )
    sections = [
        Section(anchor=name, title=title, body=render(f"rerun_{name}.html", content))
        for name, title in parts
    ]
    version = software_versions()["beamreduce"]
    title = "An archived run, done again"
    return render_page(title, done.archive.resolve().name, sections, version=version)
