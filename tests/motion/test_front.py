"""The front view against simulated knee paths."""

from __future__ import annotations

import numpy as np
import pytest

from fitwright.errors import InputError
from fitwright.motion.front import FrontSystematic, analyse_front
from fitwright.motion.trajectories import Trajectories

METHOD = {"dimension": "2-D", "state": "dynamic"}


@pytest.fixture
def front_film(even_crank):
    """Simulated: knees at 120 − 8 cos θ + 3 sin θ (left 110), pedals at 130 mm, ASIS at 120 mm and 900 mm high."""
    rng = np.random.default_rng(1)
    t = np.arange(0, 25, 1 / 60)
    names, points = [], []
    for side, sign, ahead, middle in (("left", -1, np.pi, 110.0), ("right", 1, 0.0, 120.0)):
        theta = even_crank(t, 87) + ahead
        knee_w = middle - 8 * np.cos(theta) + 3 * np.sin(theta)
        points += [np.column_stack([sign * knee_w, 400 + 170 * np.cos(theta - 0.5)]),
                   np.column_stack([np.full(t.size, sign * 130.0), 172.5 * np.cos(theta)]),
                   np.column_stack([np.full(t.size, sign * 120.0), np.full(t.size, 900.0)])]  # fmt: skip
        names += [f"patella_{side}", f"pedal_{side}", f"asis_{side}"]
    position = np.stack(points, axis=1)
    position = position + rng.normal(0, 0.4, position.shape)
    return Trajectories(tuple(names), t, position, np.full_like(position, 0.4), ("Z", "Y"), "simulated")


def test_paths_on_both_sides(front_film) -> None:
    """Truth: top −18 (left −28), 90° −7, BDC −2, range 2 √(8² + 3²) = 17.1 mm; within 0.3 mm."""
    ride = analyse_front(front_film, None, FrontSystematic(), METHOD)
    for side, shift in (("right", 0.0), ("left", -10.0)):
        path = ride.quantities[side]["knee_path_mm"]
        assert path["top"].value == pytest.approx(-18 + shift, abs=0.3)
        assert path["q90"].value == pytest.approx(-7 + shift, abs=0.3)
        assert path["bdc"].value == pytest.approx(-2 + shift, abs=0.3)
        assert path["range"].value == pytest.approx(17.09, abs=0.4)
    assert ride.cadence_rpm.value == pytest.approx(87, abs=0.05)


def test_given_crank_angle_is_used(front_film, even_crank) -> None:
    theta = even_crank(front_film.time_s, 87)
    ride = analyse_front(
        front_film, theta, FrontSystematic(), METHOD, yaw_deg={"right": 7 + 2 * np.cos(theta)}
    )
    yaw = ride.quantities["right"]["foot_yaw_deg"]
    assert (yaw["tdc"].value, yaw["bdc"].value) == pytest.approx((9, 5), abs=0.02)
    assert "foot_yaw_deg" not in ride.quantities["left"]


def test_path_to_the_hip_foot_line_and_its_loop(front_film) -> None:
    ride = analyse_front(front_film, None, FrontSystematic(), METHOD)
    theta = np.radians(0.0)
    knee_y, foot_y = 400 + 170 * np.cos(theta - 0.5), 172.5
    line = 130 + (knee_y - foot_y) / (900 - foot_y) * (120 - 130)
    assert ride.quantities["right"]["knee_to_line_mm"]["top"].value == pytest.approx(112 - line, abs=0.3)
    # Area of the ellipse w = −8 cos + 3 sin, y = 170 cos(θ − ½): ½∮(w dy − y dw)
    t = np.linspace(0, 2 * np.pi, 20001)
    w, y = -8 * np.cos(t) + 3 * np.sin(t), 170 * np.cos(t - 0.5)
    area = 0.5 * np.trapezoid(w * np.gradient(y, t) - y * np.gradient(w, t), t)
    loop = ride.quantities["right"]["knee_loop_mm2"]["mean"]
    assert loop.value == pytest.approx(area, abs=4 * loop.u + 5)


def test_roll_counts_by_height_and_depth_by_distance(front_film) -> None:
    """Roll u 0.5° over the height between knee and pedal at the top (≈ 377 mm) is 3.3 mm."""
    none = FrontSystematic(landmark_u_mm={})
    rolled = FrontSystematic(roll_u_deg=0.5, landmark_u_mm={})
    top = {name: analyse_front(front_film, None, s, METHOD).value("right", "knee_path_mm", "top").u
           for name, s in (("none", none), ("roll", rolled))}  # fmt: skip
    height = 400 + 170 * np.cos(0.5) - 172.5
    assert np.sqrt(top["roll"] ** 2 - top["none"] ** 2) == pytest.approx(np.radians(0.5) * height, rel=0.02)


def test_one_side_is_enough_and_none_is_refused(front_film) -> None:
    right = Trajectories(front_film.names[3:], front_film.time_s, front_film.position_mm[:, 3:],
                         front_film.u_mm[:, 3:], front_film.axes)  # fmt: skip
    assert set(analyse_front(right, None, FrontSystematic(), METHOD).quantities) == {"right"}
    neither = Trajectories(("asis_left",), front_film.time_s, front_film.position_mm[:, :1], front_film.u_mm[:, :1],
                           front_film.axes)  # fmt: skip
    with pytest.raises(InputError, match="both knee and pedal"):
        analyse_front(neither, None, FrontSystematic(), METHOD)
