"""Where the optical axis is, from the areas of opposite quadrants.

At a beamline the whole mirror's area is flat about the axis, but a quadrant towards the
source's side gains what the opposite one loses: ``(Q1 − Q3)/(Q1 + Q3)`` is proportional to
the tilt, some 10 to 20 % an arcminute.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from beamreduce.effective_area.traced_mirror import TracedMirror
from beamreduce.errors import MeasurementError
from beamreduce.mirror import Prescription
from beamreduce.raytrace import FigureErrors
from beamreduce.record import Uncertain

_TURN = 2 * math.pi
_OPPOSITE = math.radians(1.0)
_ARCMIN = math.radians(1 / 60)


@dataclass(frozen=True, kw_only=True)
class QuadrantArea:
    """Area of one quadrant with the diverging beam, source nominally on the axis.

    Parameters
    ----------
    id, name
        Measurement and quadrant.
    open_rad
        First and last azimuth.
    area_cm2
        Whole area.
    own
        Its relative uncertainty that the others do not share.
    """

    id: str
    name: str
    open_rad: tuple[float, float]
    area_cm2: float
    own: float

    @property
    def width_rad(self) -> float:
        """Azimuth that it covers."""
        first, last = self.open_rad
        return (last - first) % _TURN or _TURN

    @property
    def middle_rad(self) -> float:
        """Azimuth of its middle."""
        return (self.open_rad[0] + self.width_rad / 2) % _TURN


@dataclass(frozen=True, kw_only=True)
class Pair:
    """Two opposite quadrants: their asymmetry, and what a tilt makes of it.

    Parameters
    ----------
    first, second
        Measurements; the azimuth is that of the first.
    azimuth_rad
        Direction that the pair is sensitive to.
    asymmetry, uncertainty
        ``(A₁ − A₂)/(A₁ + A₂)``.
    per_arcmin, per_arcmin_error
        What an arcminute of tilt towards the first makes of it, traced; the error is that
        of the trace and half of what slope errors change in it.
    per_arcmin_first_order
        The same by ``0.900 θ/(α − δ)``, before blockage.
    """

    first: str
    second: str
    azimuth_rad: float
    asymmetry: float
    uncertainty: float
    per_arcmin: float
    per_arcmin_error: float
    per_arcmin_first_order: float

    @property
    def tilt_arcmin(self) -> float:
        """How far the source is off the axis towards the first quadrant."""
        return self.asymmetry / self.per_arcmin


@dataclass(frozen=True, kw_only=True)
class AxisFromQuadrants:
    """Direction of the axis in commanded directions, from pairs of quadrants.

    Parameters
    ----------
    axis_arcmin
        (x, y): where the source would have to be commanded to be on the axis.
    pairs
        What it comes from.
    """

    axis_arcmin: tuple[Uncertain, Uncertain]
    pairs: tuple[Pair, ...]

    def tilt_towards(self, azimuth_rad: float) -> float:
        """Return how far the source is off the axis towards an azimuth, arcmin."""
        x, y = (-part.value for part in self.axis_arcmin)
        return x * math.cos(azimuth_rad) + y * math.sin(azimuth_rad)


def first_order_asymmetry(
    prescription: Prescription, source_distance_mm: float, width_rad: float = _TURN / 4
) -> float:
    """Return ``(A₁ − A₂)/(A₁ + A₂)`` for a radian of tilt towards the first of a pair.

    One nesting's secondary is met with ``α − δ + θ cos φ``: a quadrant's mean of ``cos φ``
    about its middle is ``sin(w/2)/(w/2)``, 0.9003 for 90°, hence ``0.900 θ/(α − δ)``
    before blockage, for ``θ < δ`` (derived). Nestings count by their geometric area
    ``r ℓ (α − δ)``. For a star it is nothing: areas lose ``|θ cos φ|`` alike.
    """
    r = np.array([n.radius_mm for n in prescription.nestings])
    length = np.array([n.primary_length_mm for n in prescription.nestings])
    angle = np.array([n.primary_angle_rad for n in prescription.nestings])
    lit = angle - r / source_distance_mm
    if np.all(lit <= 0):
        raise MeasurementError("no nesting is lit from a source as near as this")
    open_part = np.maximum(lit, 0.0)
    share = math.sin(width_rad / 2) / (width_rad / 2)
    return share * float((r * length * (lit > 0)).sum() / (r * length * open_part).sum())


def axis_from_quadrants(
    areas: Sequence[QuadrantArea],
    mirror: TracedMirror,
    prescription: Prescription,
) -> AxisFromQuadrants | None:
    """Return the direction of the axis from all pairs of opposite quadrants.

    None when they do not span two directions.

    Parameters
    ----------
    areas
        One of each quadrant.
    mirror
        The model; its quadrants bear the same names.
    prescription
        Its nest, for the first-order check.

    Notes
    -----
    Statistical: areas. Model: error of the trace, and half of what slope errors change in
    the sensitivity. The first-order one stands beside it; blockage makes it larger.
    """
    pairs = _pairs(areas, mirror, prescription)
    if not pairs:
        return None
    along = np.array([[math.cos(p.azimuth_rad), math.sin(p.azimuth_rad)] for p in pairs])
    if np.linalg.matrix_rank(along, tol=0.1) < 2:
        return None
    tilt = np.array([p.tilt_arcmin for p in pairs])
    weight = np.array([(p.per_arcmin / p.uncertainty) ** 2 for p in pairs])
    inverse = np.linalg.inv((along.T * weight) @ along)
    solve = inverse @ (along.T * weight)
    source = solve @ tilt
    unsure = tilt * np.array([p.per_arcmin_error / p.per_arcmin for p in pairs])
    model = np.sqrt((solve * unsure) ** 2 @ np.ones(len(pairs)))
    return AxisFromQuadrants(
        axis_arcmin=tuple(
            Uncertain(
                value=-float(source[k]) + 0.0,
                statistical=math.sqrt(inverse[k, k]),
                model=float(model[k]),
            )
            for k in range(2)
        ),
        pairs=pairs,
    )


def _pairs(
    areas: Sequence[QuadrantArea], mirror: TracedMirror, prescription: Prescription
) -> tuple[Pair, ...]:
    found = []
    names = {q.name: k for k, q in enumerate(mirror.mirror.quadrants)}
    for k, one in enumerate(areas):
        for two in areas[k + 1 :]:
            apart = (two.middle_rad - one.middle_rad) % _TURN
            alike = abs(one.width_rad - two.width_rad) < _OPPOSITE
            known = one.name in names and two.name in names
            if abs(apart - math.pi) < _OPPOSITE and alike and known:
                found.append(_pair((one, two), (mirror, names), prescription))
    return tuple(found)


def _pair(
    quadrants: tuple[QuadrantArea, QuadrantArea],
    model: tuple[TracedMirror, Mapping[str, int]],
    prescription: Prescription,
) -> Pair:
    one, two = quadrants
    mirror, names = model
    source_mm = mirror.source.source_distance_mm
    nearest = min(n.radius_mm for n in prescription.nestings) / source_mm
    step = nearest / 2 / _ARCMIN  # well within the angles in which it is proportional
    sides = _sensitivity(mirror, quadrants, names, step)
    perfect = replace(mirror, mirror=replace(mirror.mirror, figure=FigureErrors()))
    smooth = np.mean(_sensitivity(perfect, quadrants, names, step))
    value = float(np.mean(sides))
    total = one.area_cm2 + two.area_cm2
    return Pair(
        first=one.id,
        second=two.id,
        azimuth_rad=one.middle_rad,
        asymmetry=(one.area_cm2 - two.area_cm2) / total,
        uncertainty=2 * one.area_cm2 * two.area_cm2 / total**2
        * math.hypot(one.own, two.own),
        per_arcmin=value,
        per_arcmin_error=math.hypot(np.ptp(sides) / 2, (smooth - value) / 2),
        per_arcmin_first_order=_ARCMIN
        * first_order_asymmetry(prescription, source_mm, one.width_rad),
    )  # fmt: skip


def _sensitivity(
    mirror: TracedMirror,
    quadrants: tuple[QuadrantArea, QuadrantArea],
    names: Mapping[str, int],
    step: float,
) -> list[float]:
    """Asymmetry for each arcminute, from a tilt to either side."""
    middle = quadrants[0].middle_rad
    values = []
    for tilt in (step, -step):
        towards = (tilt * math.cos(middle), tilt * math.sin(middle))
        traced = mirror.areas(towards, star=False)
        a, b = (traced.quadrants_cm2[names[q.name]] for q in quadrants)
        values.append((a - b) / (a + b) / tilt)
    return values


def whole_from_quadrant(area: QuadrantArea, axis: AxisFromQuadrants) -> float:
    """Return the whole mirror's area that one quadrant stands for, its tilt taken out.

    A quadrant tilted by ``θ`` towards itself has ``1 + s θ`` of its area, ``s`` the
    asymmetry of its pair for each arcminute.

    Raises
    ------
    MeasurementError
        When the quadrant is in no pair.
    """
    for pair in axis.pairs:
        if area.id in (pair.first, pair.second):
            tilt = axis.tilt_towards(area.middle_rad)
            return area.area_cm2 * _TURN / area.width_rad / (1 + pair.per_arcmin * tilt)
    raise MeasurementError(f"measurement {area.id} is in no pair of opposite quadrants")
