"""Exact sums of photons in rings about a center."""

from beamreduce.rings.overlap import overlap_sums
from beamreduce.rings.plan import RingPlan, plan_rings
from beamreduce.rings.ring_counts import (
    RingCounts,
    count_in_image,
    count_photons,
    plan_for,
)

__all__ = [
    "RingCounts",
    "RingPlan",
    "count_in_image",
    "count_photons",
    "overlap_sums",
    "plan_for",
    "plan_rings",
]
