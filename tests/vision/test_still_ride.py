"""Static angles from one simulated picture: a camera as people hold it, landmarks a little off, honest intervals."""

from __future__ import annotations

import numpy as np
import pytest

from fitwright.errors import InputError
from fitwright.linkage.leg import solve
from fitwright.linkage.twin import LegTwin
from fitwright.motion.angles import joint_angles
from fitwright.motion.placement import DEFAULT_LANDMARK_U_MM
from fitwright.vision.camera import Pinhole
from fitwright.vision.scene import DEPTH_MM, Scene
from fitwright.vision.still_ride import POINTS, QUANTITIES, read_still

SIZE = (4000, 3000)
LEG = LegTwin(405.0, 420.0, 125.0, 105.0, 172.5, -190.0, 745.0, 15.0, (-6.0, 0.0), (10.4, 0.0))
PLUMB = {"plumb_top": (-700.0, 1200.0), "plumb_bottom": (-700.0, -100.0)}


def body() -> dict[str, np.ndarray]:
    """Places in the bike frame, the crank down, mm."""
    pose = solve(LEG, [180.0])
    at = {"greater_trochanter": (LEG.hip_x_mm, LEG.hip_y_mm)}
    for name, key in (
        ("lateral_femoral_condyle", "knee"),
        ("lateral_malleolus", "malleolus"),
        ("pedal_axle", "axle"),
    ):
        at[name] = (float(getattr(pose, f"{key}_x")[0]), float(getattr(pose, f"{key}_y")[0]))
    beta = np.radians(pose.pitch_deg[0])
    turn = np.array([[np.cos(beta), np.sin(beta)], [-np.sin(beta), np.cos(beta)]])
    for name, xy in (("heel", (-190.0, 45.0)), ("fifth_metatarsal", (-8.0, 30.0))):
        at[name] = tuple(np.array(at["pedal_axle"]) + turn @ np.array(xy))
    at |= {"acromion": (180.0, 1105.0), "elbow": (290.0, 860.0), "wrist": (480.0, 690.0)}
    return {n: np.array(xy) for n, xy in at.items()}


def picture(
    rng: np.random.Generator, *, plumb: bool, u: float = 1.0
) -> tuple[dict[str, tuple[float, float]], float]:
    """Points picked in a picture whose camera, depths and landmarks are off by u of what is supposed; mm to lens."""
    places, far = body(), float(rng.uniform(2600, 4600))
    lens = Pinhole(
        "side", (-50.0, 600.0, far), 0.42 * far, ((SIZE[0] - 1) / 2, (SIZE[1] - 1) / 2), u * rng.normal(0, 4),
        u * rng.normal(0, 2.5), u * rng.normal(0, 1.5),
    )  # fmt: skip
    lens = Pinhole(lens.view, lens.place_mm, float(0.95 * SIZE[0] * (1 + 0.1 * u * rng.normal())), lens.centre_px,
                   lens.yaw_deg, lens.tilt_deg, lens.roll_deg)  # fmt: skip
    out = {}
    depth = {n: DEPTH_MM[n][0] for n in places}
    for shift in Scene().depth_shifts(tuple(places)):
        by = u * rng.normal()
        depth |= {n: depth[n] + by * mm for n, mm in shift.items()}
    for name, xy in places.items():
        off = u * DEFAULT_LANDMARK_U_MM[name] * rng.normal(0, 1, 2)
        point = np.array([*(xy + off), depth[name]])
        out[name] = tuple(lens.project(point) + u * 0.7 * rng.normal(0, 1, 2))
    if plumb:
        out |= {n: tuple(lens.project(np.array([*xy, -400.0]))) for n, xy in PLUMB.items()}
    keep = {
        n: (float(a), float(b)) for n, (a, b) in out.items() if 0 <= a < SIZE[0] - 1 and 0 <= b < SIZE[1] - 1
    }
    return keep, far


def truth() -> dict[str, float]:
    return {QUANTITIES[k]: float(v) for k, v in joint_angles(body()).items()}


