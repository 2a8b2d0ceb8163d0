"""Random streams hang on seed, measurement and purpose, and on nothing else."""

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from beamreduce.record import random_stream

words = st.text("abcXYZ019._-", min_size=1, max_size=12)


def first(*args):
    return random_stream(*args).integers(0, 2**63, 4).tolist()


@given(st.integers(0, 2**31), words, words)
def test_the_same_words_give_the_same_numbers(seed, identity, purpose):
    assert first(seed, identity, purpose) == first(seed, identity, purpose)


@given(st.integers(0, 2**31), words, words)
def test_any_other_word_gives_other_numbers(seed, identity, purpose):
    here = first(seed, identity, purpose)
    others = [
        first(seed + 1, identity, purpose),
        first(seed, identity + "2", purpose),
        first(seed, identity, purpose + "2"),
        first(seed, identity + purpose, ""),
    ]
    assert here not in others


def test_neighbouring_streams_are_not_correlated():
    one = random_stream(1, "A", "bootstrap").standard_normal(10_000)
    two = random_stream(1, "B", "bootstrap").standard_normal(10_000)
    # A correlation of independent numbers scatters by 1/√n = 0.01: four of these.
    assert abs(np.corrcoef(one, two)[0, 1]) < 0.04
