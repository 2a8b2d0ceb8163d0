"""One set of response files for all tests that only look at it."""

import pytest

from beamreduce.reduction.responses_run import write_responses
from tests.response.made_areas import write_areas


@pytest.fixture(scope="session")
def area_results(tmp_path_factory):
    return write_areas(tmp_path_factory.mktemp("areas") / "results")


@pytest.fixture(scope="session")
def response_set(area_results):
    return write_responses(area_results, area_results.parent / "responses")
