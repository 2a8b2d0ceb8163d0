"""Single quadrants: their images measured, the slope errors of each found from them."""

import math
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace

import astropy.units as u
import numpy as np
from threadpoolctl import threadpool_limits

from beamreduce.campaign import quadrants_of
from beamreduce.encircled_energy import NetRings
from beamreduce.errors import GeometryError, MeasurementError, SettingsError
from beamreduce.frame import MasterCache
from beamreduce.infinity.configuration import Measured, Resolution
from beamreduce.infinity.declared import Declared, declared_optics
from beamreduce.infinity.folded import Folded, fold
from beamreduce.infinity.lit_rays import lit_rays
from beamreduce.quadrants import (
    VISIBLE_KEV,
    ConesSeen,
    Mixture,
    QuadrantImage,
    Target,
    cones_seen,
    cones_told,
    outwards,
    quadrant_image,
    shape_of,
    targets_of,
)
from beamreduce.reduction.keys import input_checksums
from beamreduce.reduction.measure import measure
from beamreduce.reduction.request import MeasureRequest

# An error of the primary moves an image alike: this stands for both, in half the time.
_SECONDARY = (("secondary", False),)


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
    seen
        What its images tell of its cones; None where nothing was folded.
    likely, other
        Slope errors that predictions are made with, and others that may be; None where
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
    seen: ConesSeen | None = None
    likely: Mixture | None = None
    other: Mixture | None = None
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


def fold_quadrants(
    measured: Sequence[tuple[str, tuple[MeasuredQuadrant, ...]]],
    run_all: Callable[..., Iterable[FoldedQuadrant]] = map,
    tell: Callable[[int, int], None] = lambda done, whole: None,
) -> dict[str, FoldedQuadrant]:
    """Find the slope errors of each quadrant, and from all together where images belong.

    Moves do not change the reflectors, so all rounds, distances and energies of a quadrant
    are folded together. Where that cannot be done (visible light, no optical constants),
    the target is that of perfect cones, and says so.

    Parameters
    ----------
    measured
        Quadrants with all their images.
    run_all
        Maps a function over quadrants, in any order.
    tell
        Called with how many are done, and of how many.
    """
    alone = {}
    for done, one in enumerate(run_all(_fold_quadrant, measured), 1):
        alone[one.name] = one
        tell(done, len(measured))
    told = cones_told({k: one.seen for k, one in alone.items() if one.seen is not None})
    found = {}
    for name, images in measured:
        one, targets = alone[name], {}
        if one.seen is not None:
            cones = told[name]
            edges = quadrants_of(images[0].request.setup)[name]
            targets = dict(targets_of(one.seen, cones, edges))
            likely = one.seen.mixture_near(cones.likely_rad)
            other = one.seen.mixture_near(cones.other_rad, but_not=likely)
            one = replace(one, likely=likely, other=other)
        rest = [image for image in images if image.image.id not in targets]
        targets |= {image.image.id: _perfect(image) for image in rest}
        found[name] = replace(one, targets=targets)
    return found


def _fold_quadrant(job: tuple[str, tuple[MeasuredQuadrant, ...]]) -> FoldedQuadrant:
    name, measured = job
    usable = [one for one in measured if one.net is not None]
    xrays = [one for one in usable if one.image.energy_kev >= VISIBLE_KEV]
    if not xrays:
        return FoldedQuadrant(name=name, targets={}, note="no X-ray image of it")
    try:
        with threadpool_limits(1):
            return _folded(name, xrays)
    except (GeometryError, SettingsError, MeasurementError) as error:
        return FoldedQuadrant(name=name, targets={}, note=f"not folded: {error}")


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
    folded = fold(optics, planes, kinds=_SECONDARY)
    return FoldedQuadrant(
        name=name,
        targets={},
        seen=cones_seen(folded),
        resolution=folded.resolution,
        scatter_rad=folded.best.described.scatter_rad,
        fit=_fit(folded),
    )


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
