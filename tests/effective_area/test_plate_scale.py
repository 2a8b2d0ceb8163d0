from dataclasses import replace

import numpy as np
import pytest

from beamreduce.effective_area.plate_scale import ImagePlace, plate_scale
from beamreduce.errors import MeasurementError

DISTANCE = 5534.65
MM_PER_ARCMIN = DISTANCE * np.radians(1 / 60)


def places(directions, *, turn_deg=0.0, flip=1.0, noise=0.0, rng=None):
    turn = np.exp(1j * np.radians(turn_deg))
    found = []
    for k, (x, y) in enumerate(directions):
        place = MM_PER_ARCMIN * turn * (x + 1j * flip * y) + (10.0 + 8.0j)
        if noise:
            place += noise * (rng.standard_normal() + 1j * rng.standard_normal())
        found.append(
            ImagePlace(
                id=str(k),
                off_axis_arcmin=(x, y),
                center_mm=(place.real, place.imag),
                uncertainty_mm=noise or 1e-3,
            )
        )
    return found


@pytest.mark.parametrize(("turn", "flip"), [(0.0, 1.0), (180.0, 1.0), (37.0, -1.0)])
def test_a_shifted_source_moves_its_image_by_the_distance_times_the_angle(turn, flip):
    """One radian over D, whichever way the detector is turned or flipped."""
    made = places([(0, 0), (3, 0), (0, 3), (2, -2)], turn_deg=turn, flip=flip)
    found = plate_scale(made, DISTANCE)
    assert found.arcsec_per_mm.value == pytest.approx(206264.806247 / DISTANCE, rel=1e-9)
    assert found.expected_arcsec_per_mm == pytest.approx(206264.806247 / DISTANCE, rel=1e-9)
    assert np.abs(found.residuals_mm).max() < 1e-9


def test_the_scale_scatters_as_its_uncertainty_says():
    rng = np.random.default_rng(20261128)
    pulls = []
    for _ in range(400):
        made = places([(0, 0), (3, 0), (0, 3), (-3, 0)], noise=0.02, rng=rng)
        found = plate_scale(made, DISTANCE)
        size = found.arcsec_per_mm
        pulls.append((size.value - found.expected_arcsec_per_mm) / size.statistical)
    # The rms of 400 is 1 ± 0.035; three of these.
    assert np.sqrt(np.mean(np.square(pulls))) == pytest.approx(1.0, abs=0.11)


def test_images_of_one_place_tell_no_scale():
    with pytest.raises(MeasurementError, match="two different places"):
        plate_scale(places([(3, 0), (3, 0)]), DISTANCE)


def test_the_model_moves_the_scale_by_what_it_moves_the_images():
    """Images that lag by 1 % of their way: the scale of the model is 1/0.99 of it."""
    made = places([(0, 0), (3, 0), (0, -3)])
    lag = 0.01 * DISTANCE * np.tan(np.radians(3 / 60))
    models = [(0.0, 0.0), (lag, 0.0), (0.0, -lag)]
    made = [replace(p, model_mm=m) for p, m in zip(made, models, strict=True)]
    found = plate_scale(made, DISTANCE, 5e-4)
    model = found.model_arcsec_per_mm
    assert model.value == pytest.approx(found.expected_arcsec_per_mm / 0.99, rel=1e-6)
    assert model.model == pytest.approx(model.value - found.expected_arcsec_per_mm)
    scale = found.arcsec_per_mm
    assert scale.systematic == pytest.approx(5e-4 * scale.value)
    assert plate_scale([*made, places([(1, 1)])[0]], DISTANCE).model_arcsec_per_mm is None
