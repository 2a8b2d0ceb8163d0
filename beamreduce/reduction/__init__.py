"""The steps of a campaign in order: from a folder of frames to a folder of results."""

from beamreduce.reduction.campaign_run import (
    ReducedCampaign,
    RunOptions,
    default_jobs,
    reduce_campaign,
)
from beamreduce.reduction.locate import Located, locate
from beamreduce.reduction.measure import Measured, measure
from beamreduce.reduction.request import MeasureRequest
from beamreduce.reduction.summary import summary_table

__all__ = [
    "Located",
    "MeasureRequest",
    "Measured",
    "ReducedCampaign",
    "RunOptions",
    "default_jobs",
    "locate",
    "measure",
    "reduce_campaign",
    "summary_table",
]
