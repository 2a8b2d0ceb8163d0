"""A look at one measurement: move the center, change the background, see the HPD follow."""

from beamreduce.panel.inspection import InspectionPanel, inspection_panel
from beamreduce.panel.opened import Opened, open_again, open_measurement
from beamreduce.panel.reading import Reading, read_about

__all__ = [
    "InspectionPanel",
    "Opened",
    "Reading",
    "inspection_panel",
    "open_again",
    "open_measurement",
    "read_about",
]
