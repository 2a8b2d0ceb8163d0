"""What a fold adds to the record: sentences for a person, share of the model, focus."""

from dataclasses import replace

import numpy as np
import pytest

from beamreduce.campaign import read_campaign
from beamreduce.encircled_energy import encircled_energy
from beamreduce.reduction import MeasureRequest, measure
from beamreduce.reduction.infinity_results import (
    exercised_fraction,
    infinity_fields,
    star_curve,
)
from beamreduce.reduction.infinity_step import Folding, fold_configuration
from beamreduce.simulate import simulate_campaign
from tests.reduction.test_infinity_run import SCENARIO


@pytest.fixture(scope="module")
def requests(tmp_path_factory):
    folder = tmp_path_factory.mktemp("fields") / "c"
    simulate_campaign(SCENARIO, folder)
    campaign = read_campaign(folder)
    return tuple(
        MeasureRequest(
            folder=folder,
            setup=campaign.setup,
            inputs=inputs,
            reference_radius=campaign.setup.reduction.reference_radius,
            prescription=campaign.prescription,
        )
        for inputs in campaign.measurements
    )


@pytest.fixture(scope="module")
def nets(requests):
    return {r.inputs.id: measure(r).curves.net for r in requests}


@pytest.fixture(scope="module")
def found(requests, nets):
    """The measurement near focus alone."""
    near = [r for r in requests if r.inputs.id == "near"]
    folding = Folding(
        name="near", requests=tuple(near), nets=(nets["near"],), center_mm=(0.01,),
        quadrant_shifts={},
    )  # fmt: skip
    return fold_configuration(folding)


@pytest.fixture(scope="module")
def near(requests):
    return next(r for r in requests if r.inputs.id == "near")


def fields_with(found, near, *, families=None, scan=None, weight=None):
    """Fields of the fold with parts of it replaced."""
    folded = found.folded
    if families is not None:
        folded = replace(folded, families=families, weight=weight)
    changes = {"folded": folded} | ({} if scan is None else {"star_focus": {0: scan}})
    return infinity_fields(replace(found, **changes), near)


def test_the_share_of_the_model_is_what_the_beam_does_not_show(found, near):
    """1 - A_L/A_inf; and the nest alone, without errors, tells about as much (derived)."""
    fit = infinity_fields(found, near)["fit"]
    assert fit["model_share"] == pytest.approx(1 - 1 / fit["area_ratio"].value)
    assert 0 < fit["model_share"] < 1


def test_what_is_lit_is_what_geometry_gives(near):
    """(α - δ)/(α + δ) of each primary, less what the neighbour shades (derived)."""
    source = near.setup.facility.source_distance.to_value("mm")
    delta = 70.0 / source
    alpha = 70.0 / (4 * 5200.0)
    assert 0.5 * (alpha - delta) / (alpha + delta) < exercised_fraction(near)
    assert exercised_fraction(near) < (alpha - delta) / (alpha + delta) * 1.01


def test_a_fit_that_is_not_accepted_says_so(found, near):
    """The same families with rings that are ten standard deviations off."""
    worse = tuple(
        replace(
            family,
            described=replace(
                family.described,
                mixture=replace(
                    family.described.mixture,
                    chi_square=100 * family.described.mixture.chi_square,
                ),
            ),
        )
        for family in found.folded.families
    )
    weight = found.folded.weight
    fields = fields_with(found, near, families=worse, weight=weight)
    assert fields["fit"]["accepted"] is False
    assert "no mixture of slope errors describes the rings" in fields["notes"]["fit"]
    good = infinity_fields(found, near)
    assert good["fit"]["accepted"] is True
    assert "fit" not in good["notes"]


def test_a_focus_beyond_the_planes_is_null_with_its_reason(found, near):
    scan = found.star_focus[0]
    rising = np.broadcast_to(
        np.linspace(1, 2, scan.distance_mm.size) * 1e-4, scan.by_family.shape
    )
    fields = fields_with(found, near, scan=replace(scan, by_family=rising))
    for key in ("hpd_infinity_best_focus_arcsec", "infinity_best_focus_mm"):
        assert fields[key] is None
        assert "beyond the planes" in fields["notes"][key]


def test_without_a_scan_there_is_no_best_focus(found, near):
    """As off the axis, where none is made; the value in the plane asked for stands."""
    fields = infinity_fields(replace(found, star_focus={}, beam_focus=None), near)
    assert fields["infinity_best_focus_mm"] is None
    assert fields["hpd_infinity_arcsec"].value > 0


def test_best_focus_has_the_relative_uncertainty_of_what_is_declared(found, near):
    fields = infinity_fields(found, near)
    at_plane, least = (
        fields["hpd_infinity_arcsec"],
        fields["hpd_infinity_best_focus_arcsec"],
    )
    share = at_plane.systematic / at_plane.value
    assert least.systematic / least.value == pytest.approx(share, rel=1e-6)
    assert least.value < at_plane.value


def test_one_distance_is_told(found, near):
    notes = infinity_fields(found, near)["notes"]
    assert "one detector distance" in notes["hpd_infinity_arcsec"]
    assert "blur_budget" in notes


def test_the_curve_of_a_star_is_one_at_the_same_angle(found, nets):
    curve = encircled_energy(nets["near"])
    star = star_curve(found, "near", curve.angle.to_value("arcsec"))
    assert star.fraction[-1] == pytest.approx(1.0)
    assert np.all(star.uncertainty >= 0)


def test_the_band_of_the_star_is_as_wide_as_its_diameter_is_unsure(requests, nets):
    """``u(HPD) = 2 u(EEF)/EEF′`` where the curve crosses a half: same causes, same size.

    To first order. Repeats are of the best family and the value is the mean of all, so
    slopes differ by as much as their diameters do, here below 2 %; the slope itself is
    taken over 4 % of a radius.
    """
    folding = Folding(
        name="both", requests=requests, nets=tuple(nets[r.inputs.id] for r in requests),
        center_mm=(0.01, 0.01), quadrant_shifts={},
    )  # fmt: skip
    both = fold_configuration(folding)
    near = next(r for r in requests if r.inputs.id == "near")
    hpd = infinity_fields(both, near)["hpd_infinity_arcsec"]
    half = hpd.value / 2
    angles = np.array([0.98 * half, half, 1.02 * half])
    star = star_curve(both, "near", angles)
    slope = (star.fraction[2] - star.fraction[0]) / (angles[2] - angles[0])
    assert star.fraction[1] == pytest.approx(0.5, abs=1e-3)
    # Families that are unlikely differ by a tenth of the size, where first order fails.
    close = {"statistical": 0.03, "systematic": 0.03, "model": 0.1}
    for kind, part in close.items():
        width = 2 * star.part(kind)[1] / slope
        assert width == pytest.approx(getattr(hpd, kind), rel=part), kind
    assert hpd.systematic > 0
