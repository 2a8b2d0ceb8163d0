"""One perfect nesting for checks: even aims on it and its algebra in the meridian plane.

No chance here: without errors only the step of the aims limits an agreement.
"""

import math

import numpy as np
from scipy.optimize import brentq

from beamreduce.mirror import Nesting, Prescription
from tests.external.independent_trace import Aims, Beam, FigureErrors, Mirror

ARCSEC = math.radians(1 / 3600)
SKY = Beam()


def nest(focal, radii, length, *, secondary_length=None, thickness=0.0, gap=0.0):
    nestings = []
    for number, radius in enumerate(radii, start=1):
        angle = math.atan(radius / focal) / 4
        nestings.append(
            Nesting(
                number=number,
                radius_mm=radius,
                primary_angle_rad=angle,
                secondary_angle_rad=3 * angle,
                primary_length_mm=length,
                secondary_length_mm=secondary_length or length,
                gap_mm=gap,
                thickness_mm=thickness,
                coating="Au",
                roughness_nm=0.0,
            )
        )
    return Prescription(nestings=tuple(nestings), focal_length_mm=focal)


def junction_only(**errors):
    """A mirror whose primary is 0.01 mm long: no cone blur, and no error loses a ray."""
    return Mirror(
        prescription=nest(5200.0, [130.0], 0.01, secondary_length=90.0),
        errors=FigureErrors(**errors),
    )


def even(mirror, count, *, nesting=0, azimuth=0.3, slopes=(0.0, 0.0), **more):
    """Aims in even steps along one primary; ``azimuth`` None winds them around."""
    _, _, first, last, _ = mirror.stages[0][:, nesting]
    steps = (np.arange(count) + 0.5) / count
    if azimuth is None:
        turns = 2 * np.pi * (np.arange(count) * 0.6180339887498949 % 1)
    else:
        turns = np.full(count, azimuth)
    return Aims(
        nesting=np.full(count, nesting),
        z=first + (last - first) * steps,
        azimuth=turns,
        slopes=tuple(np.full(count, s) for s in slopes),
        scale=2 * np.pi * (last - first),
        **more,
    )


def area(rays):
    return rays.weight.sum() / rays.launched


def diameter_of(rays, distance, share):
    radius = np.hypot(*rays.at(distance))
    order = np.argsort(radius)
    within = np.cumsum(rays.weight[order])
    return 2 * radius[order][np.searchsorted(within, share * within[-1])]


class Meridian:
    """One nesting in its meridian plane: a ray named by where it meets the primary."""

    def __init__(self, focal, distance, radius, length):
        self.r, self.length, self.source = radius, length, distance
        self.a = math.atan(radius / focal) / 4

    def ray(self, z1):
        """Radius on the primary, inward slopes before, between and after, second z."""
        p = self.r - z1 * math.tan(self.a)
        delta = 0.0 if math.isinf(self.source) else math.atan(p / (self.source + z1))
        between, after = 2 * self.a + delta, 4 * self.a - delta
        slope = math.tan(between)
        z2 = (p + z1 * slope - self.r) / (slope - math.tan(3 * self.a))
        return p, delta, between, after, z2

    def landing(self, z1, distance):
        *_, after, z2 = self.ray(z1)
        return self.r - z2 * math.tan(3 * self.a) - (distance - z2) * math.tan(after)

    def beam_within(self, z1):
        """Area of the wavefront at the reference plane inside a ray's circle."""
        p, delta, *_ = self.ray(z1)
        if math.isinf(self.source):
            return math.pi * p * p
        return 4 * math.pi * (self.source * math.sin(delta / 2)) ** 2

    def lit_from(self):
        """First z of the primary from which the secondary is still met."""
        if self.ray(-self.length)[4] <= self.length:
            return -self.length
        return brentq(lambda z: self.ray(z)[4] - self.length, -self.length, -1e-6)

    def halved(self):
        """Where half of the lit beam's area is reached."""
        first = self.lit_from()
        half = (self.beam_within(first) + self.beam_within(0.0)) / 2
        return brentq(lambda z: self.beam_within(z) - half, first, 0.0, xtol=1e-12)
