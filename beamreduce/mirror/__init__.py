"""The mirror as described beforehand: nestings, cones, foils."""

from beamreduce.mirror.prescription import (
    MirrorDesign,
    Nesting,
    Prescription,
    nestings_from_design,
)
from beamreduce.mirror.prescription_checks import check_nest, junction_focal_length_mm
from beamreduce.mirror.prescription_file import (
    PRESCRIPTION_FILE,
    check_prescription_file,
    find_prescription,
    read_prescription,
)

__all__ = [
    "PRESCRIPTION_FILE",
    "MirrorDesign",
    "Nesting",
    "Prescription",
    "check_nest",
    "check_prescription_file",
    "find_prescription",
    "junction_focal_length_mm",
    "nestings_from_design",
    "read_prescription",
]
