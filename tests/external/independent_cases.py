"""Stated mirrors, beamlines and figure errors on which the way to infinity is tried.

Every case is traced by the independent trace alone. ``kind`` says what the errors are:
"inside" (Gaussian mixtures on both stages, which a sum over pairs of slope errors can
describe) or the name of what such a sum cannot describe, or only with more terms.
"""

import hashlib
import json
import math
from dataclasses import asdict, dataclass, replace
from functools import cache
from pathlib import Path

import astropy.units as u
import numpy as np

from beamreduce.mirror import MirrorDesign, Prescription, nestings_from_design
from tests.external import independent_trace, independent_truth
from tests.external.independent_trace import Beam, FigureErrors, Mirror, SlopeLaw
from tests.external.independent_truth import ARCSEC, Question, Truth


@dataclass(frozen=True)
class FallingReflectivity:
    """An invented law for tests: exp(−(angle/scale)²), whatever the energy."""

    scale_rad: float

    def __call__(self, energy: float, angle: np.ndarray) -> np.ndarray:
        """Return the share reflected at grazing angles in rad."""
        return np.exp(-((angle / self.scale_rad) ** 2))


@dataclass(frozen=True, kw_only=True)
class Case:
    """One mirror at one beamline, with what was wrong and what was measured.

    ``distances``: detector planes behind the reference plane, the paraxial image first,
    then a focus series. ``photons``: expected number in each plane.
    """

    name: str
    kind: str
    prescription: Prescription
    errors: FigureErrors
    source_distance: float
    source_diameter: float
    distances: tuple[float, ...]
    reference_angle: float
    photons: int
    reflectivity: FallingReflectivity | None = None

    @property
    def mirror(self) -> Mirror:
        """The mirror as made."""
        return Mirror(
            prescription=self.prescription,
            errors=self.errors,
            reflectivity=self.reflectivity,
        )

    @property
    def beam(self) -> Beam:
        """The source at the beamline, on axis."""
        return Beam(distance=self.source_distance, diameter=self.source_diameter)

    @property
    def reference_radius(self) -> float:
        """Reference radius (mm) in the first plane."""
        return self.reference_angle * self.distances[0]

    def draw(
        self,
        seed: int,
        distances: tuple[float, ...] | None = None,
        quadrant: int | None = None,
    ) -> dict[float, np.ndarray]:
        """Photons of independent exposures: positions (n, 2) in mm by detector distance.

        The number varies as a Poisson variable about ``photons`` for each exposure,
        also where only quadrant 0 to 3 is open.
        """
        drawn = {}
        for k, distance in enumerate(distances or self.distances[:1]):
            rng = np.random.default_rng([seed, k])
            number = int(rng.poisson(self.photons))
            drawn[distance] = independent_truth.draw_photons(
                self.mirror, self.beam, distance, number, rng, quadrant
            )
        return drawn

    def question(self, distance: float | None = None, rays: int = 4_000_000) -> Question:
        """What a star gives in the plane at f, or another, and in planes about it."""
        length = self.prescription.nestings[0].primary_length_mm
        focal = self.prescription.focal_length_mm
        shifted = any(any(shift) for shift in self.errors.quadrant_shifts)
        return Question(
            source=self.beam,
            source_plane=self.distances[0],
            distance=focal if distance is None else distance,
            reference_angle=self.reference_angle,
            # Round images are known to stand about the axis.
            center="centroid" if shifted else (0.0, 0.0),
            scan=tuple(focal + length * np.linspace(-0.5, 0.75, 21)),
            rays=rays,
        )

    def truth(self, folder: Path, question: Question | None = None) -> Truth:
        """Trace what a star gives, once for ``folder`` and this code."""
        question = question or self.question()
        said = repr((self.mirror, question)).encode()
        code = b"".join(
            Path(module.__file__).read_bytes()
            for module in (independent_trace, independent_truth)
        )
        name = hashlib.sha256(said + code).hexdigest()[:24]
        path = Path(folder) / f"{self.name.replace('/', '-')}-{name}.json"
        if not path.is_file():
            found = independent_truth.truth(self.mirror, question)
            part = path.with_suffix(".part")
            part.write_text(json.dumps(asdict(found)))
            part.replace(path)
        return Truth(**json.loads(path.read_text()))


@dataclass(frozen=True, kw_only=True)
class Setting:
    """A mirror and a beamline, lengths in mm."""

    focal: float
    source: float
    radii: tuple[float, float]
    length: float
    thickness: float
    source_diameter: float = 0.5


SETTINGS = {
    "f5.2": Setting(
        focal=5200.0, source=86e3, radii=(70.0, 190.0), length=90.0, thickness=0.17
    ),
    "f3.5": Setting(
        focal=3500.0, source=35e3, radii=(60.0, 110.0), length=60.0, thickness=0.15
    ),
    "f4.75": Setting(
        focal=4750.0, source=60e3, radii=(60.0, 140.0), length=100.0, thickness=0.155
    ),
    "f8": Setting(
        focal=8000.0,
        source=800e3,
        radii=(82.0, 130.0),
        length=120.0,
        thickness=0.3,
        source_diameter=2.0,
    ),
    "f10": Setting(
        focal=10000.0, source=300e3, radii=(100.0, 120.0), length=200.0, thickness=0.4
    ),
}


