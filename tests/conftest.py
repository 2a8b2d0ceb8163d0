"""Options and fixtures that every room's tests share."""

import pytest


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
