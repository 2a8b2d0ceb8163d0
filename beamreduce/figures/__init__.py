"""Figures: each draws a result it was given on axes it was given, and computes nothing.

Matplotlib is loaded by the first call, not by importing this room.
"""

from beamreduce.figures.before_after import (
    CurveChange,
    CurveChangeArtists,
    ForestArtists,
    MarginRow,
    draw_curve_change,
    draw_forest,
    forest_height_cm,
)
from beamreduce.figures.diameters import (
    DiameterArtists,
    DiameterRow,
    diameters_height_cm,
    draw_diameters,
)
from beamreduce.figures.effective_area import (
    AreaArtists,
    AreasByEnergy,
    MonitorRates,
    VignettingMap,
    VignettingPanel,
    VignettingPoints,
    draw_areas,
    draw_monitor,
    draw_off_axis_hpd,
    draw_vignetting,
    draw_vignetting_map,
)
from beamreduce.figures.encircled_energy import (
    EncircledEnergyArtists,
    GrowthArtists,
    RadialProfileArtists,
    draw_encircled_energy,
    draw_growth,
    draw_radial_profile,
)
from beamreduce.figures.focus import FocusArtists, FocusCurve, draw_focus_curve
from beamreduce.figures.fold_residuals import (
    FoldQuality,
    FoldResidualsArtists,
    RingResiduals,
    draw_fold_residuals,
    fold_residuals_height_cm,
)
from beamreduce.figures.image import NetImageArtists, draw_net_image
from beamreduce.figures.infinity import (
    BandedCurve,
    SeenFromInfinity,
    SeenFromInfinityArtists,
    draw_seen_from_infinity,
)
from beamreduce.figures.lit_map import LitMapArtists, draw_lit_map
from beamreduce.figures.marks import MarkedDiameter, Marks, marks_of
from beamreduce.figures.reflectivity import ReflectivityCurves, draw_reflectivity
from beamreduce.figures.reflectors import (
    ControlArtists,
    PlanArtists,
    SpectraArtists,
    chosen_yields,
    draw_control_chart,
    draw_filling_plan,
    draw_height_map,
    draw_spectra,
    draw_yields,
    yields_height_cm,
)
from beamreduce.figures.style import (
    CURVE_HEIGHT_CM,
    IMAGE_HEIGHT_CM,
    draw_and_save,
    new_figure,
    report_style,
    save_figure,
)

__all__ = [
    "CURVE_HEIGHT_CM",
    "IMAGE_HEIGHT_CM",
    "AreaArtists",
    "AreasByEnergy",
    "BandedCurve",
    "ControlArtists",
    "CurveChange",
    "CurveChangeArtists",
    "DiameterArtists",
    "DiameterRow",
    "EncircledEnergyArtists",
    "FocusArtists",
    "FocusCurve",
    "FoldQuality",
    "FoldResidualsArtists",
    "ForestArtists",
    "GrowthArtists",
    "LitMapArtists",
    "MarginRow",
    "MarkedDiameter",
    "Marks",
    "MonitorRates",
    "NetImageArtists",
    "PlanArtists",
    "RadialProfileArtists",
    "ReflectivityCurves",
    "RingResiduals",
    "SeenFromInfinity",
    "SeenFromInfinityArtists",
    "SpectraArtists",
    "VignettingMap",
    "VignettingPanel",
    "VignettingPoints",
    "chosen_yields",
    "diameters_height_cm",
    "draw_and_save",
    "draw_areas",
    "draw_control_chart",
    "draw_curve_change",
    "draw_diameters",
    "draw_encircled_energy",
    "draw_filling_plan",
    "draw_focus_curve",
    "draw_fold_residuals",
    "draw_forest",
    "draw_growth",
    "draw_height_map",
    "draw_lit_map",
    "draw_monitor",
    "draw_net_image",
    "draw_off_axis_hpd",
    "draw_radial_profile",
    "draw_reflectivity",
    "draw_seen_from_infinity",
    "draw_spectra",
    "draw_vignetting",
    "draw_vignetting_map",
    "draw_yields",
    "fold_residuals_height_cm",
    "forest_height_cm",
    "marks_of",
    "new_figure",
    "report_style",
    "save_figure",
    "yields_height_cm",
]
