"""Where truths of the independent trace are kept between runs."""

from pathlib import Path

import pytest


@pytest.fixture(scope="session")
def truths(request, tmp_path_factory):
    """A folder for truths, named by the code and the question that they come from."""
    cache = getattr(request.config, "cache", None)
    if cache is None:
        return tmp_path_factory.mktemp("truths")
    return Path(cache.mkdir("independent_truths"))
