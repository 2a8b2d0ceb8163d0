"""The campaign folder: what was set up, what was exposed, what belongs to what."""

from beamreduce.campaign.adjusters import (
    ADJUSTER_FILE,
    Adjuster,
    find_adjusters,
    read_adjusters,
)
from beamreduce.campaign.decisions import (
    DECISION_COLUMNS,
    DECISIONS_FILE,
    Decision,
    read_decisions,
)
from beamreduce.campaign.exposure import Exposure
from beamreduce.campaign.exposure_list import read_exposures
from beamreduce.campaign.frame_headers import (
    FrameHeader,
    check_frame,
    data_sums,
    read_frame_header,
)
from beamreduce.campaign.inspect import FrameUse, Inspection, inspect_campaign
from beamreduce.campaign.matching import Campaign, read_campaign
from beamreduce.campaign.measurement_inputs import CalibratedBy, MeasurementInputs
from beamreduce.campaign.paths import find_inside
from beamreduce.campaign.rounds import (
    ROUND_FILE,
    Known,
    Round,
    read_rounds,
    single_round,
    steps_done,
)
from beamreduce.campaign.setup_file import Setup, quadrants_of, read_setup
from beamreduce.campaign.setup_tables import Reduction

__all__ = [
    "ADJUSTER_FILE",
    "DECISIONS_FILE",
    "DECISION_COLUMNS",
    "ROUND_FILE",
    "Adjuster",
    "CalibratedBy",
    "Campaign",
    "Decision",
    "Exposure",
    "FrameHeader",
    "FrameUse",
    "Inspection",
    "Known",
    "MeasurementInputs",
    "Reduction",
    "Round",
    "Setup",
    "check_frame",
    "data_sums",
    "find_adjusters",
    "find_inside",
    "inspect_campaign",
    "quadrants_of",
    "read_adjusters",
    "read_campaign",
    "read_decisions",
    "read_exposures",
    "read_frame_header",
    "read_rounds",
    "read_setup",
    "single_round",
    "steps_done",
]
