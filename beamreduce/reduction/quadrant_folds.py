"""Single quadrants: their images measured, the slope errors of each found from them."""

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace

import astropy.units as u
import numpy as np
from threadpoolctl import threadpool_limits

from beamreduce.campaign import quadrants_of
from beamreduce.encircled_energy import NetRings
from beamreduce.errors import GeometryError, MeasurementError, SettingsError
from beamreduce.frame import MasterCache
from beamreduce.infinity.configuration import (
    HPD_PER_SLOPE,
    Measured,
    Resolution,
    resolution_of,
)
from beamreduce.infinity.declared import Declared, declared_optics
from beamreduce.infinity.families import ConeError, Family, Surfaces
from beamreduce.infinity.folded import Folded, fold
from beamreduce.infinity.lit_rays import lit_rays
from beamreduce.infinity.optics import Optics
from beamreduce.infinity.scatter_width import scatter_width
from beamreduce.infinity.slope_ladder import SlopeLadder
from beamreduce.quadrants import (
    VISIBLE_KEV,
    QuadrantImage,
    Target,
    outwards,
    quadrant_image,
    shape_of,
    targets_of,
)
from beamreduce.reduction.keys import input_checksums
from beamreduce.reduction.measure import measure
from beamreduce.reduction.request import MeasureRequest

Mixture = tuple[SlopeLadder, np.ndarray]
_CONES = (0.05, 0.1, 0.18, 0.3, 0.6, 1.0)  # cone errors, of the slope errors


@dataclass(frozen=True, kw_only=True)
class MeasuredQuadrant:
    """One measurement of a single quadrant.

    Parameters
    ----------
    request
        What it was made from.
    image
        Place, size and shape.
    net
        Net photons in rings; None where the core is saturated.
    cut
        Net photons about the center for the figure, and pixel of its first corner.
    inputs
        SHA-256 of every frame.
    notes
        What the reduction noted.
    """

    request: MeasureRequest
    image: QuadrantImage
    net: NetRings | None
    cut: tuple[np.ndarray, tuple[int, int]]
    inputs: Mapping[str, str]
    notes: Mapping[str, str]


@dataclass(frozen=True, kw_only=True)
class FoldedQuadrant:
    """The slope errors of one quadrant, and where its images should be.

    Parameters
    ----------
    name
        Quadrant.
    targets
        By measurement.
    designed, best
        Mixtures with cones as designed and of the family that fits best; None where
        nothing was folded.
    resolution
        How finely it was folded.
    scatter_rad
        Slope error of one reflection, root mean square.
    fit
        Chi-square and what belongs to it, for the results.
    note
        Why nothing was folded; empty otherwise.
    """

    name: str
    targets: Mapping[str, Target]
    designed: Mixture | None = None
    best: Mixture | None = None
    resolution: Resolution | None = None
    scatter_rad: float = 0.0
    fit: Mapping[str, object] | None = None
    note: str = ""


def measure_quadrant(request: MeasureRequest) -> MeasuredQuadrant:
    """Measure the image of one quadrant."""
    found = measure(request, MasterCache())
    located, numbers = found.located, found.measurement
    center = located.center
    return MeasuredQuadrant(
        request=request,
        image=quadrant_image(
            request.inputs,
            center,
            numbers.hpd_measured_arcsec,
            shape_of(request.inputs, located.net, center),
        ),
        net=None if found.curves is None else found.curves.net,
        cut=_cut(located.net.photons, center.xy, 3 * center.half_power_radius),
        inputs=input_checksums(request),
        notes=numbers.notes,
    )


def fold_quadrant(job: tuple[str, tuple[MeasuredQuadrant, ...]]) -> FoldedQuadrant:
    """Find the slope errors of one quadrant from all its images, whatever their round.

    Moves do not change the reflectors, so all rounds, distances and energies are folded
    together. Where that cannot be done (visible light, no optical constants), the target
    is that of perfect cones, and says so.
    """
    name, measured = job
    usable = [one for one in measured if one.net is not None]
    xrays = [one for one in usable if one.image.energy_kev >= VISIBLE_KEV]
    found = FoldedQuadrant(name=name, targets={}, note="no X-ray image of it")
    if xrays:
        try:
            with threadpool_limits(1):
                found = _folded(name, xrays)
        except (GeometryError, SettingsError, MeasurementError) as error:
            found = FoldedQuadrant(name=name, targets={}, note=f"not folded: {error}")
    rest = [one for one in measured if one.image.id not in found.targets]
    targets = dict(found.targets) | {one.image.id: _perfect(one) for one in rest}
    return replace(found, targets=targets)


