"""Options and fixtures that every room's tests share."""

import os
from importlib import resources
from pathlib import Path

import numpy as np  # noqa: F401 - loads the library whose threads are limited
import pytest
from hypothesis import HealthCheck, settings
from threadpoolctl import threadpool_limits

# Products of small matrices are slower by several threads, and much slower where several
# processes want the same cores. A fold runs so as well.
threadpool_limits(1)
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # for processes that tests start

# The same examples in every run; no deadline, since the first call compiles kernels.
settings.register_profile(
    "steady",
    deadline=None,
    derandomize=True,
    suppress_health_check=[HealthCheck.too_slow],
)
settings.load_profile("steady")


def pytest_addoption(parser):
    parser.addoption(
        "--whole-grid",
        action="store_true",
        help="run the slow proofs on their whole grid instead of the reduced one",
    )


@pytest.fixture(scope="session")
def whole_grid(request):
    """True when slow proofs shall run on their whole grid."""
    return request.config.getoption("--whole-grid")


@pytest.fixture(scope="session")
def small_campaign(tmp_path_factory):
    """The packaged small scenario, made once; nobody may write into it."""
    from beamreduce.simulate import simulate_campaign  # noqa: PLC0415

    folder = tmp_path_factory.mktemp("small") / "campaign"
    simulate_campaign("small", folder)
    return folder


@pytest.fixture(scope="session")
def few_maps(tmp_path_factory):
    """A hundred made reflectors with their truth beside; nobody may write into them."""
    from beamreduce.simulate import simulate_reflectors  # noqa: PLC0415

    folder = tmp_path_factory.mktemp("few") / "maps"
    scenario = Path(__file__).parent / "reflectors" / "few_reflectors.toml"
    simulate_reflectors(scenario, folder)
    return folder


@pytest.fixture(scope="session")
def few_quadrants(tmp_path_factory):
    """The packaged quadrants with few nestings and photons; nobody may write into it.

    Its rows say that the light is visible, so that no slope errors are folded: that takes
    long, and ``tests/procedure`` does it.
    """
    from beamreduce.simulate import simulate_campaign  # noqa: PLC0415

    folder = tmp_path_factory.mktemp("quadrants")
    packaged = resources.files("beamreduce.simulate") / "scenarios" / "quadrants.toml"
    text = packaged.read_text("utf-8")
    for before, after in (
        ('outer_radius = "90 mm"', 'outer_radius = "72 mm"'),
        ("photons = 400_000", "photons = 20_000"),
        ('frames = 3\nexposure_time = "60 s"', 'frames = 1\nexposure_time = "60 s"'),
        ('flux = "7 photon', 'flux = "40 photon'),
    ):
        assert before in text
        text = text.replace(before, after)
    scenario = folder / "few.toml"
    scenario.write_text(text, encoding="utf-8")
    simulate_campaign(scenario, folder / "campaign")
    table = folder / "campaign" / "exposures.ecsv"
    table.write_text(table.read_text().replace(" 4.511 ", " 0.00206 "))
    return folder / "campaign"
