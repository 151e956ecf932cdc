"""Where a marker has been: the compiled search for earlier passes, held against whole-array numpy."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fitwright.vision.past import (
    ALIKE_S,
    LEAST_AGO_S,
    LONGEST_STEP_S,
    MEMORY_S,
    SAME_PLACE_PX,
    SEEN_S,
    Past,
    Paths,
)
from fitwright.vision.past_kernel import mostly_at, unlike
from fitwright.vision.step_kernel import LONGEST_PATH


def _turning(rng, rpm=85.0, lasts_s=2.2, backward=False):
    time_s = np.cumsum(rng.uniform(0.006, 0.014, int(lasts_s / 0.01)))
    angle = 2 * np.pi * rpm / 60 * time_s
    uv = np.column_stack([400 + 110 * np.sin(angle), 300 - 90 * np.cos(angle)]) + rng.normal(
        0, 0.1, (len(angle), 2)
    )
    return Past(-time_s if backward else time_s, uv)


@settings(deadline=None)  # the first call compiles
@given(st.integers(0, 10**6), st.booleans(), st.floats(62, 105))
def test_passes_are_whole_turns_ago(seed, backward, rpm):
    past = _turning(np.random.default_rng(seed), rpm, backward=backward)
    told = past.passes
    ago = np.abs(past.time_s[-1] - np.array(told)) * rpm / 60
    assert len(told) >= 1
    assert ago == pytest.approx(np.round(ago), abs=0.04)
    assert (np.diff(ago) > 0.5).all()


@settings(deadline=None)  # the first call compiles
@given(st.integers(0, 10**6), st.booleans(), st.sampled_from([SAME_PLACE_PX, np.inf]))
def test_unlike_is_the_distance_in_place_and_gradient(seed, backward, within_px):
    past = _turning(np.random.default_rng(seed), backward=backward)
    t, uv = past.time_s, past.uv_px
    velocity = np.gradient(uv, t, axis=0)
    expected = np.hypot(*(uv - uv[-1]).T) + ALIKE_S * np.hypot(*(velocity - velocity[-1]).T)
    expected[(np.abs(t - t[-1]) < LEAST_AGO_S) | (np.hypot(*(uv - uv[-1]).T) > within_px)] = np.inf
    got = unlike(t, uv, ALIKE_S, LEAST_AGO_S, within_px)
    assert got == pytest.approx(expected, abs=1e-9)


def test_a_marker_at_the_same_place_going_back_does_not_pass():
    time_s = np.arange(0, 1.0, 1 / 60)
    swing = np.column_stack([200 * np.cos(2 * np.pi * time_s), np.zeros_like(time_s)])
    past = Past(time_s[:46], swing[:46])  # a quarter turn back it was here on its way out
    assert past.passes == []
    assert Past(time_s[:3], swing[:3]).passes == []
    assert SAME_PLACE_PX < 200


def test_extent_and_top_speed_are_those_of_whole_arrays():
    past = _turning(np.random.default_rng(3))
    steps = np.abs(np.diff(past.time_s))
    speed = np.hypot(*np.diff(past.uv_px, axis=0).T) / steps
    assert past.extent_px == pytest.approx(np.ptp(past.uv_px, axis=0).max())
    assert past.top_speed == pytest.approx(speed[steps < 2.5 * np.median(steps)].max())


def test_a_path_that_has_outgrown_its_room_tells_its_last_places_in_order():
    paths, written = Paths(2), 2 * LONGEST_PATH + 41
    paths.remember(1, ((0.01 * k, np.array([k, -k])) for k in range(written)))
    now_s = np.array([0.0, 0.01 * (written - 1)])
    paths.forget(1, 0.01 * (written - 5) - 1e-6, 0.0)
    past = paths.past(1, now_s)
    kept = np.arange(written - 1 - round(MEMORY_S / 0.01), written - 5)
    assert past.time_s == pytest.approx(0.01 * kept)
    assert past.uv_px == pytest.approx(np.column_stack([kept, -kept]))
    assert len(paths.past(0, now_s).time_s) == 0


def test_only_what_was_remembered_since_is_forgotten_on_the_way_back_too():
    paths = Paths(1)
    paths.remember(0, ((5.0 - 0.1 * k, np.array([k, 0.0])) for k in range(30)))
    paths.forget(0, 2.95, 3.2)
    assert paths.past(0, np.array([3.0])).time_s[-1] == pytest.approx(3.0)
    assert paths.past(0, np.array([3.0])).time_s[0] == pytest.approx(5.0)


def test_between_samples_a_place_lies_on_the_way_and_across_a_gap_it_is_not_told():
    time_s = np.array([0.0, 0.02, 0.04, 0.06, 0.5, 0.52])
    past = Past(time_s, np.column_stack([100 * time_s, 50 - 20 * time_s]))
    place, velocity, _ = past.at(0.027)
    assert place == pytest.approx([2.7, 50 - 0.54])
    assert velocity == pytest.approx([100, -20])
    assert past.at(0.3) is None
    assert past.at(0.07)[0] == pytest.approx([7.0, 48.6])
    assert Past(-time_s, past.uv_px).at(-0.027)[1] == pytest.approx([-100, 20])
    times = [0.011, 0.027, 0.3, 0.052]
    places, speeds, _ = zip(*[a for a in map(past.at, times) if a is not None], strict=True)
    told, *middle, du, dv, _, _ = mostly_at(past.time_s, past.uv_px, np.array(times), SEEN_S, LONGEST_STEP_S)
    assert told
    assert middle == pytest.approx(np.median(places, axis=0))
    assert [du, dv] == pytest.approx(speeds[1])
    assert not mostly_at(past.time_s, past.uv_px, np.array([0.3]), SEEN_S, LONGEST_STEP_S)[0]


def test_acceleration_is_told_between_two_neighbours():
    time_s = np.array([0.0, 0.015, 0.035, 0.05, 0.4])
    fall = Past(time_s, np.column_stack([3 * time_s, 100 * time_s**2]))
    assert fall.at(0.016)[2] == pytest.approx([0, 200], abs=1e-6)
    assert fall.at(0.05)[2] == pytest.approx([0, 0])  # at an end it is not
