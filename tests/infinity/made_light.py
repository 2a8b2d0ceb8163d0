"""Light by signed offset, stated instead of traced."""

import numpy as np

from beamreduce.infinity.slope_ladder import Plane, SlopeLadder
from beamreduce.raytrace import MeridianTable, OffsetGrid

# One step, so small that it displaces nothing.
STILL = SlopeLadder(steps_rad=(1e-12,))
ALL = np.ones(1)


def plane_of(light, reach_mm):
    """A plane whose light lands as stated, whatever the slope errors."""
    light = np.asarray(light, dtype=float)
    return Plane(
        table=MeridianTable(
            error_rad=np.array([-1.0, 1.0]),
            grid=OffsetGrid(reach_mm=reach_mm, bins=light.size),
            landing_mm2=light[None, None, None, None],
            area_mm2=np.full((1, 1, 1), light.sum()),
            lever_mm=np.ones(1),
            lit_fraction=np.ones(1),
            limit_rad=np.empty(0),
            clipped_mm2=np.empty((1, 1, 1, 0, 1, -(-light.size // 4))),
            clipped_area_mm2=np.empty((1, 1, 0, 1)),
            clipped_error_rad=np.array([-1.0, 1.0]),
        )
    )
