"""Reflectors before the beam: height maps, roughness, scatter, grades, the filling plan."""

from beamreduce.reflectors.agreement import (
    Agreement,
    BandAgreement,
    combine,
    compare_magnifications,
)
from beamreduce.reflectors.band_powers import BandPowers, band_powers
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
from beamreduce.reflectors.folder import (
    ReflectorFolder,
    grazing_angles,
    read_reflector_folder,
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
from beamreduce.reflectors.limits_file import energy_name
from beamreduce.reflectors.map_list import MAPS_FILE, TRACES_FILE, MapRow, Reflector
from beamreduce.reflectors.mean_spectrum import MeanSpectrum, mean_spectra
from beamreduce.reflectors.measure_map import MapNumbers, measure_map, open_map
from beamreduce.reflectors.mirror_plan import MirrorPlan, QuadrantForecast, mirror_plan
from beamreduce.reflectors.power_spectrum import (
    AreaSpectrum,
    LineSpectrum,
    area_spectrum,
    band_of,
    band_roughness,
    band_roughness_nm,
    line_spectrum,
)
from beamreduce.reflectors.process import charts_by_batch, yields_by_group
from beamreduce.reflectors.read_map import read_map
from beamreduce.reflectors.read_trace import read_trace
from beamreduce.reflectors.read_x3p import read_x3p
from beamreduce.reflectors.reflector_numbers import ReflectorNumbers, reflector_numbers
from beamreduce.reflectors.remove_shape import SHAPES, Residual, remove_shape
from beamreduce.reflectors.roughness import (
    HEIGHT_PARAMETERS,
    Instrument,
    Roughness,
    roughness,
)
from beamreduce.reflectors.scatter import (
    Halo,
    ScatterEffect,
    halo_of,
    scatter_angle,
    scatter_effect,
    scatter_of,
    scattered_fraction,
)
from beamreduce.reflectors.setup import (
    FOLDER_FORMAT,
    SETTINGS_FILE,
    BarSettings,
    MapTreatment,
    PlanSettings,
    ReflectorSetup,
    read_reflector_setup,
)
from beamreduce.reflectors.tolerance_limit import (
    tolerance_factor,
    upper_tolerance_limit,
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
    "FOLDER_FORMAT",
    "GRADES",
    "HEIGHT_PARAMETERS",
    "MAPS_FILE",
    "NOT_GRADED",
    "SETTINGS_FILE",
    "SHAPES",
    "STAGES",
    "TRACES_FILE",
    "Agreement",
    "AreaSpectrum",
    "BandAgreement",
    "BandPowers",
    "BarSettings",
    "Candidate",
    "ChartPoint",
    "ControlChart",
    "FigureError",
    "Filled",
    "FillingPlan",
    "Grade",
    "GroupYield",
    "Halo",
    "HeightMap",
    "Instrument",
    "Limit",
    "LineSpectrum",
    "MapNumbers",
    "MapRow",
    "MapTreatment",
    "MeanSpectrum",
    "MirrorPlan",
    "PlanSettings",
    "QuadrantForecast",
    "Reflector",
    "ReflectorFolder",
    "ReflectorNumbers",
    "ReflectorSetup",
    "Residual",
    "Roughness",
    "ScatterEffect",
    "Slot",
    "ToForm",
    "Yield",
    "area_spectrum",
    "band_of",
    "band_powers",
    "band_roughness",
    "band_roughness_nm",
    "batch_that_suffices",
    "c4",
    "charts_by_batch",
    "check_limits",
    "combine",
    "compare_magnifications",
    "control_chart",
    "energy_name",
    "figure_error",
    "filling_plan",
    "grade",
    "grazing_angles",
    "group_yields",
    "halo_of",
    "height_map",
    "line_spectrum",
    "mean_spectra",
    "measure_map",
    "mirror_plan",
    "open_map",
    "probability_that_batch_suffices",
    "read_map",
    "read_reflector_folder",
    "read_reflector_setup",
    "read_trace",
    "read_x3p",
    "reflector_numbers",
    "remove_shape",
    "roughness",
    "scatter_angle",
    "scatter_effect",
    "scatter_of",
    "scattered_fraction",
    "tolerance_factor",
    "upper_tolerance_limit",
    "what_to_form",
    "yield_interval",
    "yields_by_group",
]
