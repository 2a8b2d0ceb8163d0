"""The steps of a campaign in order: from a folder of frames to a folder of results."""

from beamreduce.reduction.campaign_run import (
    ReducedCampaign,
    RunOptions,
    reduce_campaign,
)
from beamreduce.reduction.draw import quoted_marks
from beamreduce.reduction.locate import Located, locate
from beamreduce.reduction.measure import Measured, measure
from beamreduce.reduction.request import MeasureRequest
from beamreduce.reduction.summary import summary_table
from beamreduce.reduction.workers import default_jobs

__all__ = [
    "Located",
    "MeasureRequest",
    "Measured",
    "ReducedCampaign",
    "RunOptions",
    "default_jobs",
    "locate",
    "measure",
    "quoted_marks",
    "reduce_campaign",
    "summary_table",
]
