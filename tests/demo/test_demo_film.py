"""Simulated films: what is drawn is where the truth says, and the file is what a phone would have written."""

import json
from dataclasses import replace

import av
import cv2
import numpy as np
import pytest

from fitwright.demo.camera import studio_camera
from fitwright.demo.film import TIMESCALE, frame_times, prepare, render_clip
from fitwright.demo.motion3d import ride
from fitwright.demo.riders import RIDERS
from fitwright.demo.stickers import INNER_MM, LIGHT, OUTER_MM, StickerTrack, stamp
from fitwright.demo.truth import Truth, cycles_deg, hand_marks

FIRST = RIDERS["first"]
SMALL = (384, 216)


def disc_centroid(luma, centre, jacobian):
    """Centroid of the dark disc: weights LIGHT − grey inside the middle of the light ring, where they vanish."""
    scale = np.sqrt(abs(np.linalg.det(jacobian)))
    v, u = np.mgrid[0 : luma.shape[0], 0 : luma.shape[1]]
    near = np.hypot(u - centre[0], v - centre[1]) < (OUTER_MM + INNER_MM) / 2 * scale
    weight = np.where(near, LIGHT - luma.astype(float), 0.0)
    return np.array([np.sum(weight * u), np.sum(weight * v)]) / weight.sum()


@pytest.mark.parametrize("view", ["side", "front"])
def test_discs_of_a_sharp_frame_lie_where_the_truth_says(view):
    camera = studio_camera(view, exposure_s=1e-7)
    filming = prepare(
        ride(FIRST, FIRST.setup, 1), camera, np.array([0, 1503, 2995]), 1, 0.0, steady_light=True
    )
    luma = filming.frame(1)[: camera.height]
    shown = 0
    for track in filming.tracks:
        if track.visible[1]:
            found = disc_centroid(luma, track.centre_px[1], track.jacobian[1])
            assert np.abs(found - track.centre_px[1]).max() < 0.02, track.name
            shown += 1
    assert shown >= 8


def test_a_blurred_disc_is_centred_on_its_mean_place_during_the_exposure():
    """Uniform exposure of length T: the mean of c + v t + a t²/2 is c + a T²/24."""
    camera = studio_camera("side", exposure_s=1 / 125, readout_s=0.0)
    c, v, a = np.array([[60.3, 59.8]]), np.array([[900.0, 350.0]]), np.array([[0.0, 40000.0]])
    track = StickerTrack("x", c, v, a, np.array([[[0.7, 0.0], [0.0, -0.7]]]), np.array([True]))
    luma = np.full((120, 120), int(LIGHT), np.uint8)
    stamp(luma, track, 0, camera)
    weight = LIGHT - luma.astype(float)
    row, col = np.mgrid[0:120, 0:120]
    found = np.array([np.sum(weight * col), np.sum(weight * row)]) / weight.sum()
    assert found == pytest.approx(c[0] + a[0] * camera.exposure_s**2 / 24, abs=0.02)


def test_the_projection_agrees_with_opencv():
    """Pinhole and radial term against cv2.projectPoints, an independent implementation of Brown's model."""
    camera = studio_camera("side", k1=-0.06)
    mm = np.random.default_rng(2).uniform([-900, -250, -200], [900, 1300, 250], (40, 3))
    matrix = np.array(
        [
            [camera.focal_px, 0, camera.principal_px[0]],
            [0, camera.focal_px, camera.principal_px[1]],
            [0, 0, 1],
        ]
    )
    shift = -camera.rotation @ np.array(camera.position_mm)
    turn, _ = cv2.Rodrigues(camera.rotation)
    theirs, _ = cv2.projectPoints(mm, turn, shift, matrix, np.array([-0.06, 0, 0, 0]))
    px, _ = camera.project(mm)
    assert px == pytest.approx(theirs.reshape(-1, 2), abs=1e-6)
    back = camera.rays(px)
    eye = np.array(camera.position_mm)
    aside = np.cross(mm - eye, back / np.linalg.norm(back, axis=1, keepdims=True))
    assert np.linalg.norm(aside, axis=1).max() < 1e-3


