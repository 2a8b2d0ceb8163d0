import numpy as np
import pytest

from beamreduce.effective_area.terms import (
    Term,
    covariance,
    labelled,
    mean_of,
    over,
    with_terms,
)
from beamreduce.errors import SettingsError


def term(relative, kind="systematic", shared="", name="x"):
    return Term(name=name, kind=kind, relative=relative, shared=shared)


def test_kinds_stay_apart_and_add_in_quadrature():
    value = with_terms(
        200.0, [term(0.03, "statistical"), term(0.04, "statistical"), term(0.01, "model")]
    )
    assert value.statistical == pytest.approx(10.0)  # 200 · √(0.03² + 0.04²)
    assert (value.systematic, value.model) == (0.0, pytest.approx(2.0))


def test_parts_of_one_cause_add_with_their_signs():
    parts = [term(0.03, shared="distance"), term(-0.01, shared="distance")]
    assert with_terms(100.0, parts).systematic == pytest.approx(2.0)


def test_areas_that_share_a_cause_are_wrong_together():
    own = [term(0.02, "statistical")]
    matrix = covariance(
        [100.0, 50.0],
        [[*own, term(0.01, shared="hole")], [*own, term(-0.03, shared="hole")]],
    )
    expected = [[2.0**2 + 1.0**2, 1.0 * -1.5], [1.0 * -1.5, 1.0**2 + 1.5**2]]
    assert matrix == pytest.approx(np.array(expected))


def test_covariance_is_that_of_areas_drawn_with_their_causes():
    rng = np.random.default_rng(20261126)
    areas = np.array([300.0, 200.0, 80.0])
    common, own = np.array([0.01, 0.02, -0.005]), np.array([0.01, 0.004, 0.02])
    draws = areas * (
        1
        + common * rng.standard_normal((200_000, 1))
        + own * rng.standard_normal((200_000, 3))
    )
    terms = [
        [term(c, shared="s"), term(o, "statistical")]
        for c, o in zip(common, own, strict=True)
    ]
    found = covariance(areas, terms)
    # A correlation from n draws is known to 1/√n = 0.0022; five of them.
    size = np.sqrt(np.outer(found.diagonal(), found.diagonal()))
    assert np.cov(draws.T) / size == pytest.approx(found / size, abs=5 * 2**0.5 * 0.0022)


def test_one_kind_alone():
    terms = [[term(0.1, "statistical"), term(0.2, "model")]]
    assert covariance([1.0], terms, "model")[0, 0] == pytest.approx(0.04)


def test_an_unknown_kind_is_refused():
    with pytest.raises(SettingsError, match="kind must be one of statistical, systematic"):
        term(0.1, "guess")


def test_terms_come_back_from_json():
    one = term(0.1, shared="pixel size")
    assert Term.from_json(one.to_json()) == one


def test_an_area_and_a_mean_that_it_is_part_of_are_not_independent():
    first = labelled([term(0.02, "statistical"), term(0.01, shared="hole")], "a")
    second = labelled([term(0.02, "statistical"), term(0.01, shared="hole")], "b")
    mean, terms = mean_of([100.0, 104.0], [first, second])
    assert mean == pytest.approx(102.0)  # alike sure, so alike weighted
    ratio = with_terms(100.0 / mean, over(first, terms))
    assert ratio.systematic == pytest.approx(0.0, abs=1e-12)  # the hole cancels
    # a/(a + b)·2: half of each one's own part is left.
    parts = np.array([1 - 50 / 102, 52 / 102]) * 0.02
    assert ratio.statistical / ratio.value == pytest.approx(np.hypot(*parts), rel=1e-12)


def test_weights_of_a_mean_go_by_what_is_not_shared():
    sure = labelled([term(0.01, "statistical"), term(0.5, shared="hole")], "a")
    unsure = labelled([term(0.02, "statistical")], "b")
    mean, _ = mean_of([100.0, 105.0], [sure, unsure])
    assert mean == pytest.approx((4 * 100 + 105) / 5)
