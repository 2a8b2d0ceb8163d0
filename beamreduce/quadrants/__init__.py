"""Quadrants: where their images are, and which moves make them coincide."""

from beamreduce.quadrants.coincident import (
    QuadrantLight,
    Quarters,
    WholeImage,
    planes_about,
    quarters_of,
)
from beamreduce.quadrants.cones import (
    ConesSeen,
    ConesTold,
    Mixture,
    cones_seen,
    cones_told,
)
from beamreduce.quadrants.diffraction import VISIBLE_KEV, Diffraction, diffraction_of
from beamreduce.quadrants.displacements import (
    Displacements,
    common_moves,
    displacements,
)
from beamreduce.quadrants.moves import Aim, Moves, best_moves
from beamreduce.quadrants.places import QuadrantImage, Shape, quadrant_image, shape_of
from beamreduce.quadrants.plan import Move, MovePlan, plan_moves
from beamreduce.quadrants.sensitivity import Effect, effects_of, moved
from beamreduce.quadrants.targets import Target, outwards, targets_of

__all__ = [
    "VISIBLE_KEV",
    "Aim",
    "ConesSeen",
    "ConesTold",
    "Diffraction",
    "Displacements",
    "Effect",
    "Mixture",
    "Move",
    "MovePlan",
    "Moves",
    "QuadrantImage",
    "QuadrantLight",
    "Quarters",
    "Shape",
    "Target",
    "WholeImage",
    "best_moves",
    "common_moves",
    "cones_seen",
    "cones_told",
    "diffraction_of",
    "displacements",
    "effects_of",
    "moved",
    "outwards",
    "plan_moves",
    "planes_about",
    "quadrant_image",
    "quarters_of",
    "shape_of",
    "targets_of",
]
