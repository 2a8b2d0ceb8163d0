"""The steps of a campaign in order: from a folder of frames to a folder of results."""

import importlib

from beamreduce.reduction.locate import Located, locate
from beamreduce.reduction.measure import Measured, measure
from beamreduce.reduction.request import MeasureRequest

# Public name → module. What a quick look can do without is imported when it is first
# used (PEP 562); `locate` and `measure` have the names of their modules and cannot wait.
_LATER = {
    "ReducedCampaign": "campaign_run",
    "RunOptions": "campaign_run",
    "default_jobs": "workers",
    "diameter_rows": "draw_diameters",
    "quoted_marks": "draw",
    "reduce_campaign": "campaign_run",
    "summary_table": "summary",
}

__all__ = [
    "Located",
    "MeasureRequest",
    "Measured",
    "ReducedCampaign",
    "RunOptions",
    "default_jobs",
    "diameter_rows",
    "locate",
    "measure",
    "quoted_marks",
    "reduce_campaign",
    "summary_table",
]


def __getattr__(name: str) -> object:
    if name not in _LATER:
        raise AttributeError(f"module 'beamreduce.reduction' has no attribute {name!r}")
    return getattr(importlib.import_module(f"beamreduce.reduction.{_LATER[name]}"), name)
