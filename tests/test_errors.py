"""Every error is one that a caller expects, and its text is fit for the user."""

import inspect

import pytest

from beamreduce import errors
from beamreduce.errors import BeamreduceError, CampaignError, OutputError, Problem

CLASSES = [
    member
    for _, member in inspect.getmembers(errors, inspect.isclass)
    if issubclass(member, Exception) and member.__module__ == errors.__name__
]


def problem(**changes):
    words = {
        "file": "campaign.toml",
        "item": "detector.gain",
        "found": "'2.0'",
        "expected": "a number and a unit",
        "action": "add the unit",
    }
    return Problem(**{**words, **changes})


@pytest.mark.parametrize("kind", CLASSES, ids=lambda kind: kind.__name__)
def test_one_class_catches_them_all(kind):
    assert issubclass(kind, BeamreduceError)


@pytest.mark.parametrize("kind", CLASSES, ids=lambda kind: kind.__name__)
def test_each_is_also_the_built_in_error_a_caller_would_catch(kind):
    if kind is BeamreduceError:
        return
    assert issubclass(kind, OSError if kind is OutputError else ValueError)


@pytest.mark.parametrize("kind", CLASSES, ids=lambda kind: kind.__name__)
def test_the_text_is_the_message(kind):
    assert str(kind("gain must be above zero; got -1")) == "gain must be above zero; got -1"


def test_a_problem_says_where_what_expected_and_what_to_do():
    assert str(problem()) == (
        "campaign.toml: detector.gain: found '2.0'; expected a number and a unit; "
        "add the unit"
    )
    assert str(problem(item="")).startswith("campaign.toml: found '2.0'; ")


def test_a_campaign_error_carries_every_problem():
    both = [problem(), problem(item="detector.read_noise")]
    error = CampaignError(both)
    assert error.problems == tuple(both)
    assert str(error).splitlines() == [str(p) for p in both]


def test_a_campaign_error_may_be_one_sentence():
    error = CampaignError("no such folder")
    assert error.problems == ()
    assert str(error) == "no such folder"
