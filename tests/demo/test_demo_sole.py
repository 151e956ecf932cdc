"""Simulated sole photographs: strips, sole and marks lie where the truth says."""

import json

import cv2
import numpy as np
import pytest
from PIL import Image

from fitwright.demo.riders import RIDERS
from fitwright.demo.sole_drawing import mark_points, on_cleat, outline_mm
from fitwright.demo.sole_look import Look
from fitwright.demo.sole_photo import hand_points, render_sole
from fitwright.demo.truth import Truth
from fitwright.errors import InputError
from fitwright.foot.bolts import pattern_from_bolts
from fitwright.foot.frame import cleat_pose
from fitwright.foot.hardware import reach
from fitwright.quantity import Measured
from fitwright.studio.feet.measure import HEIGHT_UNKNOWN, measure_sole
from fitwright.vision.boards import find_boards
from fitwright.vision.card import SCALE_CARD
from fitwright.vision.picture import read_picture

FIRST, SECOND = RIDERS["first"], RIDERS["second"]
SIZE = (2016, 1512)


@pytest.fixture(scope="module")
def photo(tmp_path_factory):
    out = tmp_path_factory.mktemp("sole") / "left.jpg"
    return out, render_sole(FIRST, "left", FIRST.setup.cleat("left"), out, "before", seed=4, size=SIZE)


def test_the_cards_corners_are_where_the_truth_says(photo):
    """Strip poses and camera of the truth, projected by OpenCV, against the corners found in the picture."""
    out, truth = photo
    camera, found = truth.data["camera"], find_boards(read_picture(out), SCALE_CARD.strips)
    matrix = np.array(
        [
            [camera["focal_px"], 0, camera["principal_px"][0]],
            [0, camera["focal_px"], camera["principal_px"][1]],
            [0, 0, 1],
        ]
    )
    y, t, r = np.radians([camera["yaw_deg"], camera["tilt_deg"], camera["roll_deg"]])
    about = [(np.array([0, y, 0])), np.array([t, 0, 0]), np.array([0, 0, r])]
    turn = np.eye(3)
    for vector in about:
        turn = cv2.Rodrigues(vector)[0] @ turn
    shift = -turn @ np.array(camera["position_mm"])
    assert len(found) == 2
    for board, pose in zip(found, truth.data["strips"], strict=True):
        a = np.radians(pose["turn_deg"])
        plane = (
            board.corners_mm @ np.array([[np.cos(a), np.sin(a)], [-np.sin(a), np.cos(a)]]) + pose["origin_mm"]
        )
        space = np.column_stack([plane, np.zeros(len(plane))])
        px, _ = cv2.projectPoints(
            space, cv2.Rodrigues(turn)[0], shift, matrix, np.array([camera["k1"], 0, 0, 0])
        )
        miss = board.corners_px - px.reshape(-1, 2)
        assert np.abs(miss.mean(axis=0)).max() < 0.06
        assert miss.std() < 0.12


@pytest.mark.parametrize("foot", ["left", "right"])
@pytest.mark.parametrize("rider", [FIRST, SECOND], ids=["first", "second"])
def test_the_whole_reader_finds_the_pose_again_from_exact_picks(rider, foot, tmp_path):
    pose = rider.setup.cleat(foot)
    truth = render_sole(rider, foot, pose, tmp_path / "s.jpg", "after", seed=6, size=SIZE)
    points = {n: tuple(p) for n, p in truth.data["px"].items()}
    reading = measure_sole(tmp_path / "s.jpg", foot, points, cleat_height=height_of(rider, 0.0))
    assert reading.cleat.vector == pytest.approx(pose, abs=0.08)
    assert reading.landmarks["m1"].xz == pytest.approx(rider.leg(foot).m1_mm, abs=0.1)
    assert reading.landmarks["m5"].xz == pytest.approx(rider.leg(foot).m5_mm, abs=0.1)
    assert reading.length_mm.value == pytest.approx(rider.leg(foot).sole_length_mm, abs=0.1)
    bolts = pattern_from_bolts(rider.cleat, reading.landmarks)
    assert bolts.residual_mm < 0.1
    if not rider.cleat.sole_slide_half_mm:
        assert bolts.xz == pytest.approx(rider.leg(foot).bolts_mm, abs=0.1)


def height_of(rider, u_mm):
    return Measured(rider.cleat_height_mm, u_mm, "mm", "told")


@pytest.mark.parametrize("foot", ["left", "right"])
@pytest.mark.parametrize("rider", [FIRST, SECOND], ids=["first", "second"])
def test_the_cleats_can_be_bolted_where_they_are(rider, foot):
    pose = rider.setup.cleat(foot)
    assert reach(rider.cleat, rider.leg(foot).bolts_mm, pose).exact


def test_a_cleats_height_is_taken_out_or_its_absence_is_said(photo):
    """Told, it is taken out; not told, the pose is off by less than twice its stated u, and a note says why."""
    out, truth = photo
    points, true = {n: tuple(p) for n, p in truth.data["px"].items()}, np.array(FIRST.setup.cleat("left"))
    told = measure_sole(out, "left", points, cleat_height=height_of(FIRST, 0.5))
    exact = measure_sole(out, "left", points, cleat_height=height_of(FIRST, 0.0))
    unknown = measure_sole(out, "left", points, cleat_height=HEIGHT_UNKNOWN)
    assert told.cleat.vector == pytest.approx(true, abs=0.2)
    assert np.abs(unknown.cleat.vector - true).max() > 0.8
    assert np.all(np.abs(unknown.cleat.vector - true) < 2 * unknown.cleat.u)
    said = set(unknown.quality["notes"]) - set(told.quality["notes"])
    assert len(said) == 1
    assert "face stands above the sole is not said" in said.pop()
    assert exact.cleat.u[0] < told.cleat.u[0] < unknown.cleat.u[0]
    assert unknown.landmarks["m1"].covariance_mm2 == pytest.approx(exact.landmarks["m1"].covariance_mm2)
    assert told.joint_mm2 == pytest.approx(exact.joint_mm2)  # seen alike, it drops out of a motion


