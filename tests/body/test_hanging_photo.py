"""The hanging foot in a photograph, against a simulated foot, thigh and camera with known truth.

Scene: x to the right and y downward as seen from below, z away from the camera (up the shank), mm. The scale card's
plane stands anywhere and may be tilted; every point is carried into it along its ray from the eye, as a rectified
photograph does. The camera's own turn has no part in that: only where the eye stands matters.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.spatial.transform import Rotation

from fitwright.body import hanging_photo as photo
from fitwright.body.hanging_photo import HangingPhoto, Sight, read_hanging
from fitwright.errors import InputError
from fitwright.quantity import Measured

NOTHING = np.zeros((8, 8))


@dataclass(frozen=True)
class Scene:
    """A foot turned out by `yaw`, `turn` the picture's own turn; the card's plane and both lines may be tilted."""

    side: str = "left"
    yaw: float = 12.0
    turn: float = 20.0
    eye: tuple[float, float, float] = (30.0, -60.0, -700.0)
    card_z: float = -40.0
    knee_z: float = 430.0
    card_tilt: tuple[float, float] = (0.0, 0.0)
    foot_tilt: float = 0.0
    knee_tilt: float = 0.0

    def points(self):
        """(4, 3): heel, toe, knee rear, knee front."""
        ahead = math.radians(self.turn - 90)  # straight ahead is up in the picture, turned
        out = math.radians(self.yaw) * (1 if self.side == "left" else -1)

        def line(middle, angle, length, tilt):
            level = np.array([math.cos(angle), math.sin(angle), 0]) * math.cos(tilt) - [0, 0, math.sin(tilt)]
            return [middle - length / 2 * level, middle + length / 2 * level]

        foot = line(np.array([0, 0, 0.0]), ahead + out, 240, math.radians(self.foot_tilt))
        hip = np.array([-math.cos(ahead), -math.sin(ahead), 0]) * 180 + [0, 0, self.knee_z]
        knee = line(hip, ahead, 260, math.radians(self.knee_tilt))
        return np.array([*foot, *knee])

    def seen(self):
        """(4, 2) in the card's plane and the sight: each point carried along its ray."""
        eye, turn = np.array(self.eye), Rotation.from_rotvec([*np.radians(self.card_tilt), 0]).as_matrix()
        origin = np.array([50.0, 20.0, self.card_z])
        p = (self.points() - origin) @ turn  # in the card's own axes
        e = (eye - origin) @ turn
        along = e[2] / (e[2] - p[:, 2])
        xy = e[:2] + (p[:, :2] - e[:2]) * along[:, None]
        return xy, Sight((e[0], e[1]), abs(e[2]), photo.U_SQUARE_CARD_DEG, True, words="card")


def read(scene: Scene, **more) -> HangingPhoto:
    xy, sight = scene.seen()
    return read_hanging(scene.side, xy, NOTHING, sight, **more)


@given(
    yaw=st.floats(-25, 45), turn=st.floats(-180, 180), x=st.floats(-150, 150), y=st.floats(-150, 150),
    z=st.floats(-1500, -450), card=st.floats(-60, 400), knee=st.floats(100, 500),
    side=st.sampled_from(["left", "right"]),
)  # fmt: skip
@settings(max_examples=80, deadline=None)
def test_level_lines_keep_their_angle_whatever_camera_and_depth(yaw, turn, x, y, z, card, knee, side):
    """Invariance to camera pose and depth, for both sides."""
    got = read(Scene(side, yaw, turn, (x, y, z), card, knee))
    assert got.yaw_deg.value == pytest.approx(yaw, abs=1e-7)


@given(yaw=st.floats(-25, 45), tilt=st.floats(-8, 8))
@settings(max_examples=40, deadline=None)
def test_left_and_right_are_mirror_images(yaw, tilt):
    left = Scene("left", yaw, foot_tilt=tilt, eye=(40.0, -60.0, -700.0))
    xy, sight = left.seen()
    mirrored = replace(sight, eye=(-sight.eye[0], sight.eye[1]))
    a = read_hanging("left", xy, NOTHING, sight)
    b = read_hanging("right", xy * [-1, 1], NOTHING, mirrored)
    assert b.yaw_deg.value == pytest.approx(a.yaw_deg.value, abs=1e-9)
    assert b.yaw_deg.u == pytest.approx(a.yaw_deg.u, rel=1e-9)


def test_a_tilted_line_is_misread_by_as_much_as_the_formula_says():
    """True direction ∝ m − (p − eye)/D tan t, here against the scene itself for a foot pitched by 10°."""
    scene = Scene(foot_tilt=10.0, eye=(120.0, -60.0, -700.0))
    xy, sight = scene.seen()
    plain = read_hanging("left", xy, NOTHING, sight).yaw_deg.value
    assert abs(plain - 12.0) > 1.0
    corrected = photo._yaw_deg("left", xy, sight, np.zeros(2), np.radians([10.0, 0.0]))
    assert corrected == pytest.approx(12.0, abs=0.05)