def test_row_times_are_those_of_the_rows():
    camera = studio_camera("side")
    filming = prepare(ride(FIRST, FIRST.setup, 1), camera, np.array([0, 1500]), 1)
    motion = ride(FIRST, FIRST.setup, 1)
    track = next(t for t in filming.tracks if t.name == "pedal_axle")
    own = np.array([0, 1500]) / TIMESCALE + track.centre_px[:, 1] * camera.line_s
    px, _ = camera.project(motion.points(own)["pedal_axle_right"])
    assert px == pytest.approx(track.centre_px, abs=1e-4)


def test_both_pedal_circles_are_centred_on_the_bottom_brackets_axis():
    p = ride(FIRST, FIRST.setup, 1, steady=True).points(
        np.linspace(0, 60 / FIRST.habits.cadence_rpm, 400, endpoint=False)
    )
    for side in ("left", "right"):
        fit = cv2.fitEllipse(p[f"pedal_{side}"][:, :2].astype(np.float32))
        assert fit[0] == pytest.approx((0, 0), abs=0.05)


@pytest.fixture(scope="module")
def clip(tmp_path_factory):
    out = tmp_path_factory.mktemp("film") / "side.mp4"
    told = []
    truth = render_clip(
        FIRST, FIRST.setup, "side", out, seconds=1.6, size=SMALL, seed=5, progress=told.append
    )
    return out, truth, told


def decoded(path):
    with av.open(str(path)) as container:
        stream = container.streams.video[0]
        frames = [
            (f.pts * float(stream.time_base), f.to_ndarray(format="gray")) for f in container.decode(stream)
        ]
        return [t for t, _ in frames], np.array([y for _, y in frames]), dict(container.metadata)


def test_the_file_holds_every_frame_at_its_own_time(clip):
    out, truth, _ = clip
    times, luma, _ = decoded(out)
    assert len(times) == truth.data["frames"]
    assert times == pytest.approx(truth.time_s.tolist(), abs=1e-9)
    steps = np.diff(times)
    assert np.all(steps > 0)
    assert np.std(steps) > 1e-4  # a phone's frame rate varies
    assert luma.shape[1:] == (SMALL[1], SMALL[0])
    assert np.abs(luma[20].astype(float) - luma[40]).max() > 40  # it moves


def test_simulated_is_said_in_the_file_and_in_the_truth(clip):
    out, truth, told = clip
    metadata = decoded(out)[2]
    assert "simulated" in metadata["title"]
    assert "simulated" in metadata["comment"]
    assert truth.data["simulated"] is True
    assert json.loads(out.with_name("side.mp4.truth.json").read_text())["simulated"] is True
    assert told[-1] == 1.0
    assert not list(out.parent.glob(".*"))  # nothing half-written is left


def test_the_caption_is_in_the_picture():
    camera = studio_camera("side", (960, 540))
    filming = prepare(ride(FIRST, FIRST.setup, 1), camera, np.array([0]), 1, 0.0, steady_light=True)
    corner = filming.frame(0)[:540][500:540, 8:230]
    assert corner.max() > 180
    assert np.percentile(corner, 30) < 110


def test_the_same_seed_gives_the_same_film(clip, tmp_path):
    out, truth, _ = clip
    again = render_clip(FIRST, FIRST.setup, "side", tmp_path / "side.mp4", seconds=1.6, size=SMALL, seed=5)
    assert again.data == truth.data
    assert np.array_equal(decoded(out)[1], decoded(tmp_path / "side.mp4")[1])


def test_truth_reads_back_and_hand_marks_are_near_it(clip):
    out, truth, _ = clip
    read = Truth.load(out)
    assert read.px("heel") == pytest.approx(truth.px("heel"))
    marks = hand_marks(read, 0.7, seed=1)
    i = int(np.argmin(np.abs(read.time_s - marks["time_s"])))
    assert set(marks["points"]) == set(read.names)
    assert all(read.visible(n)[i] for n in read.names)
    miss = [np.array(marks["points"][n]) - read.px(n)[i] for n in read.names]
    assert 0.4 < np.std(miss) < 1.8


