"""Mirror designs for tests: one nesting, or a tight nest."""

import astropy.units as u

from beamreduce.mirror import MirrorDesign, nestings_from_design


def design(focal=5200.0, inner=130.0, outer=None, length=90.0, **more):
    return MirrorDesign(
        focal_length=focal * u.mm,
        inner_radius=inner * u.mm,
        outer_radius=(outer or inner) * u.mm,
        reflector_length=length * u.mm,
        reflector_thickness=0.17 * u.mm,
        coating="Au",
        roughness=0.5 * u.nm,
        **more,
    )


def designed(*args, **more):
    made = design(*args, **more)
    return made, nestings_from_design(made)
