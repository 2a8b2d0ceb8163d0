import dataclasses

import numpy as np
import pytest

from beamreduce.raytrace import RayList
from beamreduce.simulate.exposures_plan import plan_exposures
from beamreduce.simulate.focal_light import settings_of
from beamreduce.simulate.true_images import (
    best_focus_mm,
    detected_image,
    image_at,
    mean_of,
    trace_setting,
)


def gaussian_rays(parts, rays, *, focus_mm, waist_mm, seed):
    """Rays from a Gaussian waist, so wide there, that spread by 0.02 on both sides."""
    rng = np.random.default_rng(seed)
    found = []
    for _ in range(parts):
        slope = 0.02 * rng.standard_normal((2, rays))
        start = waist_mm * rng.standard_normal((2, rays)) - slope * focus_mm
        area = np.stack([np.ones(rays), 2 * np.ones(rays)])
        one = RayList(
            start_mm=start, slope=slope, area_mm2=area, focused=np.ones(rays, dtype=bool)
        )
        found.append(one)
    return found


def test_a_gaussian_has_its_diameters_areas_and_errors():
    rays = gaussian_rays(20, 4000, focus_mm=5000, waist_mm=1.0, seed=91)
    image = image_at(rays, 5000.0, 1, 3.0)
    # Inside 3 σ: 1 - exp(-4.5); a share p of that within σ √(-2 ln(1 - p·inside)).
    inside = 1 - np.exp(-4.5)
    for name, share in (("hpd", 0.5), ("w90", 0.9)):
        number = image.quantity(name)
        expected = 2 * np.sqrt(-2 * np.log(1 - share * inside))
        assert number.value == pytest.approx(expected, abs=4 * number.statistical)
    n = 80_000 * inside
    # HPD of a Gaussian errs by 0.7213 HPD/√N; an error of 20 parts is good to 16 %.
    stated = image.quantity("hpd").statistical
    assert stated == pytest.approx(0.7213 * 2.3548 / n**0.5, rel=4 * 0.16)
    assert image.area_cm2.value == pytest.approx(2 * 4000 / 100)
    noise = 4 * np.sqrt(inside * (1 - inside) / 80_000)
    assert image.area_within_cm2.value == pytest.approx(80 * inside, rel=noise)
    assert image.beyond.value == pytest.approx(1 / inside - 1, abs=2 * noise)


def test_stray_light_counts_in_the_image_and_in_no_area():
    rays = gaussian_rays(2, 4000, focus_mm=5000, waist_mm=1.0, seed=92)
    marked = [
        dataclasses.replace(part, focused=np.arange(part.focused.size) % 2 == 0)
        for part in rays
    ]
    image, whole = (image_at(r, 5000.0, 0, 50.0) for r in (marked, rays))
    # Centers settle to 2/4000 of the radius of 50, whose square the diameter feels.
    hpd = whole.quantity("hpd").value
    assert image.quantity("hpd").value == pytest.approx(hpd, rel=1e-3)
    assert image.area_within_cm2 == whole.area_within_cm2
    assert image.area_cm2.value == whole.area_cm2.value / 2


@pytest.mark.parametrize("away", [-60.0, 5.0, 110.0])
def test_best_focus_is_found_with_its_error(away):
    # A waist at 5000 + away; the scan begins at 5000 with a length of 90 mm.
    found = [
        best_focus_mm(
            gaussian_rays(8, 2000, focus_mm=5000 + away, waist_mm=0.5, seed=930 + k),
            0, 0.004, (5000.0, 90.0),
        )
        for k in range(12)
    ]  # fmt: skip
    values = np.array([one.value for one in found])
    stated = np.sqrt(np.mean([one.statistical**2 for one in found]))
    # The angle, so that its least lies behind the waist by w²/(s² z): 0.125 mm.
    expected = 5000 + away + 0.5**2 / 0.02**2 / 5000
    assert values.mean() == pytest.approx(expected, abs=4 * stated / 12**0.5)
    # Scatter of 12 is good to 21 %, a jackknife over 8 parts to 27 % each.
    assert values.std(ddof=1) == pytest.approx(stated, rel=4 * np.hypot(0.21, 0.08))


def test_stated_errors_are_the_scatter_of_repeats(made):
    """True numbers by other seeds differ as much as their errors say."""
    plan = [e for e in plan_exposures(made.scenario) if e.source.name == "focus"]
    (setting,) = settings_of(plan)
    energy = made.energy_index("Ti")
    found = []
    for seed in range(700, 716):
        other = dataclasses.replace(
            made, scenario=dataclasses.replace(made.scenario, seed=seed)
        )
        rays = trace_setting(other, setting, parallel=False)
        near = detected_image(other, rays, setting, 5544.0)[energy]
        far = image_at(trace_setting(other, setting, parallel=True), 5200.0, energy, 4.7)
        numbers = (near.quantity("hpd"), near.quantity("w90"), far.quantity("hpd"),
                   far.area_within_cm2, *near.center)  # fmt: skip
        found.append([(one.value, one.statistical) for one in numbers])
    found = np.array(found)
    scatter = found[..., 0].std(axis=0, ddof=1)
    stated = np.sqrt((found[..., 1] ** 2).mean(axis=0))
    # A scatter of 16 is good to 18 %, a stated one (16 times 20 parts) to 4 %.
    assert scatter == pytest.approx(stated, rel=4 * 0.19)


def test_the_mean_of_parts_and_its_error():
    value = mean_of([1.0, 2.0, 3.0, 6.0])
    assert value.value == 3
    assert value.statistical == pytest.approx(np.sqrt(14 / 3 / 4))