@pytest.mark.parametrize("side", ["left", "right"])
@pytest.mark.parametrize(("line", "knee"), [("shoe", "thigh"), ("bare", "edge")])
def test_the_stated_u_is_that_of_a_simulation(side, line, knee):
    """JCGM 101: tilts, card and picks drawn 4000 times through the scene, marks as angles, against the stated u."""
    rng = np.random.default_rng(3)
    base = Scene(side, 14.0, eye=(90.0, -120.0, -650.0))
    pick = 0.4
    drawn = []
    for _ in range(4000):
        scene = replace(
            base, foot_tilt=rng.normal(0, photo.U_TILT_FOOT_DEG), knee_tilt=rng.normal(0, photo.U_TILT_KNEE_DEG),
            card_tilt=tuple(rng.normal(0, photo.U_SQUARE_CARD_DEG, 2)),
        )  # fmt: skip
        xy, sight = scene.seen()
        marks = rng.normal(0, photo.U_KNEE_DEG[knee]) + rng.normal(0, photo.U_FOOT_DEG[line])
        yaw = photo._yaw_deg(side, xy + rng.normal(0, pick, xy.shape), sight, np.zeros(2), np.zeros(2))
        drawn.append(yaw + marks)
    xy, sight = base.seen()
    stated = read_hanging(side, xy, np.eye(8) * pick**2, sight, line=line, knee=knee).yaw_deg
    assert np.mean(drawn) == pytest.approx(14.0, abs=0.15)
    assert stated.u == pytest.approx(np.std(drawn), rel=0.08)


@pytest.mark.parametrize("aside_mm", [0.0, 140.0])
def test_without_a_card_the_camera_aslant_is_in_u(aside_mm):
    """Pictures of a camera that aims well, or aside, but aslant by N(0, 10°) in both directions, lines not level.

    Each error over the u that the very picture states for tilts: together they have the standard deviation 1.
    """
    rng = np.random.default_rng(5)
    sight = Sight((0.0, 0.0), 1.0, photo.U_SQUARE_CAMERA_DEG, False, words="no card")
    over_u = []
    for _ in range(800):
        tilts = rng.normal(0, photo.U_TILT_FOOT_DEG), rng.normal(0, photo.U_TILT_KNEE_DEG)
        scene = Scene(eye=(0, 0, 0), foot_tilt=tilts[0], knee_tilt=tilts[1])
        aslant = [*np.radians(rng.normal(0, photo.U_SQUARE_CAMERA_DEG, 2)), 0]
        where = np.array([*rng.uniform(-1, 1, 2) * aside_mm, 850])
        p = (scene.points() - [0, 0, 150]) @ Rotation.from_rotvec(aslant).as_matrix() + where
        got = read_hanging("left", p[:, :2] / p[:, 2:], NOTHING, sight)
        over_u.append((got.yaw_deg.value - 12.0) / got.u_parts_deg["lines not level"])
    assert np.sqrt(np.mean(np.square(over_u))) == pytest.approx(1.0, abs=0.2)


def test_without_a_card_one_is_less_sure():
    """The same scene, seen by a camera square to the shank, 200 mm off the foot to the side."""
    scene = Scene(eye=(200.0, -60.0, -700.0))
    p = scene.points() - np.array(scene.eye)
    bare_picture = Sight((0.0, 0.0), 1.0, photo.U_SQUARE_CAMERA_DEG, False, words="no card")
    without = read_hanging("left", p[:, :2] / p[:, 2:], NOTHING, bare_picture)
    assert without.yaw_deg.value == pytest.approx(12.0, abs=1e-6)
    assert without.yaw_deg.u > 1.1 * read(scene).yaw_deg.u


def test_the_bare_line_is_surer_of_nothing_but_names_itself():
    shoe, bare = read(Scene()), read(Scene(), line="bare")
    assert "mid-line" in shoe.yaw_deg.method
    assert "second toe" in bare.yaw_deg.method
    assert bare.yaw_deg.u > shoe.yaw_deg.u


def test_length_only_where_the_card_is_at_the_sole():
    assert read(Scene()).length_mm is None
    scene = Scene(card_z=0.0)
    xy, sight = scene.seen()
    at_sole = replace(sight, sole_height_mm=Measured(0.0, 15.0, "mm"))
    got = read_hanging("left", xy, NOTHING, at_sole).length_mm
    assert got.value == pytest.approx(240.0, abs=0.01)
    assert got.u == pytest.approx(math.hypot(240 * 15 / 700, 2, 2), rel=0.02)
    nearer = replace(scene, card_z=70.0).seen()
    raised = replace(nearer[1], sole_height_mm=Measured(70.0, 1.0, "mm"))
    assert read_hanging("left", nearer[0], NOTHING, raised).length_mm.value == pytest.approx(240.0, abs=0.01)


def test_json_round_trip():
    got = read(Scene(), notes=("one",))
    assert HangingPhoto.from_json(got.to_json()) == got


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (lambda p: p[[1, 0, 2, 3]], "exchanged"),
        (lambda p: p[[0, 1, 3, 2]], "exchanged"),
        (lambda p: p[[0, 0, 2, 3]], "heel_centre, toe: lie on one spot"),
        (lambda p: p[[0, 1, 2, 2]], "knee_rear, knee_front: lie too near"),
        (lambda p: p * [-1, 1], "the picture is not mirrored"),
        (lambda p: p * np.nan, "not all points lie"),
    ],
)
def test_points_that_cannot_be(change, words):
    xy, sight = Scene(yaw=40.0).seen()
    with pytest.raises(InputError, match=words):
        read_hanging("left", change(xy), NOTHING, sight)


def test_unlikely_lengths_and_unknown_words():
    xy, sight = Scene().seen()
    tiny = replace(
        sight,
        sole_height_mm=Measured(0, 1, "mm"),
        distance=sight.distance / 5,
        eye=tuple(np.array(sight.eye) / 5),
    )
    with pytest.raises(InputError, match="unlikely length"):
        read_hanging("left", xy / 5, NOTHING, tiny)
    for more, field in (({"line": "sock"}, "line"), ({"knee": "nose"}, "knee")):
        with pytest.raises(InputError) as caught:
            read_hanging("left", xy, NOTHING, sight, **more)
        assert caught.value.field == field
    with pytest.raises(InputError, match="side"):
        read_hanging("both", xy, NOTHING, sight)
