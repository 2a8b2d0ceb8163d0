"""Reflectors before the beam: height maps, roughness, scatter, grades, the filling plan."""

from beamreduce.reflectors.agreement import (
    Agreement,
    BandAgreement,
    combine,
    compare_magnifications,
)
from beamreduce.reflectors.control_chart import ChartPoint, ControlChart, c4, control_chart
from beamreduce.reflectors.figure_error import FigureError, figure_error
from beamreduce.reflectors.filling_plan import (
    Candidate,
    Filled,
    FillingPlan,
    Slot,
    ToForm,
    filling_plan,
    what_to_form,
)
from beamreduce.reflectors.grading import (
    GRADES,
    NOT_GRADED,
    STAGES,
    Grade,
    Limit,
    check_limits,
    grade,
)
from beamreduce.reflectors.height_map import HeightMap, height_map
from beamreduce.reflectors.power_spectrum import (
    AreaSpectrum,
    LineSpectrum,
    area_spectrum,
    band_of,
    band_roughness,
    band_roughness_nm,
    line_spectrum,
)
from beamreduce.reflectors.read_map import read_map
from beamreduce.reflectors.read_x3p import read_x3p
from beamreduce.reflectors.remove_shape import SHAPES, Residual, remove_shape
from beamreduce.reflectors.roughness import (
    HEIGHT_PARAMETERS,
    Instrument,
    Roughness,
    roughness,
)
from beamreduce.reflectors.scatter import (
    IN_PLANE_HPD,
    ScatterEffect,
    scatter_angle,
    scatter_effect,
    scatter_of,
    scattered_fraction,
)
from beamreduce.reflectors.yields import (
    GroupYield,
    Yield,
    batch_that_suffices,
    group_yields,
    probability_that_batch_suffices,
    yield_interval,
)

__all__ = [
    "GRADES",
    "HEIGHT_PARAMETERS",
    "IN_PLANE_HPD",
    "NOT_GRADED",
    "SHAPES",
    "STAGES",
    "Agreement",
    "AreaSpectrum",
    "BandAgreement",
    "Candidate",
    "ChartPoint",
    "ControlChart",
    "FigureError",
    "Filled",
    "FillingPlan",
    "Grade",
    "GroupYield",
    "HeightMap",
    "Instrument",
    "Limit",
    "LineSpectrum",
    "Residual",
    "Roughness",
    "ScatterEffect",
    "Slot",
    "ToForm",
    "Yield",
    "area_spectrum",
    "band_of",
    "band_roughness",
    "band_roughness_nm",
    "batch_that_suffices",
    "c4",
    "check_limits",
    "combine",
    "compare_magnifications",
    "control_chart",
    "figure_error",
    "filling_plan",
    "grade",
    "group_yields",
    "height_map",
    "line_spectrum",
    "probability_that_batch_suffices",
    "read_map",
    "read_x3p",
    "remove_shape",
    "roughness",
    "scatter_angle",
    "scatter_effect",
    "scatter_of",
    "scattered_fraction",
    "what_to_form",
    "yield_interval",
]