def test_datum_dots_are_drawn_where_the_truth_says(photo):
    out, truth = photo
    grey = cv2.imread(str(out), cv2.IMREAD_GRAYSCALE).astype(float)
    for i in (1, 2, 3):
        u, v = truth.data["px"][f"datum_{i}"]
        u0, v0 = round(u) - 6, round(v) - 6
        patch = grey[v0 : v0 + 13, u0 : u0 + 13]
        row, col = np.mgrid[0:13, 0:13]
        dark = np.clip(140 - patch, 0, None) * (np.hypot(col + u0 - u, row + v0 - v) < 7)
        centre = np.array([np.sum(dark * (col + u0)), np.sum(dark * (row + v0))]) / dark.sum()
        assert centre == pytest.approx([u, v], abs=0.3)


def test_simulated_is_said_in_the_file_and_in_the_truth(photo):
    out, truth = photo
    with Image.open(out) as image:
        assert "simulated" in str(image.getexif()[0x010E])
        assert image.size == SIZE
    assert truth.data["simulated"] is True
    assert Truth.load(out).data == json.loads(json.dumps(truth.data))
    assert not list(out.parent.glob(".*"))


def test_the_same_seed_gives_the_same_photograph(photo, tmp_path):
    out, truth = photo
    again = render_sole(
        FIRST, "left", FIRST.setup.cleat("left"), tmp_path / "left.jpg", "before", seed=4, size=SIZE
    )
    assert again.data == truth.data
    assert (tmp_path / "left.jpg").read_bytes() == out.read_bytes()


def test_hand_picks_scatter_as_told(photo):
    _, truth = photo
    picks = [hand_points(truth, k) for k in range(60)]
    miss = np.array([[np.array(p[n]) - truth.data["px"][n] for n in truth.names] for p in picks])
    assert miss.std() == pytest.approx(0.7, abs=0.07)
    assert abs(miss.mean()) < 0.08


@pytest.mark.parametrize("rider", [FIRST, SECOND], ids=["first", "second"])
def test_marks_obey_the_cleats_definition(rider):
    pose = (180.0, -1.5, 4.0)
    marks = mark_points(rider, "right", pose)
    assert cleat_pose(marks["cleat_nose"], marks["cleat_tail"]) == pytest.approx(pose)
    assert (
        on_cleat(pose, np.array([[0.0, 3.0]]))[0][1] > pose[1]
    )  # outward in the cleat is outward on the sole


def test_the_outline_holds_all_marks_and_touches_heel_and_toe():
    for rider in (FIRST, SECOND):
        leg = rider.right
        edge = outline_mm(leg.sole_length_mm)
        assert edge[:, 0].min() == pytest.approx(0, abs=1e-6)
        assert edge[:, 0].max() == pytest.approx(leg.sole_length_mm, abs=0.05)
        for mark in (leg.m1_mm, leg.m5_mm):
            assert cv2.pointPolygonTest(edge.astype(np.float32), mark, True) > 3


def test_the_outlines_longest_line_is_its_mid_line():
    edge = outline_mm(281.0, 1200)
    apart = np.linalg.norm(edge[:, None] - edge[None], axis=2)
    i, k = np.unravel_index(apart.argmax(), apart.shape)
    ends = edge[[i, k]][np.argsort(edge[[i, k], 0])]
    assert ends == pytest.approx(np.array([[0.0, 0.0], [281.0, 0.0]]), abs=0.4)
    assert apart.max() == pytest.approx(281.0, abs=0.02)


def test_what_lies_out_of_the_cards_plane_is_measured_with_its_height(tmp_path):
    """A sole lifted by 1 mm, its cleat 6 mm higher: exact with the heights told, not without."""
    pose, out = FIRST.setup.cleat("left"), tmp_path / "s.jpg"
    truth = render_sole(FIRST, "left", pose, out, "before", 9, SIZE, Look(lift_mm=1.0, plate_mm=6.0))
    assert truth.data["heights_mm"]["datum_1"] == pytest.approx(7.0)
    points = {n: tuple(p) for n, p in truth.data["px"].items()}
    told = measure_sole(out, "left", points, heights_mm=truth.data["heights_mm"])
    same = measure_sole(
        out, "left", points, height_mm=1.0, cleat_height=Measured(6.0, 0.0, "mm", "depth gauge")
    )
    assert same.cleat.vector == pytest.approx(told.cleat.vector, abs=1e-9)
    assert told.cleat.vector == pytest.approx(pose, abs=0.1)
    untold = measure_sole(out, "left", points)
    assert np.abs(untold.cleat.vector - pose).max() > 0.4


def test_an_unknown_moment_is_refused(tmp_path):
    with pytest.raises(InputError, match="which"):
        render_sole(FIRST, "left", (180, 0, 0), tmp_path / "x.jpg", "later", seed=1)
    assert not list(tmp_path.iterdir())
