"""How forming and coating run: yields by group, charts by batch, of graded reflectors."""

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import replace

from beamreduce.reflectors.control_chart import ControlChart, control_chart
from beamreduce.reflectors.grading import GRADES, STAGES
from beamreduce.reflectors.reflector_numbers import ReflectorNumbers
from beamreduce.reflectors.tolerance_limit import upper_tolerance_limit
from beamreduce.reflectors.yields import CONFIDENCE, GroupYield, group_yields

GROUPS = ("stage", "batch", "mandrel", "coating_run")
_FEWEST_BATCHES = 2


def yields_by_group(
    numbers: Sequence[ReflectorNumbers], *, confidence: float = CONFIDENCE
) -> tuple[GroupYield, ...]:
    """Return the yield of flight grade by stage, batch, mandrel and coating run.

    Reflectors that are not graded count in none; groups without a name are left out.
    """
    found: list[GroupYield] = []
    graded = [n for n in numbers if n.grade.grade in GRADES]
    for kind in GROUPS:
        counts: dict[str, list[int]] = defaultdict(lambda: [0, 0])
        sizes: dict[str, list[float]] = defaultdict(list)
        for n in graded:
            name = getattr(n.reflector, kind)
            if name:
                counts[name][0] += n.grade.grade == GRADES[0]
                counts[name][1] += 1
                if "Sq" in n.values:
                    sizes[name].append(n.values["Sq"].value)
        if counts:
            plain = {name: (good, formed) for name, (good, formed) in counts.items()}
            found += (
                replace(
                    group,
                    Sq_limit=upper_tolerance_limit(
                        sizes[group.name], confidence=confidence
                    ),
                )
                for group in group_yields(kind, plain, confidence=confidence)
            )
    return tuple(found)


def charts_by_batch(numbers: Sequence[ReflectorNumbers]) -> tuple[ControlChart, ...]:
    """Return the chart of Sq of each stage, batches in the order of the list."""
    charts = []
    for stage in STAGES:
        batches: dict[str, list[float]] = defaultdict(list)
        for n in numbers:
            own = n.reflector.stage == stage and n.reflector.batch
            if own and "Sq" in n.values:
                batches[n.reflector.batch].append(n.values["Sq"].value)
        if len(batches) >= _FEWEST_BATCHES:
            chart = control_chart(f"Sq of {stage}", batches)
            if chart is not None:
                charts.append(chart)
    return tuple(charts)
