"""A mirror whose axis does not look at the source: quadrants tell where it looks.

The made mirror leans as a whole. A point of its axis at z downstream moves sideways by the
lean times z, so that at the source, L upstream, the axis passes by the lean times L on the
other side: that is where the source would have to be.
"""

import json
import math
from pathlib import Path

import pytest

from beamreduce.reduction import RunOptions, reduce_campaign
from beamreduce.simulate import simulate_campaign

SMALL = Path(__file__).parents[1] / "reduction" / "few_nestings.toml"
LEAN = (0.5, -0.35)  # arcmin
BEAM = """
[[made.exposures]]
name = "quadrant_{k}"
kind = "beam"
line = "Ti"
frames = 2
exposure_time = "8000 s"
detector_distance = "5544 mm"
aperture = "Q{k}"
"""
DIRECT = """
[[made.exposures]]
name = "direct_Ti"
kind = "direct"
line = "Ti"
frames = 2
exposure_time = "2000 s"
detector_distance = "5544 mm"
aperture = "open"
background = "direct_off_Ti"

[[made.exposures]]
name = "direct_off_Ti"
kind = "background"
line = "Ti"
frames = 2
exposure_time = "2000 s"
aperture = "open"
"""


def scenario(folder):
    text = SMALL.read_text(encoding="utf-8")
    lean = f'["{LEAN[0]} arcmin", "{LEAN[1]} arcmin"]'
    tilts = "".join(f"tilt_Q{k} = {lean}\n" for k in (1, 2, 3, 4))
    text = text.replace("[made.sensor]", f"{tilts}\n[made.sensor]", 1)
    quadrants = "".join(BEAM.format(k=k) for k in (1, 2, 3, 4))
    # The whole mirror is not looked at: a second distance of it would cost a minute.
    head, _, _ = text.partition('[[made.exposures]]\nname = "near"')
    # Light far out is told from background by as much beam-off time.
    head = head.replace('exposure_time = "200 s"', 'exposure_time = "8000 s"', 1)
    path = folder / "leaning.toml"
    path.write_text(head + quadrants + DIRECT, encoding="utf-8")
    return path


@pytest.mark.slow
@pytest.mark.procedure
def test_quadrants_tell_where_the_axis_looks(tmp_path, whole_grid):
    if not whole_grid:
        pytest.skip("four folds: runs with --whole-grid")
    simulate_campaign(scenario(tmp_path), tmp_path / "c")
    done = reduce_campaign(
        tmp_path / "c", tmp_path / "r", options=RunOptions(figures=False)
    )
    stored = json.loads((done.folder / "results.json").read_text(encoding="utf-8"))
    (entry,) = stored["off_axis"]
    axis = entry["optical_axis"]["from_quadrants"]
    for key, lean in zip(("x_arcmin", "y_arcmin"), LEAN, strict=True):
        found = axis[key]
        # Two numbers, each beyond 3.5 standard uncertainties with a chance of 0.05 %.
        assert abs(found["value"] + lean) < 3.5 * found["uncertainty"], (key, found)
        assert found["uncertainty"] < 0.1, found  # else it would hold by being wide
    # Quadrants scaled to the whole turn differ by their tilt, and agree once it is out.
    whole = entry["whole_from_quadrants"]
    plain, corrected = (
        [one[key] for one in whole] for key in ("scaled_cm2", "corrected_cm2")
    )
    assert max(plain) / min(plain) > 1.1
    spread = math.sqrt(sum((c / (sum(corrected) / 4) - 1) ** 2 for c in corrected) / 3)
    assert spread < 0.03
