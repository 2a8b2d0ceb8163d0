"""Rays through two cones: by quadrature in a plane through the axis, and in space."""

from beamreduce.raytrace.collect import ImageGrid, TracePlan
from beamreduce.raytrace.error_law import ErrorLaw
from beamreduce.raytrace.fates import BEHIND_THE_MIRROR, FATES
from beamreduce.raytrace.meridian import (
    ErrorGrid,
    MeridianLight,
    MeridianTable,
    OffsetGrid,
    meridian_table,
)
from beamreduce.raytrace.mirror_parts import (
    AlignmentBars,
    FigureErrors,
    Placement,
    Quadrant,
    four_quadrants,
    quadrants_between,
)
from beamreduce.raytrace.mirror_state import MirrorState, mirror_as_designed
from beamreduce.raytrace.ray_list import RayList
from beamreduce.raytrace.rays import Light
from beamreduce.raytrace.to_image import to_image
from beamreduce.raytrace.trace import Traced, trace

__all__ = [
    "BEHIND_THE_MIRROR",
    "FATES",
    "AlignmentBars",
    "ErrorGrid",
    "ErrorLaw",
    "FigureErrors",
    "ImageGrid",
    "Light",
    "MeridianLight",
    "MeridianTable",
    "MirrorState",
    "OffsetGrid",
    "Placement",
    "Quadrant",
    "RayList",
    "TracePlan",
    "Traced",
    "four_quadrants",
    "meridian_table",
    "mirror_as_designed",
    "quadrants_between",
    "to_image",
    "trace",
]
