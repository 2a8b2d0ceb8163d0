"""Two results of one mirror: what changed, and by how much it could have."""

from beamreduce.before_after.comparison import Comparison, compare_results
from beamreduce.before_after.curves import CurveDifference
from beamreduce.before_after.equivalence import (
    Assurance,
    chance_at_margin,
    chance_without_change,
    holm,
    verdicts,
)
from beamreduce.before_after.finding import Finding, Judged, judge, needs_text, overall
from beamreduce.before_after.margins import (
    CompareSettings,
    Margin,
    Margins,
    read_margins,
    settings_from,
)
from beamreduce.before_after.photons import Needs, Precision, more_photons

__all__ = [
    "Assurance",
    "CompareSettings",
    "Comparison",
    "CurveDifference",
    "Finding",
    "Judged",
    "Margin",
    "Margins",
    "Needs",
    "Precision",
    "chance_at_margin",
    "chance_without_change",
    "compare_results",
    "holm",
    "judge",
    "more_photons",
    "needs_text",
    "overall",
    "read_margins",
    "settings_from",
    "verdicts",
]
