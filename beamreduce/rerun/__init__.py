"""An archived run: explained, done again and compared, and the notebooks of a procedure."""

import importlib

# Public name → module, imported when first used (PEP 562): the command line starts light.
_LATER = {
    "Finding": "agreement",
    "Rerun": "again",
    "RerunOptions": "again",
    "Source": "chain",
    "Step": "chain",
    "Story": "chain",
    "compare_results_folders": "agreement",
    "explain_text": "explain",
    "read_story": "chain",
    "rerun_archive": "again",
    "rerun_text": "again",
}

__all__ = [
    "Finding",
    "Rerun",
    "RerunOptions",
    "Source",
    "Step",
    "Story",
    "compare_results_folders",
    "explain_text",
    "read_story",
    "rerun_archive",
    "rerun_text",
]


def __getattr__(name: str) -> object:
    if name not in _LATER:
        raise AttributeError(f"module 'beamreduce.rerun' has no attribute {name!r}")
    return getattr(importlib.import_module(f"beamreduce.rerun.{_LATER[name]}"), name)
