"""Level: what is level or plumb in the picture takes the camera's roll out of the crank angle (simulated camera)."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from fitwright.errors import InputError
from fitwright.motion.side import analyse_side
from fitwright.quantity import Measured
from fitwright.studio.film import Marks, scene_and_followed
from fitwright.vision.camera import Pinhole
from fitwright.vision.level import LevelLine, level_lines
from fitwright.vision.sagittal import read_side
from fitwright.vision.scene import STEADY_POINTS, STILL_POINTS, Scene
from simulated_side import CENTRE, SIDE, side_tracks, theta_of

METHOD = {"dimension": "2-D", "state": "dynamic", "landmarks": "stickers"}
PLACES = {
    "rear_axle": (-415.0, 68.0, 0.0), "front_axle": (585.0, 68.0, 0.0), "rear_contact": (-415.0, -268.0, 0.0),
    "front_contact": (585.0, -268.0, 0.0), "plumb_bottom": (-900.0, -200.0, -900.0),
    "plumb_top": (-900.0, 1300.0, -900.0), "floor_rear": (-800.0, -268.0, -1100.0),
    "floor_front": (1000.0, -268.0, -1100.0),
}  # fmt: skip
AXLES, PLUMB = ("rear_axle", "front_axle"), ("plumb_bottom", "plumb_top")
CONTACT, FLOOR = ("rear_contact", "front_contact"), ("floor_rear", "floor_front")


def camera(roll: float = 0.8, yaw: float = 3.0, tilt: float = 1.5) -> Pinhole:
    return replace(SIDE, yaw_deg=yaw, tilt_deg=tilt, roll_deg=roll, k1=-0.012)


def scene(lens: Pinhole, names: tuple[str, ...], off_px: float = 0.0, **known: float) -> Scene:
    rng = np.random.default_rng(3)
    return Scene({n: lens.project(np.array(PLACES[n])) + rng.normal(0, off_px, 2) for n in names}, **known)


def crank_shift_deg(lens: Pinhole, around: Scene) -> tuple[float, float]:
    """(mean error of the crank angle, stated u of the roll)."""
    reading = read_side(side_tracks(lens), "right", 172.5, readout_ms=10.0, scene=around)
    traj = reading.trajectories
    axle = traj.point("pedal_axle")
    seen = np.unwrap(np.arctan2(axle[:, 0], axle[:, 1]))
    off = np.degrees(np.angle(np.exp(1j * (seen - theta_of(traj.time_s)))))
    return float(off.mean()), float(reading.facts["roll_u_deg"])


@pytest.mark.parametrize("names", [AXLES, CONTACT, PLUMB, AXLES + PLUMB])
def test_two_points_take_the_shift_of_the_crank_angle_away(names) -> None:
    """A camera rolled by 0.8° shifts the crank angle by about that; with two points 0.1° is left, and u says so."""
    lens = camera()
    plain, plain_u = crank_shift_deg(lens, Scene())
    shift, u = crank_shift_deg(lens, scene(lens, names))
    assert 0.6 < abs(plain) < 1.1
    assert abs(plain) < 1.96 * plain_u
    assert abs(shift) < 0.12
    assert u < 0.25


def test_a_floor_line_counts_less_because_it_may_not_run_along_the_bike() -> None:
    lens = camera()
    _, floor_u = crank_shift_deg(lens, scene(lens, FLOOR))
    _, axle_u = crank_shift_deg(lens, scene(lens, AXLES))
    assert axle_u < floor_u < 0.95


@pytest.mark.parametrize("higher_mm", [40.0, -25.0])
def test_a_stated_difference_in_height_is_taken_off(higher_mm) -> None:
    lens = camera()
    at = dict(PLACES) | {"front_axle": (585.0, 68.0 + higher_mm, 0.0)}
    still = {n: lens.project(np.array(at[n])) for n in AXLES}
    shift, _ = crank_shift_deg(lens, Scene(still, front_higher_mm=higher_mm))
    assert abs(shift) < 0.12
    untold, _ = crank_shift_deg(lens, Scene(still))
    assert abs(untold) > 1.0


def test_contradicting_lines_are_said_and_widen_the_roll() -> None:
    lens = camera()
    good = scene(lens, AXLES + PLUMB)
    bad = dict(good.still_px)
    bad["plumb_top"] = bad["plumb_top"] + [40.0, 0.0]  # the edge leans by about 2.5°
    agreed = read_side(side_tracks(lens), "right", 172.5, readout_ms=10.0, scene=good)
    apart = read_side(side_tracks(lens), "right", 172.5, readout_ms=10.0, scene=Scene(bad))
    assert agreed.facts["level"]["agree"]
    assert not apart.facts["level"]["agree"]
    assert "disagrees" in apart.notes[0]
    assert "both wheel axles" in apart.notes[0]
    assert apart.facts["roll_u_deg"] > 3 * agreed.facts["roll_u_deg"]
    assert abs(apart.facts["roll_deg"] - 0.8) < 1.96 * apart.facts["roll_u_deg"]


def test_angles_against_level_carry_the_roll_and_knee_flexion_hardly_does() -> None:
    """Without a level thigh and bottom-of-turn angles carry ±1°; the knee's extremes do not change with roll."""
    lens = camera()
    rides = []
    for around in (Scene(), scene(lens, AXLES + PLUMB)):
        reading = read_side(side_tracks(lens), "right", 172.5, 3650.0, 10.0, around)
        systematic = replace(reading.systematic, landmark_u_mm={})
        rides.append(analyse_side(reading.trajectories, "right", 172.5, systematic, METHOD))
    plain, level = (r.quantities["right"] for r in rides)
    assert 0.9 < plain["thigh_to_horizontal_deg"]["mean"].u < 1.3
    assert level["thigh_to_horizontal_deg"]["mean"].u < 0.5
    assert plain["knee_flexion_deg"]["min"].u - level["knee_flexion_deg"]["min"].u < 0.05
    assert plain["knee_flexion_deg"]["q90"].u > 1.5 * level["knee_flexion_deg"]["q90"].u
    assert plain["knee_flexion_deg"]["min_at"].u > 0.9 > level["knee_flexion_deg"]["min_at"].u
    assert rides[0].curves["right"]["hip_x"].u.mean() > 2 * rides[1].curves["right"]["hip_x"].u.mean()


