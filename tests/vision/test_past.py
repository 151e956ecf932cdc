"""Where a marker has been: the compiled search for earlier passes, held against whole-array numpy."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from fitwright.vision.past import ALIKE_S, LEAST_AGO_S, SAME_PLACE_PX, Past
from fitwright.vision.past_kernel import _unlike


def _turning(rng, rpm=85.0, lasts_s=2.2, backward=False):
    time_s = np.cumsum(rng.uniform(0.008, 0.034, int(lasts_s / 0.021)))
    angle = 2 * np.pi * rpm / 60 * time_s
    uv = np.column_stack([400 + 110 * np.sin(angle), 300 - 90 * np.cos(angle)]) + rng.normal(
        0, 0.1, (len(angle), 2)
    )
    return Past(-time_s if backward else time_s, uv)


@given(st.integers(0, 10**6), st.booleans(), st.floats(62, 105))
def test_passes_are_whole_turns_ago(seed, backward, rpm):
    past = _turning(np.random.default_rng(seed), rpm, backward=backward)
    told = past.passes()
    ago = np.abs(past.time_s[-1] - np.array(told)) * rpm / 60
    assert len(told) >= 1
    assert ago == pytest.approx(np.round(ago), abs=0.04)
    assert (np.diff(ago) > 0.5).all()


@given(st.integers(0, 10**6), st.booleans())
def test_unlike_is_the_distance_in_place_and_gradient(seed, backward):
    past = _turning(np.random.default_rng(seed), backward=backward)
    t, uv = past.time_s, past.uv_px
    velocity = np.gradient(uv, t, axis=0)
    expected = np.hypot(*(uv - uv[-1]).T) + ALIKE_S * np.hypot(*(velocity - velocity[-1]).T)
    expected[np.abs(t - t[-1]) < LEAST_AGO_S] = np.inf
    got = [_unlike(t, uv, k, ALIKE_S, LEAST_AGO_S) for k in range(len(t))]
    assert got == pytest.approx(expected, abs=1e-9)


def test_a_marker_at_the_same_place_going_back_does_not_pass():
    time_s = np.arange(0, 1.0, 1 / 60)
    swing = np.column_stack([200 * np.cos(2 * np.pi * time_s), np.zeros_like(time_s)])
    past = Past(time_s[:46], swing[:46])  # a quarter turn back it was here on its way out
    assert past.passes() == []
    assert Past(time_s[:3], swing[:3]).passes() == []
    assert SAME_PLACE_PX < 200