def _folded(name: str, measured: list[MeasuredQuadrant]) -> FoldedQuadrant:
    kev = sorted({one.image.energy_kev for one in measured})
    first = measured[0].request
    optics = declared_optics(
        Declared(
            setup=first.setup,
            prescription=first.prescription,
            inputs=first.inputs,
            energies=np.array(kev) * u.keV,
        )
    )
    planes = tuple(
        Measured(
            id=one.image.id,
            distance_mm=one.image.distance_mm,
            energy=kev.index(one.image.energy_kev),
            net=one.net,
            pixel_mm=one.image.pixel_mm,
            center_mm=math.sqrt(float(np.trace(one.image.covariance_mm2)) / 2),
        )
        for one in measured
    )
    folded = fold(optics, planes, surfaces=_allowed(optics, planes))
    edges = quadrants_of(first.setup)[name]
    return FoldedQuadrant(
        name=name,
        targets=targets_of(folded, edges),
        designed=_mixture(folded.as_designed),
        best=_mixture(folded.best),
        resolution=folded.resolution,
        scatter_rad=folded.best.described.scatter_rad,
        fit=_fit(folded),
    )


def _allowed(optics: Optics, planes: tuple[Measured, ...]) -> Surfaces:
    """Errors of the cones that are tried: on the secondary, about none.

    An error of the primary moves an image alike, and places are all that is asked for, so
    this stands for both, in a quarter of the time. Where none describes the rings, ``fold``
    tries all.
    """
    resolution = resolution_of(planes)
    width = scatter_width(optics, planes, resolution)
    slope_rad = resolution.hpd_rad / HPD_PER_SLOPE
    means = slope_rad * np.array([-m for m in reversed(_CONES)] + [0.0, *_CONES])
    # Each stands for the stretch about it: any error of the cones is as likely as another.
    stretches = np.gradient(means)
    errors = tuple(
        ConeError(stage="secondary" if mean else "none", mean_rad=mean, weight=weight)
        for mean, weight in zip(means.tolist(), stretches.tolist(), strict=True)
    )
    return Surfaces(cone_errors=errors, scatter_rad=width)


def _mixture(family: Family) -> Mixture:
    return family.described.ladder, family.described.mixture.weights


def _fit(folded: Folded) -> dict[str, object]:
    mixture = folded.best.described.mixture
    return {
        "chi_square": mixture.chi_square,
        "degrees_of_freedom": mixture.degrees_of_freedom,
        "chance": folded.chance,
        "accepted": folded.accepted,
        "slope_error_arcsec": math.degrees(folded.best.described.scatter_rad) * 3600,
        "folded": [one.id for one in folded.measured],
    }


def _perfect(one: MeasuredQuadrant) -> Target:
    """Target of perfect cones: the mean offset of their light, mean over the azimuths."""
    setup = one.request.setup
    rays = lit_rays(
        one.request.prescription,
        source_distance_mm=float(setup.facility.source_distance.to_value(u.mm)),
    )
    offsets = rays.offsets_mm(one.image.distance_mm).mean(axis=1)
    mean = float(rays.beam_mm2 @ offsets / rays.beam_mm2.sum())
    edges = quadrants_of(setup)[one.image.aperture]
    half = ((edges[1] - edges[0]) % (2 * math.pi) or 2 * math.pi) / 2
    along = mean * math.sin(half) / half
    # Figure errors that are not known move it about as far again.
    return Target(
        place_mm=along * outwards(edges),
        outward_mm=abs(along),
        how="perfect cones, figure errors not known",
    )


def _cut(
    photons: np.ndarray, center_xy: tuple[float, float], reach_px: float
) -> tuple[np.ndarray, tuple[int, int]]:
    """Part of an image about its center, and the pixel (x, y) of its first corner."""
    rows, columns = photons.shape
    x0, x1 = (int(np.clip(center_xy[0] + s * reach_px, 0, columns)) for s in (-1, 1))
    y0, y1 = (int(np.clip(center_xy[1] + s * reach_px, 0, rows)) for s in (-1, 1))
    return photons[y0 : y1 + 1, x0 : x1 + 1].astype(np.float32), (x0, y0)
