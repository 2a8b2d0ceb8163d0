"""What is written as TOML is read back by the standard library as it was."""

import math
import tomllib

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from beamreduce.record import toml_text

# TOML text is UTF-8, which has no lone surrogates.
TEXT = st.text(st.characters(exclude_categories=["Cs"]))
SIMPLE = st.one_of(TEXT, st.booleans(), st.integers(), st.floats(allow_nan=False))
LISTS = st.recursive(SIMPLE, lambda inner: st.lists(inner, max_size=4), max_leaves=8)
TABLES = st.recursive(
    st.dictionaries(TEXT, LISTS, max_size=4),
    lambda inner: st.dictionaries(TEXT, st.one_of(LISTS, inner), max_size=4),
    max_leaves=12,
)


@given(TABLES)
@example({"": {"": {}}})
@example({"a.b": {"c d": {"é": 1}}, "a": {"b": 2}})
@example({"\x7f": "\x7f", "\x00": "\x00\r\n\t\"\\'''"})
@example({"table": {"inner": {"deep": 1}}, "plain": 2})
@example({"list": [[], [1], ["a", ["b"]]], "mixed": [1, 2.0, "three", True]})
@example({"f": [1e16, 1e-7, 0.1, -0.0, math.inf, -math.inf, 5e-324, 1.0]})
def test_tables_come_back(settings):
    assert tomllib.loads(toml_text(settings)) == settings


@given(st.floats(allow_nan=False))
def test_numbers_keep_every_bit_and_their_kind(number):
    back = tomllib.loads(toml_text({"x": number}))["x"]
    assert isinstance(back, float)
    assert (back, math.copysign(1, back)) == (number, math.copysign(1, number))


def test_none_is_left_out():
    assert tomllib.loads(toml_text({"a": None, "b": {"c": None}})) == {"b": {}}


def test_lists_of_mappings_are_arrays_of_tables():
    nested = {
        "a": 1,
        "b": [{"c": 2, "d": {"e": "f"}}, {"g": [3.0]}, {}],
        "h": {"i": [{"j": 4}]},
    }
    text = toml_text(nested)
    assert "[[b]]" in text
    assert "[[h.i]]" in text
    assert tomllib.loads(text) == nested


def test_tuples_are_lists():
    assert tomllib.loads(toml_text({"a": (1, (2, 3))})) == {"a": [1, [2, 3]]}


@pytest.mark.parametrize("value", [object(), {1, 2}, 1 + 2j, [None], [{"a": 1}, 2]])
def test_what_has_no_form_is_refused(value):
    with pytest.raises(TypeError, match="has no form in TOML"):
        toml_text({"a": value})


def test_the_text_is_as_a_person_would_write_it():
    settings = {"format": "x/1", "reduction": {"radius": "6 mm", "seed": 1}, "cards": {}}
    assert toml_text(settings) == (
        'format = "x/1"\n\n[reduction]\nradius = "6 mm"\nseed = 1\n\n[cards]\n'
    )
