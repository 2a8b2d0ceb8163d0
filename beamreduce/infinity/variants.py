"""How the image of a star changes when settings or models are changed."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from beamreduce.infinity.answer import StarPlane, star_views, view_area
from beamreduce.infinity.configuration import Measured, rings_to_fold
from beamreduce.infinity.fold import describe
from beamreduce.infinity.folded import Folded
from beamreduce.infinity.optics import Optics
from beamreduce.infinity.star import StarCurves, mixture_growths, star_radii

# With half the azimuths, too, changes of diameters stay the same to 1e-4 and of the area
# ratio to 1e-3, for a nest of 172 off the axis.
_NESTING_STEP = 4


@dataclass(frozen=True, kw_only=True)
class Variant:
    """The same configuration with something changed by one standard uncertainty.

    Parameters
    ----------
    term
        What was changed, for a budget.
    kind
        ``systematic`` for a declared uncertainty, ``model`` for another model.
    optics, measured
        What to fold instead.
    """

    term: str
    kind: str
    optics: Optics
    measured: tuple[Measured, ...]


@dataclass(frozen=True, kw_only=True)
class Response:
    """What one variant gives: curves, area ratio and star's area (mm²) at each energy.

    ``inside_mm2`` is what the diverging beam puts inside the reference radius of each
    measurement, by its name.
    """

    curves: tuple[StarCurves, ...]
    area_ratio: tuple[float, ...]
    star_mm2: tuple[float, ...] = ()
    inside_mm2: Mapping[str, float] = field(default_factory=dict)


def responses(
    folded: Folded, plane: StarPlane, variants: Sequence[Variant]
) -> tuple[Response, tuple[Response, ...]]:
    """Fold the configuration as it is, and every variant of it, in the best family.

    Both are done at half the resolution, with a quarter of the nestings, and with mean
    errors that turn rays only, since only differences are used.
    """
    as_it_is = Variant(term="", kind="", optics=folded.optics, measured=folded.measured)
    base = _respond(folded, plane, as_it_is)
    return base, tuple(_respond(folded, plane, variant) for variant in variants)


def _respond(folded: Folded, plane: StarPlane, variant: Variant) -> Response:
    resolution = replace(
        folded.resolution.coarser(), turned=False, nesting_step=_NESTING_STEP
    )
    optics = replace(variant.optics, off_axis_steps=variant.optics.off_axis_steps // 2)
    rings = rings_to_fold(optics, variant.measured, resolution)
    described = describe(rings, folded.best.described.ladder)
    mixture = (described.ladder, described.mixture.weights)
    views = star_views(optics, resolution, [plane.distance_mm])[0]
    radii = star_radii(
        resolution.hpd_rad * plane.distance_mm / 4, plane.reference_rad * plane.distance_mm
    )
    curves, ratios, areas = [], [], []
    for energy, view in enumerate(views):
        growth = mixture_growths(view, radii, [mixture])[0]
        curves.append(StarCurves(radii_mm=radii, growth=growth))
        near = next(
            ring.view
            for one, ring in zip(variant.measured, described.rings, strict=True)
            if one.energy == energy
        )
        star_area, near_area = (
            float(view_area(v, described.ladder) @ np.asarray(mixture[1]))
            for v in (view, near)
        )
        ratios.append(star_area / near_area)
        areas.append(star_area)
    inside = {
        one.id: float(data.columns.sum(axis=0) @ mixture[1])
        for one, data in zip(variant.measured, described.data, strict=True)
    }
    return Response(
        curves=tuple(curves),
        area_ratio=tuple(ratios),
        star_mm2=tuple(areas),
        inside_mm2=inside,
    )
