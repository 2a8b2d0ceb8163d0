"""Area between measured lines, of a mirror with slope errors, against rays of other code.

The curve's model has perfect surfaces; what slope errors take from the area (rays that
miss the secondary, other grazing angles) has to go into the smooth factor. Areas at the
lines and between them come from the independent trace with reflectivities of another
library (xraylib; Schoonjans et al. 2011, Spectrochim. Acta B 66, 776), whose optical
constants differ from those of the curve by up to 3 % in area.
"""

import math

import astropy.units as u
import numpy as np
import pytest

from beamreduce.effective_area.area_curve import AreaLine
from beamreduce.effective_area.terms import Term
from beamreduce.mirror import MirrorDesign, nestings_from_design
from beamreduce.response.area_set import whole_curve
from beamreduce.response.mirror_model import Mirror, lights_of
from tests.external.independent_trace import FigureErrors, SlopeLaw, trace
from tests.external.independent_trace import Mirror as MadeMirror
from tests.external.independent_truth import ARCSEC, STAR
from tests.external.test_model_area import second_library

LINES = np.array([1.487, 4.511, 8.048])
BETWEEN = np.array([1.9, 3.0, 5.9, 7.0])
RAYS = 200_000
DESIGN = MirrorDesign(
    focal_length=5.2 * u.m,
    inner_radius=70 * u.mm,
    outer_radius=190 * u.mm,
    reflector_length=90 * u.mm,
    reflector_thickness=0.17 * u.mm,
    coating="Au",
    coating_density=19.3 * u.g / u.cm**3,
    roughness=0 * u.nm,
)
ANGLES = np.linspace(1e-5, 0.05, 1500)


class Gold:
    """Reflectivity by grazing angle and energy, straight lines between tabulated angles."""

    def __init__(self):
        self.tables = {}

    def __call__(self, energy, angle):
        if energy not in self.tables:
            table = [second_library(energy, one) for one in ANGLES]
            self.tables[energy] = np.array(table)
        return np.interp(angle, ANGLES, self.tables[energy])


@pytest.mark.parametrize("slope_arcsec", [5.0, 30.0])
def test_a_mirror_with_slope_errors(slope_arcsec):
    prescription = nestings_from_design(DESIGN)
    law = SlopeLaw(scales=(slope_arcsec * ARCSEC,))
    errors, gold = FigureErrors(primary=law, secondary=law), Gold()

    def area(energy):
        """Area in cm²; the same rays at all energies, so that ratios hardly scatter."""
        mirror = MadeMirror(
            prescription=prescription, errors=errors, reflectivity=gold, energy=energy
        )
        rays = trace(mirror, STAR, RAYS, np.random.default_rng(20261127))
        return rays.weight.sum() / rays.launched / 100

    # What all lines share, and 0.2 % that each has for itself.
    terms = (
        Term(name="counting", kind="statistical", relative=0.002),
        Term(name="trace", kind="systematic", relative=0.004, shared="trace"),
    )
    lines = [
        AreaLine(id=f"{e:g}", energy_kev=e, area_cm2=area(e), terms=terms) for e in LINES
    ]
    mirror = Mirror(prescription=prescription, design=DESIGN)
    curve = whole_curve(mirror, lights_of(mirror, LINES, BETWEEN), lines)
    assert curve.fit.accepted
    truth = np.array([area(e) for e in BETWEEN])
    away = curve.area_cm2 / truth - 1
    # Rays: a tenth of a percent between energies, by the spread of their weights.
    size = np.hypot(curve.causes.relative(), 0.001)
    assert np.all(np.abs(away) < 3 * size), (away, size)
    # Nothing that the lines themselves leave open may be exceeded either: a curve must not
    # hold by what it says of its own form.
    own = math.hypot(0.002, 0.004, 0.001)
    assert np.all(np.abs(away) < 3 * own), away
    if slope_arcsec > 20:  # surfaces matter: the factor is not one
        assert math.log(curve.fit.fitted[0]) < -0.03
