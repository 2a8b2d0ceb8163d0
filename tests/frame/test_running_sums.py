import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from beamreduce.errors import FrameError
from beamreduce.frame import Frame, sum_frames


def as_frames(stack):
    return [Frame(name=f"f{i}", pixels=pixels) for i, pixels in enumerate(stack)]


@settings(max_examples=30, deadline=None)
@given(
    st.sampled_from(["u1", "i2", "u2", "i4", "f4", "f8"]),
    st.integers(2, 9),
    st.integers(0, 2**31),
)
def test_sums_are_those_of_the_whole_stack(dtype, count, seed):
    rng = np.random.default_rng(seed)
    stack = rng.integers(0, 256, (count, 3, 4)).astype(dtype)
    sums = sum_frames(as_frames(stack))
    # Whole numbers below 2^53: the sums are exact.
    np.testing.assert_array_equal(sums.total(), stack.sum(axis=0, dtype=float))
    np.testing.assert_array_equal(sums.low, stack.min(axis=0))
    np.testing.assert_array_equal(sums.high, stack.max(axis=0))
    np.testing.assert_allclose(
        sums.scatter_variance(), stack.var(axis=0, ddof=1, dtype=float), atol=1e-9
    )


def test_small_scatter_on_a_large_pedestal_is_not_lost():
    rng = np.random.default_rng(2)
    stack = 1e9 + rng.normal(0, 1e-3, (40, 5, 5))
    # Rounding of 1e9 to float64 is 1e-7, a ten-thousandth of the scatter.
    np.testing.assert_allclose(
        sum_frames(as_frames(stack)).scatter_variance(),
        stack.var(axis=0, ddof=1),
        rtol=1e-3,
    )


def test_pixels_without_data_in_any_frame_are_told():
    stack = np.ones((3, 4, 5))
    stack[0, 0, 0] = np.nan
    stack[1, 2, 3] = np.inf
    stack[2, 3, 4] = -np.inf
    sums = sum_frames(as_frames(stack))
    assert np.argwhere(sums.without_data).tolist() == [[0, 0], [2, 3], [3, 4]]
    assert np.isfinite(sums.total()).all()
    assert np.isfinite(sums.scatter_variance()).all()
    assert sums.total()[1, 1] == 3


def test_types_may_differ_between_frames():
    frames = as_frames([np.full((2, 2), 7, "u2"), np.full((2, 2), -4, "i2"),
                        np.full((2, 2), 1e6, "f4")])  # fmt: skip
    sums = sum_frames(frames)
    assert sums.low[0, 0] == -4
    assert sums.high[0, 0] == 1e6
    assert sums.total()[0, 0] == 1e6 + 3


def test_inputs_are_not_touched():
    stack = np.ones((3, 4, 5))
    stack.flags.writeable = False
    sum_frames(as_frames(stack))


def test_another_shape_names_both_files():
    frames = [
        Frame(name="one.fits", pixels=np.ones((4, 5))),
        Frame(name="two.fits", pixels=np.ones((5, 4))),
    ]
    message = r"two\.fits: found 4 x 5 .*; expected 5 x 4 .*like one\.fits"
    with pytest.raises(FrameError, match=message):
        sum_frames(frames)


def test_no_frame_is_an_error():
    with pytest.raises(FrameError, match="at least one frame to add up; got none"):
        sum_frames([])


def test_one_frame_has_no_scatter():
    with pytest.raises(FrameError, match="f0: scatter must come from at least 2 frames"):
        sum_frames(as_frames(np.ones((1, 2, 2)))).scatter_variance()
