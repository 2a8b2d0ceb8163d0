"""Displaced quadrants of the independent trace: their places come back.

Each quadrant is drawn alone, at one distance, and measured about its own center. A mean
error of the cones would move it as a displacement does, so that predictions must not
differ between quadrants whose cones are alike.
"""

import math
from dataclasses import replace

import numpy as np
import pytest

from beamreduce.infinity.configuration import resolution_of, rings_to_fold
from beamreduce.infinity.fold import describe
from beamreduce.reduction.quadrant_places import against_each_other
from tests.external.independent_cases import cases
from tests.external.independent_measured import center_of, in_rings, optics_of
from tests.external.independent_truth import draw_photons

pytestmark = pytest.mark.slow

PHOTONS, REPEATS = 400_000, 20
SETTLED = 0.1  # of a bin: where the search for a predicted center ends
# With parts that all have in common: a move, and one outwards.
SHIFTS = ((0.06, -0.01), (-0.05, 0.03), (0.02, 0.04), (-0.02, -0.05))
EDGES = np.array([(k * math.pi / 2, (k + 1) * math.pi / 2) for k in range(4)])


def without_common(places):
    """Means are independent of each other, since quadrants look all ways alike."""
    middle = EDGES.mean(axis=1)
    outward = np.stack([np.cos(middle), np.sin(middle)], axis=1)
    places = places - places.mean(axis=0)
    return places - (places * outward).sum(axis=1).mean() * outward


def test_displacements_come_back():
    """Within four standard errors of the centers, and where the search for them ends."""
    case = next(c for c in cases("inside") if c.name == "f5.2/60")
    case = replace(case, errors=replace(case.errors, quadrant_shifts=SHIFTS))
    distance = case.distances[0]
    reference = case.reference_angle * distance
    rng = np.random.default_rng(20261128)
    places, errors = [], []
    for k in range(4):
        xy = draw_photons(case.mirror, case.beam, distance, PHOTONS, rng, k)
        center = np.array(center_of(*xy.T, np.ones(PHOTONS), reference))
        # The error of a center that is found again and again, from parts of the photons.
        parts = [center_of(*part.T, np.ones(len(part)), reference)
                 for part in np.split(xy, REPEATS)]  # fmt: skip
        errors.append(np.std(parts, axis=0, ddof=1) / math.sqrt(REPEATS))
        measured = [in_rings(xy - center, distance, reference)]
        optics = optics_of(case, open_rad=tuple(EDGES[k]))
        resolution = replace(resolution_of(measured), turned=False)
        fit = describe(rings_to_fold(optics, measured, resolution), resolution.ladder)
        shift = np.mean(
            [a.shift_mm.mean(axis=0) for a in fit.rings[0].view.azimuths], axis=0
        )
        places.append(center + shift)
    found = against_each_other(np.array(places), EDGES)
    # A rigid displacement t of a quadrant moves its image by t (1 + D/L), as of a lens.
    wanted = np.array(SHIFTS) * (1 + distance / case.source_distance)
    sure = 4 * np.array(errors) + SETTLED * resolution.grid(distance).step_mm
    assert (abs(found - without_common(wanted)) < sure).all(), (found, wanted, sure)
    # Much less than what was to be found.
    assert sure.max() < 0.4 * abs(without_common(wanted)).max()
