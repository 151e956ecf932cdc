"""A whole side and front film, small and simulated, through decoding, tracking, geometry and turns."""

from __future__ import annotations

import json

import numpy as np
import pytest

from fitwright.errors import InputError, Stopped
from fitwright.linkage.leg import solve
from fitwright.linkage.twin import LegTwin
from fitwright.motion.ride import RideResult
from fitwright.studio.film import Marks, analyse_clip
from fitwright.vision.camera import Pinhole

LEG = LegTwin(405.0, 420.0, 125.0, 105.0, 172.5, -190.0, 751.0, 15.0, (-6.0, 0.0), (10.4, 0.0))
SIDE = Pinhole("side", (-60.0, 290.0, 3500.0), 1000.0, (319.5, 179.5), 2.0, 0.5, 0.4)
FRONT = Pinhole("front", (3300.0, 290.0, 60.0), 1000.0, (319.5, 179.5), -1.0, 0.5, 1.0)
JOINTS = {
    "pedal_axle": ("axle", 180.0), "greater_trochanter": ("hip", 165.0), "lateral_femoral_condyle": ("knee", 168.0),
    "lateral_malleolus": ("malleolus", 160.0),
}  # fmt: skip
T = np.arange(300) / 60


def theta(t: np.ndarray) -> np.ndarray:
    return 0.5 + t * 96 / 60 * 2 * np.pi


def joint(name: str, t: np.ndarray) -> np.ndarray:
    key, depth = JOINTS[name]
    pose = solve(LEG, np.degrees(theta(t)))
    x, y = (np.broadcast_to(getattr(pose, f"{key}_{a}"), t.shape) for a in "xy")
    return np.stack([x, y, np.full(t.shape, depth)], axis=1)


def front_point(name: str, t: np.ndarray) -> np.ndarray:
    side = name.split("_")[1]
    sign, angle = (1.0, theta(t)) if side == "right" else (-1.0, theta(t) + np.pi)
    pose = solve(LEG, np.degrees(angle))
    if name.startswith("pedal"):
        return np.stack([pose.axle_x, pose.axle_y, np.full(t.shape, sign * 130.0)], axis=1)
    out = 130.0 - 12.0 + 5.0 * np.cos(angle)
    return np.stack([pose.knee_x + 50, pose.knee_y, sign * out], axis=1)


@pytest.fixture(scope="module")
def clips(tmp_path_factory, film_maker):
    """Side and front film with their marks (3 px off)."""
    folder = tmp_path_factory.mktemp("film")
    rng = np.random.default_rng(4)
    made = {}
    for view, camera, place, names in (
        ("side", SIDE, joint, list(JOINTS)),
        ("front", FRONT, front_point, ["pedal_left", "pedal_right", "patella_left", "patella_right"]),
    ):
        paths = {n: (lambda t, n=n, c=camera, p=place: c.project(p(n, t))) for n in names}
        film = film_maker.Film(paths, T, exposure_s=1 / 500, readout_s=0.01)
        film_maker.film_to(folder / f"{view}.mp4", film)
        marks = {n: (path(np.zeros(1))[0] + rng.uniform(-2, 2, 2)).tolist() for n, path in paths.items()}
        made[view] = (folder / f"{view}.mp4", {"time_s": 0.0, "points": marks})
    return made


@pytest.fixture(scope="module")
def side(clips):
    path, marks = clips["side"]
    return analyse_clip(
        path, "side", "right", Marks.from_json(marks), 172.5, camera_mm=3530.0, readout_ms=10.0
    )


def test_side_film_gives_cadence_and_knee_flexion(side):
    pose = solve(LEG)
    ride = side.ride
    assert ride.cadence_rpm.value == pytest.approx(96, abs=0.05)
    for event, true in (("bdc", pose.knee_flexion_deg[180]), ("min", pose.knee_flexion_deg.min()),
                        ("max", pose.knee_flexion_deg.max())):  # fmt: skip
        value = ride.value("right", "knee_flexion_deg", event)
        assert value.value == pytest.approx(float(true), abs=0.8)
        assert value.interval95[0] < true < value.interval95[1]
        assert value.u > 1.0  # stickers on skin: less would be a lie
    assert ride.quality["camera"]["readout_s"] == 0.01
    assert set(ride.quality["tracks"]) == set(JOINTS)


def test_front_film_gives_knee_paths(clips, side):
    path, marks = clips["front"]
    result = analyse_clip(
        path, "front", None, Marks.from_json(marks), 172.5, camera_mm=3330.0, twin=side.ride, readout_ms=10.0
    )
    for s in ("left", "right"):
        for event, true in (("top", -7.0), ("q90", -12.0), ("bdc", -17.0), ("range", 10.0)):
            value = result.ride.value(s, "knee_path_mm", event)
            assert value.value == pytest.approx(true, abs=2.0)
            assert value.interval95[0] < true < value.interval95[1]


def test_json_is_the_contract_and_reads_back(side):
    data = json.loads(json.dumps(side.contract_json(), allow_nan=False))
    assert {"value", "u", "unit"} <= set(data["knee_flexion_deg"]["bdc"])
    assert set(data["track_quality"]) == set(JOINTS)
    assert RideResult.from_json(data).to_json() == side.ride.to_json()
    record = side.to_json()
    assert len(record["tracks"]["points"]["pedal_axle"]["u"]) == len(record["tracks"]["time_s"]) == len(T)


def test_progress_grows_and_cancelling_stops(clips):
    path, marks = clips["side"]
    told: list[tuple[float, str]] = []
    with pytest.raises(Stopped):
        analyse_clip(
            path, "side", "right", Marks.from_json(marks), 172.5,
            progress=lambda share, words: told.append((share, words)), cancelled=lambda: len(told) > 3,
        )  # fmt: skip
    shares = [share for share, _ in told]
    assert shares == sorted(shares)
    assert len(told) == 4


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"points": {"nose": [3, 4]}}, "nose.*allowed: acromion"),
        ({"points": {"patella_left": [3, 4]}}, "not a point of the side view"),
        ({"points": {"pedal_axle": [700, 40]}}, "outside the picture.*639"),
        ({"points": {"heel": [300, 140]}}, "pedal axle is not marked"),
        ({"points": {}}, "no point"),
        ({"points": {"heel": [1]}}, "pair of pixels"),
        ({"points": {"heel": [1, float("nan")]}}, "not a number"),
        ({"points": [1, 2]}, "form expected"),
        ({"time_s": 90.0}, "after the end"),
        ({"time_s": -1.0}, "0 to 36000"),
    ],
)
def test_marks_that_cannot_be(clips, change, words):
    path, marks = clips["side"]
    with pytest.raises(InputError, match=words):
        analyse_clip(path, "side", "right", Marks.from_json(marks | change), 172.5)


def test_calls_that_cannot_be(clips):
    path, marks = clips["side"]
    read = Marks.from_json(marks)
    for view, side, crank, words in (
        ("above", "right", 172.5, "side, front"), ("side", None, 172.5, "left, right"),
        ("side", "right", 17.25, "100 to 220"), ("side", "left", 172.5, "backward"),
    ):  # fmt: skip
        with pytest.raises(InputError, match=words):
            analyse_clip(path, view, side, read, crank)
