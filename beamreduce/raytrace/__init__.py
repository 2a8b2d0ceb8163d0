"""Rays through two cones: by quadrature in a plane through the axis, and in space."""

from beamreduce.raytrace.meridian import (
    MeridianLight,
    MeridianTable,
    OffsetGrid,
    meridian_table,
)

__all__ = ["MeridianLight", "MeridianTable", "OffsetGrid", "meridian_table"]
