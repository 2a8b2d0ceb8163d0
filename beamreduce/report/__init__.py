"""One HTML page that opens without a network, from a folder of results and figures."""

from beamreduce.report.campaign_report import campaign_report
from beamreduce.report.comparison_report import comparison_report
from beamreduce.report.flags import flagged, flags, severe
from beamreduce.report.page import Section, picture, render, render_page
from beamreduce.report.reflectors_report import reflectors_report
from beamreduce.report.responses_report import responses_report
from beamreduce.report.stored_words import field_name

__all__ = [
    "Section",
    "campaign_report",
    "comparison_report",
    "field_name",
    "flagged",
    "flags",
    "picture",
    "reflectors_report",
    "render",
    "render_page",
    "responses_report",
    "severe",
]