@cache
def prescription(setting: str) -> Prescription:
    """Return the nest of a setting by the rule that just avoids shadowing at infinity."""
    s = SETTINGS[setting]
    return nestings_from_design(
        MirrorDesign(
            focal_length=s.focal * u.mm,
            inner_radius=s.radii[0] * u.mm,
            outer_radius=s.radii[1] * u.mm,
            reflector_length=s.length * u.mm,
            reflector_thickness=s.thickness * u.mm,
            coating="Au",
            roughness=0 * u.nm,
        )
    )


def _gauss(*scales: float, shares: tuple[float, ...] = (1.0,)) -> SlopeLaw:
    return SlopeLaw(scales=tuple(s * ARCSEC for s in scales), shares=shares)


def _both(*scales: float, shares: tuple[float, ...] = (1.0,)) -> FigureErrors:
    law = _gauss(*scales, shares=shares)
    return FigureErrors(primary=law, secondary=law)


def _offset(scale: float, **offsets: float) -> FigureErrors:
    return replace(_both(scale), **{k: v * ARCSEC for k, v in offsets.items()})


def _ripple(scale: float, amplitude: float) -> FigureErrors:
    law = SlopeLaw(scales=(scale * ARCSEC,), ripple=amplitude * ARCSEC)
    return FigureErrors(primary=law, secondary=law)


def _quadrants(scale: float, focal: float, shifts: tuple) -> FigureErrors:
    # A rigid shift t moves a quadrant's image by the angle t/f, for any source.
    moved = tuple(tuple(s * ARCSEC * focal for s in pair) for pair in shifts)
    return replace(_both(scale), quadrant_shifts=moved)


# Slope errors in arcsec, rms a reflection. "tails" have a share of 15 % at five times
# the width; "weak tails" one of 20 % at 2.5 times.
_UNEVEN = FigureErrors(primary=_gauss(5.0), secondary=_gauss(12.0))
_WEAK = (0.8, 0.2)
_HEAVY = (0.85, 0.15)
_MOVED = ((7.0, 7.0), (0.0, 0.0), (6.0, 0.0), (0.0, -10.0))
CATALOGUE = (
    # setting, label, kind, errors, reference angle in arcsec
    ("f8", "15", "inside", _both(3.2), 90.0),
    ("f8", "30-weak-tails", "inside", _both(6.0, 15.0, shares=_WEAK), 240.0),
    ("f10", "20", "inside", _both(4.0), 100.0),
    ("f5.2", "30", "inside", _both(5.0), 150.0),
    ("f5.2", "60", "inside", _both(15.0), 300.0),
    ("f5.2", "uneven", "inside", _UNEVEN, 240.0),
    ("f4.75", "45-weak-tails", "inside", _both(9.0, 22.5, shares=_WEAK), 360.0),
    ("f3.5", "60", "inside", _both(15.0), 300.0),
    ("f3.5", "120", "inside", _both(32.0), 600.0),
    ("f5.2", "ripple", "ripple", _ripple(2.0, 14.0), 240.0),
    ("f3.5", "ripple", "ripple", _ripple(3.0, 20.0), 300.0),
    ("f5.2", "secondary-in", "cone angle", _offset(8.0, secondary_offset=-10.0), 240.0),
    ("f5.2", "primary-out", "cone angle", _offset(8.0, primary_offset=10.0), 240.0),
    ("f4.75", "secondary-out", "cone angle", _offset(8.0, secondary_offset=10.0), 240.0),
    ("f5.2", "quadrants", "quadrants", _quadrants(8.0, 5200.0, _MOVED), 240.0),
    ("f3.5", "quadrants", "quadrants", _quadrants(15.0, 3500.0, _MOVED), 300.0),
    ("f5.2", "tails", "tails", _both(8.0, 40.0, shares=_HEAVY), 480.0),
    ("f3.5", "tails", "tails", _both(12.0, 60.0, shares=_HEAVY), 300.0),
    ("f5.2", "reflectors", "reflectors", _offset(5.0, reflector_offset=10.0), 240.0),
    ("f5.2", "sideways", "sideways", _offset(8.0, out_of_plane=300.0), 240.0),
)


def _planes(setting: Setting, step_angle: float) -> tuple[float, ...]:
    """Paraxial image, then planes where the middle nesting's ring has grown in steps."""
    image = setting.focal * setting.source / (setting.source - setting.focal)
    middle = math.sqrt(setting.radii[0] * setting.radii[1])
    # The cone of rays of one nesting has the slope r/D; the ring's radius is dz r/D.
    step = round(step_angle * image * image / middle, 1)
    return (image, *(image + k * step for k in (-2, -1, 1, 2)))


def _case(setting: str, label: str, kind: str, errors: FigureErrors, angle: float) -> Case:
    s = SETTINGS[setting]
    return Case(
        name=f"{setting}/{label}",
        kind=kind,
        prescription=prescription(setting),
        errors=errors,
        source_distance=s.source,
        source_diameter=s.source_diameter,
        distances=_planes(s, angle * ARCSEC / 15),
        reference_angle=angle * ARCSEC,
        photons=200_000,
    )


def cases(*kinds: str) -> list[Case]:
    """Return the catalogue, or only the cases of the given kinds."""
    made = [_case(*row) for row in CATALOGUE]
    # One case whose reflectivity falls with angle: the correction must carry it too.
    falling = next(case for case in made if case.name == "f5.2/30")
    made.append(
        replace(falling, name="f5.2/30-falling", reflectivity=FallingReflectivity(0.012))
    )
    return [case for case in made if not kinds or case.kind in kinds]