def test_stated_intervals_of_the_roll_hold_it() -> None:
    """Random rolls, picks and axle heights, 40 films: RMS of error over u near 1, 95 % intervals mostly true."""
    rng = np.random.default_rng(11)
    z = []
    for _ in range(40):
        lens = camera(rng.normal(0, 1.0), rng.normal(0, 3.0), rng.normal(0, 2.5))
        lens = replace(lens, k1=rng.normal(0, 0.015))
        names = [AXLES, PLUMB, CONTACT, AXLES + PLUMB, FLOOR][rng.integers(5)]
        at = {n: np.array(PLACES[n]) for n in names}
        for front in {"front_axle", "front_contact"} & set(at):
            at[front] = at[front] + [0.0, rng.normal(0, 3.0), 0.0]
        if "floor_front" in at:
            at["floor_front"] = at["floor_front"] + [0.0, 0.0, 1800 * np.tan(np.radians(rng.normal(0, 3.0)))]
        still = {n: lens.project(p) + rng.normal(0, 0.7, 2) for n, p in at.items()}
        facts = read_side(
            side_tracks(lens, seconds=6.0), "right", 172.5, readout_ms=10.0, scene=Scene(still)
        ).facts
        z.append((facts["roll_deg"] - lens.roll_deg) / facts["roll_u_deg"])
    assert 0.6 < np.sqrt(np.mean(np.square(z))) < 1.3
    assert np.mean(np.abs(z) < 1.96) >= 0.9


def test_lines_need_both_ends_and_some_length() -> None:
    assert level_lines({"rear_axle": np.zeros(2)}, 0.0) == ()
    assert level_lines({"rear_axle": np.zeros(2), "front_axle": np.array([10.0, 0.0])}, 0.0) == ()
    (line,) = level_lines(
        {"plumb_top": np.array([5.0, -300.0]), "plumb_bottom": np.array([0.0, 200.0])}, 12.0
    )
    assert isinstance(line, LevelLine)
    assert line.rise_mm == 0.0  # a door frame has no front axle


def test_marks_are_followed_or_kept_as_they_are() -> None:
    marks = Marks(0.0, {n: (float(i), 5.0) for i, n in enumerate((*STILL_POINTS, "heel"))})
    around, followed = scene_and_followed(marks, Scene(front_higher_mm=3.0))
    assert set(followed) == {*STEADY_POINTS, "heel"}
    assert set(around.still_px) == set(STILL_POINTS) - set(STEADY_POINTS)
    assert around.front_higher_mm == 3.0


def test_a_height_that_cannot_be_is_refused() -> None:
    with pytest.raises(InputError, match="front_higher_mm"):
        Scene(front_higher_mm=900.0)


def test_axles_that_are_followed_count_as_followed() -> None:
    """Axles among the tracks (with a sticker) need no mark of their own, and are no points of the rider."""
    lens = camera()
    tracks = side_tracks(lens, still={n: PLACES[n] for n in AXLES})
    reading = read_side(tracks, "right", 172.5, readout_ms=10.0)
    roll = Measured(reading.facts["roll_deg"], reading.facts["roll_u_deg"], "deg")
    assert roll.interval95[0] < 0.8 < roll.interval95[1]
    assert not set(AXLES) & set(reading.trajectories.names)


def test_a_left_side_film_tells_the_same_level() -> None:
    lens = camera()
    tracks, around = side_tracks(lens), scene(lens, AXLES + PLUMB)
    mirror = np.array([2 * CENTRE[0], 0.0])
    turned = replace(tracks, uv_px=mirror + tracks.uv_px * [-1.0, 1.0])
    still = {n: mirror + p * [-1.0, 1.0] for n, p in around.still_px.items()}
    a = read_side(tracks, "right", 172.5, readout_ms=10.0, scene=around).facts["roll_deg"]
    b = read_side(turned, "left", 172.5, readout_ms=10.0, scene=Scene(still)).facts["roll_deg"]
    assert a == pytest.approx(b, abs=1e-6)
