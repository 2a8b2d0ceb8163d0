"""The data behind figures, as tables: what is drawn can be read, and drawn another way."""

from collections.abc import Sequence
from typing import TYPE_CHECKING

import astropy.units as u
import numpy as np

from beamreduce.encircled_energy import GrowthCurve, RadialProfile
from beamreduce.figures import FocusCurve, RingResiduals
from beamreduce.infinity.exercised import PIECES, Exercised

if TYPE_CHECKING:
    from astropy.table import Table


def profile_table(profile: RadialProfile) -> "Table":
    """Return brightness by radius; an upper limit where nothing is detected."""
    from astropy.table import QTable  # noqa: PLC0415 - slow import

    table = QTable(
        {
            "inner_radius": profile.inner,
            "outer_radius": profile.outer,
            "brightness": profile.brightness,
            "brightness_uncertainty": profile.uncertainty,
            "detected": profile.detected,
            "upper_limit": profile.upper_limit,
            "background": profile.background,
            "background_uncertainty": profile.background_uncertainty,
        }
    )
    table.meta["upper_limit_sigma"] = float(profile.sigma)
    table.meta["detector_distance_mm"] = float(profile.detector_distance.to_value(u.mm))
    return table


def growth_table(growth: GrowthCurve) -> "Table":
    """Return net photons inside circles, background as found, raised and lowered."""
    from astropy.table import QTable  # noqa: PLC0415 - slow import

    table = QTable(
        {
            "radius": growth.radius,
            "photons": growth.photons * u.ph,
            "photons_background_raised": growth.raised * u.ph,
            "photons_background_lowered": growth.lowered * u.ph,
        }
    )
    table.meta["detector_distance_mm"] = float(growth.detector_distance.to_value(u.mm))
    return table


def residuals_table(rings: Sequence[RingResiduals]) -> "Table":
    """Return rings less the fold, in standard deviations, all measurements in one table."""
    from astropy.table import QTable  # noqa: PLC0415 - slow import

    return QTable(
        {
            "measurement": [one.name for one in rings for _ in one.sigmas],
            "radius": np.concatenate([one.radius_arcsec for one in rings]) * u.arcsec,
            "residual": np.concatenate([one.sigmas for one in rings]),
        }
    )


def focus_table(focus: FocusCurve) -> "Table":
    """Return the HPD against distance: measured, and the curves of beamline and star."""
    from astropy.table import QTable  # noqa: PLC0415 - slow import

    measured = [(q.value, q.uncertainty) for q in focus.hpd_arcsec]
    parts = [
        ("measured", focus.distances_mm, *np.array(measured).reshape(-1, 2).T),
        *(
            (name, curve.at, curve.values, curve.uncertainty)
            for name, curve in (("model", focus.model), ("star", focus.star))
        ),
    ]
    names = [name for name, at, *_ in parts for _ in at]
    at, values, spread = (np.concatenate([part[k] for part in parts]) for k in (1, 2, 3))
    return QTable(
        {
            "curve": names,
            "detector_distance": at * u.mm,
            "hpd": values * u.arcsec,
            "hpd_uncertainty": spread * u.arcsec,
        }
    )


def lit_table(lit: Exercised) -> "Table":
    """Return stretches of every nesting along the axis, and who lights them."""
    from astropy.table import QTable  # noqa: PLC0415 - slow import

    pieces = lit.pieces()
    return QTable(
        {
            "nesting": pieces.nesting + 1,
            "radius": lit.radius_mm[pieces.nesting] * u.mm,
            "start": pieces.start_mm * u.mm,
            "end": pieces.end_mm * u.mm,
            "lit_by": [PIECES[kind] for kind in pieces.kind],
        }
    )
