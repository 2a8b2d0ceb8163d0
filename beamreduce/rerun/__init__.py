"""An archived run: explained, done again and compared, and the notebooks of a procedure."""

from beamreduce.rerun.again import Rerun, RerunOptions, rerun, rerun_text
from beamreduce.rerun.agreement import Finding, compare_results_folders
from beamreduce.rerun.chain import Source, Step, Story, read_story
from beamreduce.rerun.explain import explain

__all__ = [
    "Finding",
    "Rerun",
    "RerunOptions",
    "Source",
    "Step",
    "Story",
    "compare_results_folders",
    "explain",
    "read_story",
    "rerun",
    "rerun_text",
]
