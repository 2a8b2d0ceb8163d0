"""One HTML page that opens without a network, from a folder of results and figures."""

from beamreduce.report.campaign_report import campaign_report
from beamreduce.report.page import Section, picture, render, render_page

__all__ = ["Section", "campaign_report", "picture", "render", "render_page"]
