"""Terms of the uncertainty of a star's numbers, from made answers."""

from types import SimpleNamespace

import numpy as np
import pytest

from beamreduce.infinity.answer import TRACED, Numbers, SeenFromInfinity
from beamreduce.infinity.star import StarCurves
from beamreduce.infinity.variants import Response
from beamreduce.reduction.infinity_step import (
    area_ratio,
    diameter_of,
    focus_energy,
    reference_mm,
    star_quantity,
)

RADII = np.linspace(0.01, 2.0, 200)


def curves(*half_powers):
    """Light that grows evenly with radius out to twice the half-power radius."""
    growth = [np.minimum(RADII / (2 * half), 1.0) for half in half_powers]
    return StarCurves(radii_mm=RADII, growth=np.array(growth))


def numbers(*half_powers, ratio=1.5):
    return Numbers(curves=curves(*half_powers), area_ratio=np.full(len(half_powers), ratio))


def response(half_power, ratio=1.5):
    one = StarCurves(radii_mm=RADII, growth=curves(half_power).growth[0])
    return Response(curves=(one,), area_ratio=(ratio,))


def found_of(**parts):
    """A fold without spread of its own but that of the trace; parts change it."""
    seen = {
        "by_family": numbers(0.4),
        "family_weight": np.ones(1),
        "repeats": numbers(0.4, 0.4),
        "changed": numbers(0.4),
        "changed_kinds": (),
        "distance_mm": 5200.0,
    } | {k: v for k, v in parts.items() if k not in ("variants", "changes")}
    changes = parts.get("changes", ())
    kinds = parts.get("variants", ())
    return SimpleNamespace(
        seen={0: SeenFromInfinity(**seen)},
        base=response(0.8),  # at other resolution: only ratios to it count
        variants=tuple(SimpleNamespace(term=f"t{k}", kind=kind)
                       for k, kind in enumerate(kinds)),
        changes=changes,
    )  # fmt: skip


HPD = diameter_of(0.5, 2.0)


def test_without_any_spread_what_traces_differ_by_is_left():
    value, terms = star_quantity(found_of(), 0, HPD)
    assert value.value == pytest.approx(0.8, rel=1e-6)
    assert value.statistical == pytest.approx(0.0, abs=1e-12)
    assert value.systematic == 0.0
    assert value.model == pytest.approx(TRACED * 0.8)
    assert [kind for _, kind, _ in terms] == ["statistical", "systematic", "model"]


def test_variants_count_as_relative_changes_by_kind():
    found = found_of(
        variants=("systematic", "systematic", "model"),
        changes=(response(0.8 * 1.03), response(0.8 * 0.96), response(0.8 * 1.02)),
    )
    value, terms = star_quantity(found, 0, HPD)
    assert value.systematic == pytest.approx(0.05 * 0.8, rel=1e-6)
    assert value.model == pytest.approx(np.hypot(0.02, TRACED) * 0.8, rel=1e-6)
    assert [size for _, _, size in terms[3:]] == pytest.approx([0.024, 0.032, 0.016])


def test_families_repeats_and_backgrounds_have_their_own_parts():
    found = found_of(
        by_family=numbers(0.39, 0.41),
        family_weight=np.array([0.5, 0.5]),
        repeats=numbers(0.38, 0.42),
        changed=numbers(0.40, 0.43, 0.404),
        changed_kinds=("systematic", "model"),
    )
    value, _ = star_quantity(found, 0, HPD)
    assert value.value == pytest.approx(0.8, rel=1e-6)
    assert value.statistical == pytest.approx(0.04, rel=1e-6)  # rms about the fit
    assert value.systematic == pytest.approx(0.06, rel=1e-6)
    wanted = np.sqrt(0.02**2 + 0.008**2 + (TRACED * 0.8) ** 2)
    assert value.model == pytest.approx(wanted, rel=1e-6)


def test_distances_apart_add_their_spread_each_by_how_sure_it_is():
    def one(half_power, sure):
        repeats = numbers(0.4 - sure, 0.4 + sure)
        return found_of(by_family=numbers(half_power), repeats=repeats).seen[0]

    found = found_of(apart=(one(0.38, 0.01), one(0.43, 0.02)))
    value, _ = star_quantity(found, 0, HPD)
    # Squares count as 1/variance: 4 to 1.
    apart = np.sqrt((4 * 0.04**2 + 0.06**2) / 5)
    assert value.model == pytest.approx(np.hypot(apart, TRACED * 0.8), rel=1e-6)
    # What says nothing of the size takes no part in it.
    found = found_of(apart=(one(0.38, 1e-3), one(9.0, 0.39)))
    value, _ = star_quantity(found, 0, HPD)
    assert value.model == pytest.approx(0.04, rel=0.02)


def test_the_curve_has_every_term_that_the_diameters_have():
    """Light grows in proportion to radius: a share changes by as much as a size does."""
    radii = np.array([0.2, 0.4, 0.6])
    share = radii / 0.8
    curve = found_of().seen[0].curve(radii, 2.0)
    assert curve.value == pytest.approx(share)
    assert curve.statistical == pytest.approx(np.zeros(3), abs=1e-12)
    assert np.hypot(*curve.rest) == pytest.approx(TRACED * share)
    other = found_of(by_family=numbers(0.5)).seen[0]
    rest = np.hypot(*found_of(apart=(other,)).seen[0].curve(radii, 2.0).rest)
    assert rest == pytest.approx(np.hypot(TRACED * share, share - radii), rel=1e-6)


def test_the_area_ratio_has_its_terms_too():
    found = found_of(variants=("model",), changes=(response(0.8, ratio=1.53),))
    value, _ = star_quantity(found, 0, area_ratio)
    assert value.value == pytest.approx(1.5)
    assert value.model == pytest.approx(1.5 * np.hypot(0.02, TRACED))


def measured(identity, energy, photons, angle=1e-3):
    return SimpleNamespace(
        id=identity, energy=energy, reference_rad=angle,
        net=SimpleNamespace(photons=np.array([photons])),
    )  # fmt: skip


def test_the_focus_is_worked_out_where_most_planes_and_photons_are():
    few, many = [measured("a", 0, 9e5)], [measured("b", 1, 10.0), measured("c", 1, 20.0)]
    assert focus_energy([*few, *many]) == 1
    assert focus_energy([measured("a", 0, 10.0), measured("b", 1, 11.0)]) == 1


def test_the_reference_of_a_star_is_the_same_angle():
    found = SimpleNamespace(
        folded=SimpleNamespace(measured=(measured("a", 0, 1.0, 2e-4),)), star_mm=5200.0
    )
    assert reference_mm(found, "a") == pytest.approx(1.04)
