import astropy.units as u
import numpy as np
import pytest

from beamreduce.campaign.exposure_amount import exposure_amount
from beamreduce.effective_area.flux_ratio import flux_ratio
from beamreduce.effective_area.terms import covariance
from beamreduce.errors import AreaError, MeasurementError
from beamreduce.record import Uncertain
from tests.effective_area.made_beams import (
    DETECTOR,
    FACILITY,
    direct_beam,
    focused_beam,
    throughput,
)


def ratio(focused, direct, detector=DETECTOR):
    return flux_ratio(focused, direct, FACILITY, detector)


def named(result, name):
    return next(term for term in result.terms if term.name == name)


def test_area_is_photons_over_the_flux_at_the_reference_plane():
    found = ratio(focused_beam([30_000.0]), direct_beam([10_000.0]))
    # 10 000 photons on 100 mm², 91.544 m from the source; the flux is larger at 86 m.
    flux_cm2 = 10_000 / 1.0 * (91.544 / 86) ** 2
    assert found.area_cm2.value == pytest.approx(30_000 / flux_cm2, rel=1e-12)
    assert found.flux_per_cm2.value == pytest.approx(flux_cm2 / 100, rel=1e-12)  # a second
    counting = 30_000 / flux_cm2 * (1 / 30_000 + 1 / 10_000) ** 0.5
    assert found.area_cm2.statistical == pytest.approx(counting, rel=1e-12)


def test_a_source_twice_as_strong_in_the_direct_beam_changes_nothing_with_a_monitor():
    cells = {"monitor_counts": 5000.0, "monitor_time": 100 * u.s}
    strong = {"monitor_counts": 10_000.0, "monitor_time": 100 * u.s}
    plain = ratio(
        focused_beam([3000.0], by="monitor", **cells),
        direct_beam([1000.0], by="monitor", **cells),
    )
    other = ratio(
        focused_beam([3000.0], by="monitor", **cells),
        direct_beam([2000.0], by="monitor", **strong),
    )
    assert other.area_cm2.value == pytest.approx(plain.area_cm2.value, rel=1e-12)
    assert named(plain, "monitor counts, image").relative == pytest.approx(5000**-0.5)


def test_net_monitor_counts_are_without_dead_time_and_background():
    cells = {
        "monitor_counts": 9000.0,
        "monitor_time": 100 * u.s,
        "monitor_dead_time_fraction": 0.1,
        "monitor_background": 500.0,
    }
    amount = exposure_amount(direct_beam([1.0], **cells).readings[0].exposure, "monitor")
    assert amount.value == pytest.approx(9000 / 0.9 - 500)
    assert amount.variance == pytest.approx(9000 / 0.9**2)


def test_what_both_beams_share_cancels():
    shares = throughput(
        filters=Uncertain(value=0.7, statistical=0.0, systematic=0.1),
        efficiency=Uncertain(value=0.5, statistical=0.0, systematic=0.1),
    )
    found = ratio(focused_beam([100.0], shares=shares), direct_beam([100.0], shares=shares))
    plain = ratio(focused_beam([100.0]), direct_beam([100.0]))
    assert found.area_cm2 == plain.area_cm2


def test_an_attenuator_in_the_direct_beam_counts_with_its_uncertainty():
    weak = throughput(filters=Uncertain(value=1e-3, statistical=0.0, systematic=2e-5))
    found = ratio(
        focused_beam([1e6], shares=throughput(filters=1.0)), direct_beam([1e4], shares=weak)
    )
    plain = ratio(focused_beam([1e6]), direct_beam([1e7]))
    assert found.area_cm2.value == pytest.approx(plain.area_cm2.value, rel=1e-12)
    term = named(found, "filter transmission, direct beam")
    assert (term.kind, term.relative) == ("systematic", pytest.approx(0.02))


def test_a_counter_needs_both_efficiencies():
    counter = direct_beam([1e4], counters=True, shares=throughput(efficiency=0.9))
    with pytest.raises(AreaError, match="detector efficiency of exposures beam_0 is not"):
        ratio(focused_beam([1e4]), counter)
    seen = throughput(efficiency=Uncertain(value=0.6, statistical=0.0, systematic=0.012))
    found = ratio(focused_beam([1e4], shares=seen), counter)
    flux_mm2 = 1e4 / 0.9 / 50 * (91.5 / 86) ** 2
    assert found.area_cm2.value == pytest.approx(1e4 / 0.6 / flux_mm2 / 100, rel=1e-12)
    term = named(found, "detector efficiency, image")
    assert term.relative == pytest.approx(-0.02)
    assert term.shared == "detector efficiency, image"  # at all energies


