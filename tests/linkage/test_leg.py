"""The closed-form leg: worked figures, closure, broadcasting, and what it refuses."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from fitwright.errors import InputError
from fitwright.linkage.leg import extremes, pose_arrays, solve, whole_turn


@pytest.mark.parametrize(
    ("saddle", "low", "high"), [(705, 33.80, 111.88), (710, 31.34, 111.04), (700, 36.10, 112.71)]
)
def test_worked_figures(worked_leg, saddle, low, high):
    """Our own worked figures, computed twice independently (not published)."""
    e = extremes(worked_leg(saddle))
    assert e.low == pytest.approx(low, abs=0.005)
    assert e.high == pytest.approx(high, abs=0.006)


def test_where_the_extremes_lie(worked_leg):
    e = extremes(worked_leg(705))
    assert e.low_at_deg == pytest.approx(172.9, abs=0.06)
    assert e.high_at_deg == pytest.approx(356.3, abs=0.06)
    assert e.bdc == pytest.approx(34.21, abs=0.005)


def test_extremes_are_those_of_a_fine_grid(worked_leg):
    """The parabola through three whole degrees against 0.001° of crank."""
    leg = worked_leg(705)
    for quantity in ("knee_flexion_deg", "ankle_plantarflexion_deg", "thigh_below_horizontal_deg"):
        e = extremes(leg, quantity)
        for value, at, pick in ((e.low, e.low_at_deg, np.argmin), (e.high, e.high_at_deg, np.argmax)):
            theta = at + np.linspace(-1.5, 1.5, 3001)
            fine = getattr(solve(leg, theta), quantity)
            assert value == pytest.approx(float(fine[pick(fine)]), abs=1e-5)
            assert at == pytest.approx(float(theta[pick(fine)]), abs=5e-3)


def test_a_kept_turn_may_not_be_written_to(worked_leg):
    assert whole_turn(worked_leg(705)) is whole_turn(worked_leg(705))
    with pytest.raises(ValueError, match="read-only"):
        whole_turn(worked_leg(705)).knee_x[0] = 1.0


def test_segments_keep_their_length_and_the_knee_lies_forward(worked_leg):
    leg = worked_leg(705)
    p = solve(leg)
    thigh = np.hypot(p.knee_x - p.hip_x, p.knee_y - p.hip_y)
    shank = np.hypot(p.knee_x - p.malleolus_x, p.knee_y - p.malleolus_y)
    foot = np.hypot(p.axle_x - p.malleolus_x, p.axle_y - p.malleolus_y)
    assert np.max(np.abs(thigh - 405)) < 1e-9
    assert np.max(np.abs(shank - 420)) < 1e-9
    assert np.max(np.abs(foot - np.hypot(125, 105))) < 1e-9
    middle = (p.hip_x + p.malleolus_x) / 2
    assert np.all(p.knee_x > middle)


def test_signs_of_the_ankle():
    """Shank upright over a level sole is 0; heel up by 20° under the same shank is +20 (plantar-flexion)."""
    for beta in (0.0, 20.0, -15.0):
        p = pose_arrays(
            thigh=400, shank=400, a=0, b=100, crank=170, hip_x=0, hip_y=690, beta_deg=beta, theta_deg=180.0
        )
        shank = np.degrees(np.arctan2(p.knee_x - p.malleolus_x, p.knee_y - p.malleolus_y))
        assert float(p.ankle_plantarflexion_deg) == pytest.approx(beta - float(shank), abs=1e-9)


def test_riders_broadcast_against_crank_angles():
    theta = np.arange(0, 360, 30.0)
    thigh = np.array([[405.0], [420.0], [390.0]])
    p = pose_arrays(
        thigh=thigh, shank=420, a=125, b=105, crank=172.5, hip_x=-190, hip_y=745, beta_deg=15.0, theta_deg=theta
    )  # fmt: skip
    assert p.knee_flexion_deg.shape == (3, 12)
    one = pose_arrays(
        thigh=420, shank=420, a=125, b=105, crank=172.5, hip_x=-190, hip_y=745, beta_deg=15.0, theta_deg=theta
    )  # fmt: skip
    np.testing.assert_allclose(p.knee_flexion_deg[1], one.knee_flexion_deg)


def test_out_of_reach_says_where_and_by_how_much(worked_leg):
    leg = replace(worked_leg(705), hip_y_mm=850.0)
    with pytest.raises(InputError, match=r"cannot reach the pedal at crank angle 17\d°: \d+\.\d mm short"):
        solve(leg)
    # Lengthening the shank by what is missing (and a hair) lets it reach: the number is right.
    try:
        solve(leg)
    except InputError as error:
        missing = float(str(error).split(": ")[2].split(" mm")[0])
    solve(replace(leg, shank_mm=leg.shank_mm + missing + 0.1))
    with pytest.raises(InputError):
        solve(replace(leg, shank_mm=leg.shank_mm + missing - 0.2))


def test_too_close_is_said(worked_leg):
    leg = replace(worked_leg(705), thigh_mm=640.0, shank_mm=210.0, hip_y_mm=400.0)
    with pytest.raises(InputError, match="cannot fold so far"):
        solve(leg)


@pytest.mark.parametrize(
    ("field", "value"),
    [
        ("thigh_mm", 17.0),
        ("shank_mm", float("nan")),
        ("crank_mm", -5.0),
        ("hip_y_mm", 7.0),
        ("crank_mm", 900.0),
    ],
)
def test_absurd_numbers_are_refused_by_name(worked_leg, field, value):
    with pytest.raises(InputError, match=field):
        solve(replace(worked_leg(705), **{field: value}))


@pytest.mark.parametrize("crank", [140.0, 155.0, 180.0])
@pytest.mark.parametrize("scale", [1400 / 1756, 1.0, 2100 / 1756])
def test_small_and_tall_riders_on_short_and_long_cranks(worked_leg, crank, scale):
    leg = worked_leg(705)
    hip_y = (leg.hip_y_mm + 172.5) * scale - crank
    solved = solve(replace(
        leg, thigh_mm=405 * scale, shank_mm=420 * scale, axle_to_malleolus_x_mm=125 * scale,
        axle_to_malleolus_y_mm=105 * scale, crank_mm=crank, hip_x_mm=leg.hip_x_mm * scale, hip_y_mm=hip_y,
    ))  # fmt: skip
    assert np.all(np.isfinite(solved.knee_flexion_deg))


@given(
    st.floats(330, 500), st.floats(330, 500), st.floats(90, 150), st.floats(80, 130), st.floats(0, 360),
    st.floats(-15, 40),
)  # fmt: skip
def test_closure_on_random_legs(thigh, shank, a, b, theta, beta):
    """Law of cosines against the knee's coordinates, for any leg that reaches."""
    p = pose_arrays(
        thigh=thigh, shank=shank, a=a, b=b, crank=172.5, hip_x=-190, hip_y=700, beta_deg=beta, theta_deg=theta
    )
    if np.isnan(p.knee_x):
        d = np.hypot(float(p.malleolus_x) + 190, float(p.malleolus_y) - 700)
        assert d > thigh + shank or d < abs(thigh - shank)
        return
    u = np.array([p.hip_x - p.knee_x, p.hip_y - p.knee_y])
    v = np.array([p.malleolus_x - p.knee_x, p.malleolus_y - p.knee_y])
    inner = np.degrees(np.arctan2(abs(u[0] * v[1] - u[1] * v[0]), u @ v))
    assert 180 - inner == pytest.approx(float(p.knee_flexion_deg), abs=1e-5)


def test_many_poses_in_pieces_are_the_same_poses():
    """20 000 poses go through in several pieces, the last one shorter; each is what it is alone."""
    rng = np.random.default_rng(7)
    n = 20_001
    many = {
        "thigh": rng.uniform(380, 430, n), "shank": rng.uniform(390, 440, n), "a": rng.uniform(100, 140, n),
        "hip_y": rng.uniform(650, 700, n), "beta_deg": rng.uniform(0, 30, n), "theta_deg": rng.uniform(0, 360, n),
    }  # fmt: skip
    rest = {"b": 105.0, "crank": 172.5, "hip_x": -190.0}
    whole = pose_arrays(**many, **rest)
    for i in (0, 8191, 8192, 16383, 16384, n - 1):
        alone = pose_arrays(**{k: v[i] for k, v in many.items()}, **rest)
        for name in (
            "knee_x",
            "knee_y",
            "malleolus_x",
            "knee_flexion_deg",
            "ankle_plantarflexion_deg",
            "hip_x",
        ):
            np.testing.assert_array_equal(getattr(whole, name)[i], getattr(alone, name))