def test_truth_of_one_whole_cycle(clip):
    _, truth, _ = clip
    knee = truth.data["knee_flexion_deg"]
    assert knee["cycles"] >= 1
    assert 26 < knee["min"] < 30 < 100 < knee["max"] < 115
    assert 160 < knee["min_at"] < 180
    assert truth.data["cadence_rpm"] == pytest.approx(FIRST.habits.cadence_rpm, abs=2)


def test_the_bottom_bracket_hides_behind_the_ankle_for_a_part_of_the_turn(clip):
    _, truth, _ = clip
    assert 0.6 < truth.visible("bottom_bracket").mean() < 0.97
    assert truth.visible("pedal_axle").all()


def test_frame_times_start_at_zero_and_lose_few_frames():
    pts = frame_times(12, 60, np.random.default_rng(3))
    assert pts[0] == 0
    assert 700 <= pts.size <= 720
    assert np.all(np.diff(pts) > 0)


def test_the_second_rider_can_be_filmed_from_the_front(tmp_path):
    second = RIDERS["second"]
    truth = render_clip(second, second.setup, "front", tmp_path / "f.mp4", seconds=1.7, size=SMALL, seed=2)
    paths = truth.data["knee_path_mm"]
    assert all(2 < paths[s]["range"] < 12 for s in ("left", "right"))
    assert replace(second, key="x").key == "x"


def test_cadence_and_turns_of_the_truth_count_the_same_turns_as_the_crank():
    """Turns from 270° to 270°: the crank advances whole turns between the first and the last moment."""
    motion = ride(FIRST, FIRST.setup, 4)
    for side, ahead in (("right", 0.0), ("left", 180.0)):
        times, cadence = cycles_deg(motion, 0.0, 6.0, side)
        angle = np.degrees(motion.crank_rad(times.ravel())).reshape(times.shape) + ahead
        assert np.mod(angle - np.arange(360) + 180, 360) == pytest.approx(180, abs=0.05)
        order = np.sort(times.ravel())
        span = (order[-1] - order[0]) * 60**-1 * cadence
        assert span == pytest.approx(times.shape[0] - 1 / 360, abs=2e-3)
        assert times.shape[0] in (7, 8)  # 8.8 turns ridden


def test_the_bar_hides_a_knee_twice_a_turn():
    camera = studio_camera("front")
    pts = np.arange(0, TIMESCALE, 1500)
    motion = ride(FIRST, FIRST.setup, 1)
    hidden = prepare(motion, camera, pts, 1, 0.0, steady_light=True, bar_hides_knees=True)
    shown = prepare(motion, camera, pts, 1, 0.0, steady_light=True)
    track = next(t for t in hidden.tracks if t.name == "patella_left")
    assert 0.75 < track.visible.mean() < 0.95
    i = int(np.argmin(track.visible))
    a, b = hidden.frame(i)[: camera.height], shown.frame(i)[: camera.height]
    v, u = np.nonzero(a != b)
    assert v.size > 10
    reach = np.hypot(u - track.centre_px[i, 0], v - track.centre_px[i, 1]).max()
    assert reach < OUTER_MM * camera.focal_px / 3000 + 4  # nothing else is covered
    clear = int(np.argmax(track.visible))
    assert np.array_equal(hidden.frame(clear)[: camera.height], shown.frame(clear)[: camera.height])


def test_points_are_marked_where_nothing_is_about_to_be_covered():
    time_s = np.arange(200) / 60
    seen = np.ones(200, bool)
    seen[[40, 58, 62, 90]] = False  # 1.0 s lies between two covered frames
    truth = Truth({
        "view": "front", "time_s": time_s.tolist(), "names": ["a"], "px": {"a": np.zeros((200, 2)).tolist()},
        "visible": {"a": seen.tolist()},
    })  # fmt: skip
    at = hand_marks(truth, 1.0, seed=1)["time_s"]
    assert np.abs(at - time_s[~seen]).min() >= 0.08
    assert abs(at - 1.0) < 0.25