@pytest.mark.parametrize("plumb", [False, True])
def test_stated_intervals_hold_the_truth(plumb):
    rng, true = np.random.default_rng(8), truth()
    z: dict[str, list[float]] = {}
    for _ in range(60):
        points, far = picture(rng, plumb=plumb)
        found = read_still(points, SIZE, "right", "bdc", camera_mm=far)
        for name, m in found.quantities.items():
            z.setdefault(name, []).append((m.value - true[name]) / m.u)
    every = np.concatenate([np.array(v) for v in z.values()])
    assert 0.9 <= np.mean(np.abs(every) < 1.96) <= 0.99
    assert all(len(v) >= 50 for k, v in z.items() if k == "knee_flexion_deg")


def test_an_upright_edge_makes_the_trunk_surer():
    rng = np.random.default_rng(2)
    points, far = picture(rng, plumb=True)
    with_edge = read_still(points, SIZE, "right", camera_mm=far).quantities["trunk_inclination_deg"]
    bare = {n: p for n, p in points.items() if not n.startswith("plumb")}
    without = read_still(bare, SIZE, "right", camera_mm=far)
    assert with_edge.u < without.quantities["trunk_inclination_deg"].u
    assert any("level" in n for n in without.notes)


def test_the_left_side_is_the_mirrored_right():
    points, far = picture(np.random.default_rng(3), plumb=True, u=0.3)
    mirrored = {n: (SIZE[0] - 1 - u, v) for n, (u, v) in points.items()}
    right = read_still(points, SIZE, "right", camera_mm=far).quantities
    left = read_still(mirrored, SIZE, "left", camera_mm=far).quantities
    for name, m in right.items():
        assert left[name].value == pytest.approx(m.value, abs=1e-6)


def test_static_angles_are_not_taken_for_dynamic_ones():
    """The bands of the method compare them with static bands, or refuse."""
    from fitwright.plan.targets import TARGETS, band_for

    found = read_still(picture(np.random.default_rng(3), plumb=True)[0], SIZE, "right", camera_mm=3400)
    matched = band_for([t for t in TARGETS if t.key == "knee_flexion_deg.bdc"], found.method)
    assert (matched.target.low, matched.target.high) == (25, 35)
    dynamic_only = band_for([t for t in TARGETS if t.key == "knee_flexion_deg.min"], found.method)
    assert dynamic_only.refused or dynamic_only.note


@pytest.mark.parametrize(
    ("change", "field"),
    [
        ({"side": "both"}, "side"), ({"event": "noon"}, "event"), ({"camera_mm": 40}, "camera_mm"),
        ({"thigh_mm": 40}, "thigh_mm"), ({"points_px": {"nose": (5, 5)}}, "points"),
        ({"points_px": {"acromion": (5, 5)}}, "points"), ({"points_px": {"acromion": (5, 5000)}}, "acromion"),
    ],
)  # fmt: skip
def test_bad_input_is_named(change, field):
    points, _ = picture(np.random.default_rng(3), plumb=False)
    given = {"points_px": points, "size_px": SIZE, "side": "right"} | change
    with pytest.raises(InputError, match=field):
        read_still(**given)
    assert "bottom_bracket" in POINTS


def test_a_crank_that_stands_elsewhere_is_told_where_it_does():
    points, far = picture(np.random.default_rng(1), plumb=False, u=0.0)
    axle = np.array(points["pedal_axle"])
    below = points | {"bottom_bracket": tuple(axle - [0.0, 200.0])}
    assert read_still(below, SIZE, "right", "bdc", far).event == "bdc"
    ahead = points | {"bottom_bracket": tuple(axle - [200.0, 0.0])}
    with pytest.raises(
        InputError, match=r"crank: stands at 90° in this picture.*Nearest is: crank forward, level"
    ):
        read_still(ahead, SIZE, "right", "bdc", far)
    assert read_still(ahead, SIZE, "right", "q90", far).event == "q90"