def test_a_share_known_in_one_beam_only_does_not_do():
    with pytest.raises(AreaError, match="filter transmission of exposures direct_0 is not"):
        ratio(focused_beam([9.0], shares=throughput(filters=0.5)), direct_beam([9.0]))


def test_light_of_other_energies_is_taken_out_of_both():
    found = ratio(
        focused_beam([1000.0], shares=throughput(line=0.9)),
        direct_beam([1000.0], shares=throughput(line=0.8)),
    )
    plain = ratio(focused_beam([900.0]), direct_beam([800.0]))
    assert found.area_cm2.value == pytest.approx(plain.area_cm2.value, rel=1e-12)
    assert "line_fraction" not in found.notes
    assert "assumed monochromatic" in plain.notes["line_fraction"]


def test_repeats_that_scatter_more_than_counting_widen_it():
    calm = ratio(focused_beam([1e4] * 4), direct_beam([1e4]))
    wild = ratio(focused_beam([0.9e4, 1.1e4, 0.95e4, 1.05e4]), direct_beam([1e4]))
    assert calm.focused.scatter == 1.0
    chi_square = 2 * (1000**2 + 500**2) / 1e4  # of Poisson counts about their mean
    assert wild.focused.chi_square == pytest.approx(chi_square)
    assert wild.focused.scatter == pytest.approx((chi_square / 3) ** 0.5)
    plain = named(calm, "photons in the image").relative
    wide = named(wild, "photons in the image").relative
    assert wide == pytest.approx(plain * wild.focused.scatter)


def test_places_of_the_direct_beam_tell_how_even_it_is():
    beam = direct_beam([9e5, 11e5, 10e5, 10e5])
    spread = [
        type(r)(**{**vars(r), "exposure": type(r.exposure)(
            **{**vars(r.exposure), "detector_x": k * u.mm, "detector_y": 0 * u.mm})})
        for k, r in enumerate(beam.readings)
    ]  # fmt: skip
    uneven = ratio(
        focused_beam([1e5]),
        type(beam)(**{**vars(beam), "readings": tuple(spread)}),
    )
    values = np.array([0.9, 1.1, 1.0, 1.0])
    expected = np.sqrt(values.var(ddof=1) - 1e-6) / 2
    assert named(uneven, "beam not even").relative == pytest.approx(-expected, rel=1e-3)
    same_place = ratio(focused_beam([1e5]), beam)
    assert not any(t.name == "beam not even" for t in same_place.terms)
    assert same_place.direct.scatter > 50


def test_lengths_are_common_to_all_energies():
    first = ratio(focused_beam([1e6]), direct_beam([1e6]))
    second = ratio(focused_beam([2e6]), direct_beam([1e6]))
    values = [first.area_cm2.value, second.area_cm2.value]
    matrix = covariance(values, [first.terms, second.terms], "systematic")
    # Pixel area 2·0.05 %; the source's distance adds 7e-6.
    assert matrix[0, 1] == pytest.approx(values[0] * values[1] * 1e-3**2, rel=1e-3)


def test_linearity_is_in_the_budget_where_it_is_declared():
    detector = type(DETECTOR)(**{**vars(DETECTOR), "linearity": 0.004})
    found = ratio(focused_beam([100.0]), direct_beam([100.0]), detector)
    assert named(found, "linearity of the detector").relative == 0.004
    assert "linearity" in ratio(focused_beam([100.0]), direct_beam([100.0])).notes


def test_few_counts_give_an_interval_to_one_side():
    found = ratio(focused_beam([4.0]), direct_beam([1e8]))
    value, (low, high) = found.area_cm2.value, found.interval_cm2
    # Garwood's limits of 4 counts are 2.086 and 7.163 (Gehrels 1986, tables 1 and 2).
    assert low / value == pytest.approx(2.0857 / 4, rel=2e-3)
    assert high / value == pytest.approx(7.1628 / 4, rel=2e-3)


def test_no_photons_and_no_beam_are_errors():
    with pytest.raises(MeasurementError, match="net photons; expected more than zero"):
        ratio(focused_beam([10.0]), direct_beam([-5.0]))
    cells = {"monitor_counts": 10.0, "monitor_background": 10.0, "monitor_time": 1 * u.s}
    with pytest.raises(MeasurementError, match="check monitor_counts"):
        ratio(
            focused_beam([10.0], by="monitor", **cells),
            direct_beam([5.0], by="monitor", **cells),
        )
