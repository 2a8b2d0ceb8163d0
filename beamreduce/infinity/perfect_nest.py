"""The light of a nest of perfect cones: the blur that no polishing takes away."""

import math
from collections.abc import Callable
from dataclasses import dataclass

import astropy.units as u
import numpy as np
from astropy.units import Quantity
from scipy.optimize import brentq
from scipy.special import sici

from beamreduce.infinity.lit_rays import LitRays, lit_rays
from beamreduce.mirror import (
    HC_KEV_NM,
    MirrorDesign,
    Nesting,
    Prescription,
    coating_of,
    reflect,
)
from beamreduce.units import positive_in, value_in

HALF = 0.5


@dataclass(frozen=True, kw_only=True)
class PerfectNest:
    """The light of a nest of perfect cones, for one source and one energy.

    Parameters
    ----------
    rays
        Ends of the lit stretch of each nesting.
    weights
        Light of each nesting: lit area times both reflectivities, sum 1.
    """

    rays: LitRays
    weights: np.ndarray

    def best_focus_mm(self) -> float:
        """Return the distance at which the rms offset from the axis is least.

        Offsets are even between the two ends of each nesting, and change linearly with
        the distance, so the least is where a parabola has its lowest point. For one
        nesting that is ``f + ℓ/8`` for a star (derived), the middle of where its HPD is
        flat.
        """
        start = self.rays.offsets_mm(0.0)
        # Mean of the product of two things that change evenly between two ends.
        cross = _mean_product(start, self.rays.slope)
        square = _mean_product(self.rays.slope, self.rays.slope)
        return -float(self.weights @ cross) / float(self.weights @ square)

    def diameter_mm(self, distance_mm: float, share: float = HALF) -> float:
        """Return the diameter that holds a share of the light at a distance.

        Each nesting's light is even in signed offset between its two end rays (to first
        order in ℓ/f; derived).
        """
        low, high = np.sort(self.rays.offsets_mm(distance_mm), axis=1).T
        width = np.maximum(high - low, 1e-12)
        weights = self.weights

        def inside(radius: float) -> float:
            part = np.minimum(high, radius) - np.maximum(low, -radius)
            return float(weights @ np.clip(part / width, 0.0, 1.0))

        return 2 * level_crossing(inside, float(np.abs([low, high]).max()), share)

    def diffraction_arcsec(self, share: float = HALF, *, energy_kev: float) -> float:
        """Return the angular diameter that diffraction at the lit openings gives.

        A slit in the plane of reflection for each nesting, rotated about the axis:
        ``E = (2/π)[Si(2v) − sin²v/v]`` with ``v = πθd/λ``; 0.541 λ/d holds half, 1.697
        λ/d nine tenths (derived from Fraunhofer's slit).
        """
        lit = self.weights > 0
        opening_nm = self.rays.opening_mm[lit] * 1e6
        phase = math.pi * opening_nm * energy_kev / HC_KEV_NM
        weights = self.weights[lit]

        def inside(angle: float) -> float:
            v = phase * angle
            return float(weights @ (2 / math.pi * (sici(2 * v)[0] - np.sin(v) ** 2 / v)))

        angle = level_crossing(inside, 1 / float(phase.min()), share)
        return 2 * math.degrees(angle) * 3600

    def lever_mm(self, distance_mm: float) -> float:
        """Return the mean distance from the second reflection to a detector."""
        return distance_mm - float(self.weights @ self.rays.secondary_mm.mean(axis=1))

    def ring_diameter_mm(self, defocus_mm: float) -> float:
        """Return the mean diameter of the rings that a distance from focus makes."""
        slope = float(self.weights @ np.abs(self.rays.slope).mean(axis=1))
        return 2 * slope * abs(defocus_mm)


def perfect_nest(
    prescription: Prescription,
    design: MirrorDesign,
    energy: Quantity,
    *,
    source_distance: Quantity | None = None,
) -> PerfectNest:
    """Work out the light of a nest without errors.

    Parameters
    ----------
    prescription, design
        Nestings; coating settings and pre-collimator.
    energy
        Photon energy, for the light of each nesting beside the others.
    source_distance
        From the reference plane; None for a star.

    Raises
    ------
    GeometryError
        When no ray gets through.
    """
    distance_mm = math.inf
    if source_distance is not None:
        distance_mm = positive_in(source_distance, u.mm, name="source_distance")
    blade = design.pre_collimator_length
    blade_mm = 0.0 if blade is None else value_in(blade, u.mm, name="pre_collimator_length")
    rays = lit_rays(
        prescription, source_distance_mm=distance_mm, pre_collimator_mm=blade_mm
    )
    light = rays.beam_mm2 * _reflected_twice(prescription, design, energy, rays)
    return PerfectNest(rays=rays, weights=light / light.sum())


def level_crossing(
    inside: Callable[[float], float], reach: float, share: float = HALF
) -> float:
    """Return where the share of the light inside a radius reaches a level.

    ``reach`` is a radius of the right order; it is doubled until the level is inside.
    """
    while inside(reach) < share:
        reach *= 2
    return float(
        brentq(lambda r: inside(r) - share, reach * 1e-9, reach, xtol=1e-12 * reach)
    )


def _reflected_twice(
    prescription: Prescription, design: MirrorDesign, energy: Quantity, rays: LitRays
) -> np.ndarray:
    """Mirrored share of both reflections at the middle of each lit stretch."""
    nestings = sorted(prescription.nestings, key=lambda n: n.radius_mm)
    kinds = np.array([f"{n.coating} {n.roughness_nm}" for n in nestings])
    angles = np.maximum(rays.grazing_rad.mean(axis=1), 0.0)
    reflected = np.zeros(len(nestings))
    for kind in np.unique(kinds):
        chosen = kinds == kind
        reflected[chosen] = _specular(
            design, nestings[int(chosen.argmax())], energy, angles[chosen]
        ).prod(axis=-1)
    return reflected


def _specular(
    design: MirrorDesign, nesting: Nesting, energy: Quantity, angles_rad: np.ndarray
) -> np.ndarray:
    coating = coating_of(
        design, formula=nesting.coating, roughness=nesting.roughness_nm * u.nm
    )
    return reflect(coating, energy, angles_rad * u.rad).specular


def _mean_product(first: np.ndarray, second: np.ndarray) -> np.ndarray:
    """Mean of a product whose factors change evenly between two ends, last axis."""
    ends = (first * second).sum(axis=-1)
    crossed = (first * second[..., ::-1]).sum(axis=-1)
    return (2 * ends + crossed) / 6
