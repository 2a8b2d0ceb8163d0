import astropy.units as u
import pytest

from beamreduce.infinity.exercised import exercised
from beamreduce.raytrace import MirrorState
from beamreduce.simulate.lit_part import exercised_fraction
from tests.raytrace.made_mirrors import nest, tight_nest


@pytest.mark.parametrize(
    ("source", "used"),
    [  # (α - δ)/(α + δ) of a nesting alone, α = r/4f, δ = r/L: (L - 4f)/(L + 4f)
        (86e3, 65.2 / 106.8),
        (26e3, 5.2 / 46.8),
        (15e3, 0.0),
    ],
)
def test_a_nesting_by_itself(source, used):
    found = exercised_fraction(MirrorState(prescription=nest(130.0)), source)
    # Next order: ℓ/4f, 0.4 %, and at L/f 5 the ratio errs by 1 % of 1.
    assert found == pytest.approx(used, abs=0.01 if source < 40e3 else 0.004)


def test_a_tight_nest_shades_the_near_ends_too():
    # The foil inside covers a primary to ℓδ/(α + δ) from its rear end: (α - 2δ)/(α + δ).
    nest_ = tight_nest(130.0, 190.0)
    alone = len(nest_.nestings)
    expected = (86 - 8 * 5.2) / (86 + 4 * 5.2)
    # One of them has no neighbour inside.
    found = exercised_fraction(MirrorState(prescription=nest_), 86e3)
    assert found == pytest.approx(expected, abs=0.004 + 0.2 / alone)


@pytest.mark.parametrize("blades", [0.0, 40.0])
@pytest.mark.parametrize("source", [86e3, 60e3])
def test_bisection_finds_the_same_part(source, blades):
    prescription = tight_nest(130.0, 140.0, gap=6.0)
    mirror = MirrorState(prescription=prescription, pre_collimator_mm=blades)
    other = exercised(
        prescription,
        source_distance=source * u.mm,
        pre_collimator_length=blades * u.mm,
    )
    # Two edges, each to within one of 4 000 points.
    found = exercised_fraction(mirror, source)
    assert found == pytest.approx(other.primary_exercised_fraction, abs=2 / 4000)
