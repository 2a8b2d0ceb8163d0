"""What a diverging beam lights of a mirror that a star would light: the rest is untested.

Before the next foil inward shades anything, ``(α−δ)/(α+δ)`` of a primary is lit from the
junction on, with the cone angle ``α`` and the divergence ``δ = r/L``; the secondary is lit
all along (derived; drawn in Brejnholt et al. 2011, fig. 8).
"""

import math
from dataclasses import dataclass

import astropy.units as u
import numpy as np
from astropy.units import Quantity

from beamreduce.infinity.lit_rays import LitRays, lit_rays
from beamreduce.mirror import Prescription
from beamreduce.units import positive_in, value_in

PIECES = ("lit by both", "lit only by a star", "lit only by the beam", "never lit")


@dataclass(frozen=True, kw_only=True)
class Stage:
    """Stretches along the axis of one stage, each of shape (nestings, 2), in mm.

    Parameters
    ----------
    ends_mm
        Of the reflectors, from the front to the rear.
    beam_mm, star_mm
        What the beam and a star light; a stretch of no length where it is nothing.
    """

    ends_mm: np.ndarray
    beam_mm: np.ndarray
    star_mm: np.ndarray

    @property
    def beam_fraction(self) -> np.ndarray:
        """Lit part of each reflector's length, shape (nestings,)."""
        return np.ptp(self.beam_mm, axis=1) / np.ptp(self.ends_mm, axis=1)

    @property
    def star_fraction(self) -> np.ndarray:
        """The same for a star."""
        return np.ptp(self.star_mm, axis=1) / np.ptp(self.ends_mm, axis=1)


@dataclass(frozen=True, kw_only=True)
class Pieces:
    """Reflectors cut where the light on them changes, for a map.

    Parameters
    ----------
    nesting
        Index of the nesting of each piece, shape (pieces,).
    start_mm, end_mm
        Along the axis from the reference plane.
    kind
        Index into :data:`PIECES`.
    """

    nesting: np.ndarray
    start_mm: np.ndarray
    end_mm: np.ndarray
    kind: np.ndarray


@dataclass(frozen=True, kw_only=True)
class Exercised:
    """The lit part of every nesting, for the beam of a campaign and for a star.

    Parameters
    ----------
    number, radius_mm
        Of each nesting, from the inside out, shape (nestings,).
    frontal_mm2
        Area of each primary as seen along the axis: its weight in means.
    primary, secondary
        The two stages.
    area_ratio
        Area that reflects the beam over that of a star, both as parts of the beam at the
        reference plane and before reflectivity, for the whole nest: ``1 − 4f/L`` where
        nothing shades (derived).
    source_distance_mm
        Of the beam.
    """

    number: np.ndarray
    radius_mm: np.ndarray
    frontal_mm2: np.ndarray
    primary: Stage
    secondary: Stage
    area_ratio: float
    source_distance_mm: float

    @property
    def primary_exercised_fraction(self) -> float:
        """Lit part of the primaries' length, mean by frontal area."""
        return self.mean(self.primary.beam_fraction)

    @property
    def secondary_exercised_fraction(self) -> float:
        """Lit part of the secondaries' length, by the same weights."""
        return self.mean(self.secondary.beam_fraction)

    def mean(self, by_nesting: np.ndarray) -> float:
        """Return the mean over nestings, by frontal area of the primaries."""
        return float(np.average(by_nesting, weights=self.frontal_mm2))

    def pieces(self) -> Pieces:
        """Cut both stages where the light on them changes."""
        cut = [_pieces(stage) for stage in (self.primary, self.secondary)]
        nesting, start, end, kind = (
            np.concatenate(part) for part in zip(*cut, strict=True)
        )
        return Pieces(nesting=nesting, start_mm=start, end_mm=end, kind=kind)


def exercised(
    prescription: Prescription,
    *,
    source_distance: Quantity,
    pre_collimator_length: Quantity | None = None,
) -> Exercised:
    """Find what a point source on the axis lights, beside what a star lights.

    Without slope errors; alignment bars and the aperture shade azimuths, not lengths, and
    are left out.

    Raises
    ------
    GeometryError
        When no ray gets through the mirror.
    """
    source_mm = positive_in(source_distance, u.mm, name="source_distance")
    blade_mm = 0.0
    if pre_collimator_length is not None:
        blade_mm = value_in(pre_collimator_length, u.mm, name="pre_collimator_length")
    beam, star = (
        lit_rays(prescription, source_distance_mm=distance, pre_collimator_mm=blade_mm)
        for distance in (source_mm, math.inf)
    )
    nestings = sorted(prescription.nestings, key=lambda n: n.radius_mm)
    front = np.array([-n.gap_mm / 2 - n.primary_length_mm for n in nestings])
    gap = np.array([n.gap_mm / 2 for n in nestings])
    rear = np.array([n.gap_mm / 2 + n.secondary_length_mm for n in nestings])
    radius = np.array([n.radius_mm for n in nestings])
    rise = np.tan([n.primary_angle_rad for n in nestings])
    frontal = math.pi * ((radius - rise * front) ** 2 - (radius + rise * gap) ** 2)
    return Exercised(
        number=beam.number,
        radius_mm=radius,
        frontal_mm2=frontal,
        primary=_stage(np.stack([front, -gap], 1), beam.primary_mm, star.primary_mm),
        secondary=_stage(np.stack([gap, rear], 1), _second(beam), _second(star)),
        area_ratio=float(beam.beam_mm2.sum() / star.beam_mm2.sum()),
        source_distance_mm=source_mm,
    )


def _second(rays: LitRays) -> np.ndarray:
    """Lit stretch of the secondaries: its first ray comes from the junction."""
    return rays.secondary_mm[:, ::-1]


def _stage(ends: np.ndarray, beam: np.ndarray, star: np.ndarray) -> Stage:
    """Bisection ends within nanometres of an end of the reflector, maybe beyond it."""
    clipped = (np.clip(lit, ends[:, :1], ends[:, 1:]) for lit in (beam, star))
    return Stage(**dict(zip(("beam_mm", "star_mm"), clipped, strict=True)), ends_mm=ends)


def _pieces(stage: Stage) -> tuple[np.ndarray, ...]:
    cuts = np.sort(np.hstack([stage.ends_mm, stage.beam_mm, stage.star_mm]), axis=1)
    start, end = cuts[:, :-1], cuts[:, 1:]
    middle = 0.5 * (start + end)
    by_beam, by_star = (
        (middle > lit[:, :1]) & (middle < lit[:, 1:])
        for lit in (stage.beam_mm, stage.star_mm)
    )
    kind = np.select([by_beam & by_star, by_star, by_beam], [0, 1, 2], 3)
    nesting = np.broadcast_to(np.arange(len(cuts))[:, None], start.shape)
    real = end - start > 1e-6
    return nesting[real], start[real], end[real], kind[real]
