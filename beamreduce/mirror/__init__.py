"""The mirror as described beforehand: nestings, cones, foils, coatings."""

from beamreduce.mirror.flat_blank import (
    FlatBlank,
    SheetLayout,
    blanks_of_nesting,
    flat_blank,
    layout_on_sheet,
)
from beamreduce.mirror.optical_constants import (
    DEFAULT_TABLE,
    OPTICAL_TABLES,
    coating_density,
    energy_range_kev,
    optical_constants,
)
from beamreduce.mirror.prescription import (
    MirrorDesign,
    Nesting,
    Prescription,
    lit_area_cm2,
    nestings_from_design,
)
from beamreduce.mirror.prescription_checks import check_nest, junction_focal_length_mm
from beamreduce.mirror.prescription_file import (
    PRESCRIPTION_FILE,
    check_prescription_file,
    find_prescription,
    read_prescription,
)
from beamreduce.mirror.reflectivity import (
    DEFAULT_ROUGHNESS_MODEL,
    HC_KEV_NM,
    ROUGHNESS_MODELS,
    Coating,
    Reflected,
    coating_of,
    fresnel,
    reflect,
    specular_share,
    spread_of_tables,
)
from beamreduce.mirror.reflectivity_table import (
    ReflectivityTable,
    nest_reflectivity,
    reflectivity_table,
)

__all__ = [
    "DEFAULT_ROUGHNESS_MODEL",
    "DEFAULT_TABLE",
    "HC_KEV_NM",
    "OPTICAL_TABLES",
    "PRESCRIPTION_FILE",
    "ROUGHNESS_MODELS",
    "Coating",
    "FlatBlank",
    "MirrorDesign",
    "Nesting",
    "Prescription",
    "Reflected",
    "ReflectivityTable",
    "SheetLayout",
    "blanks_of_nesting",
    "check_nest",
    "check_prescription_file",
    "coating_density",
    "coating_of",
    "energy_range_kev",
    "find_prescription",
    "flat_blank",
    "fresnel",
    "junction_focal_length_mm",
    "layout_on_sheet",
    "lit_area_cm2",
    "nest_reflectivity",
    "nestings_from_design",
    "optical_constants",
    "read_prescription",
    "reflect",
    "reflectivity_table",
    "specular_share",
    "spread_of_tables",
]
