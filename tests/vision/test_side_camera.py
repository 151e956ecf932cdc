"""The side film's camera over a grid of slants: what is left in the knee's angle, and whether the stated u covers it.

Simulated: points of a leg at motion level through a pinhole with k1, random lens, distance, place of aim, roll,
readout and depths; no pictures.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from fitwright.errors import InputError
from fitwright.linkage.leg import solve
from fitwright.motion.side import SideSystematic, analyse_side
from fitwright.vision.camera import Pinhole
from fitwright.vision.rereading import PictureFrame, to_plane
from fitwright.vision.sagittal import SideReading, read_side
from fitwright.vision.scale_choice import as_ellipse, knee_of, plainly
from fitwright.vision.scene import DEPTH_MM, STILL_POINTS, Scene
from fitwright.vision.side_camera import find_side_camera
from simulated_side import CENTRE, CRANK_MM, LEG, LEG_POINTS, SIDE, side_tracks

METHOD = {"dimension": "2-D", "state": "dynamic", "landmarks": "stickers"}
TRUE = solve(LEG).knee_flexion_deg
EVENTS = {"min": float(TRUE.min()), "max": float(TRUE.max()), "bdc": float(TRUE[180])}
AXLES = {"rear_axle": (-415.0, 68.0, 0.0), "front_axle": (585.0, 68.0, 0.0)}
WHEEL_MM = 622.0


def aimed(yaw: float, tilt: float, distance: float = 3500.0, focal: float = 1900.0, roll: float = 0.0,
          k1: float = 0.0, off_px: tuple[float, float] = (0.0, 0.0), share: float = 1.0) -> Pinhole:  # fmt: skip
    """A camera askew by that much that still looks at the rider; `share` of it by standing aside."""
    x, y = (share * distance * np.tan(np.radians(a)) for a in (yaw, tilt))
    return Pinhole("side", (x - 50.0, y + 500.0, distance), focal, (CENTRE[0] + off_px[0], CENTRE[1] + off_px[1]),
                   yaw, tilt, roll, k1)  # fmt: skip


def told(reading: SideReading) -> dict[str, tuple[float, float]]:
    """event → (error of knee flexion, its u), sticker placement counted as exact."""
    systematic = replace(reading.systematic, landmark_u_mm={})
    ride = analyse_side(reading.trajectories, "right", CRANK_MM, systematic, METHOD)
    knee = ride.quantities["right"]["knee_flexion_deg"]
    return {e: (knee[e].value - true, knee[e].u) for e, true in EVENTS.items()}


def random_film(
    rng: np.random.Generator, yaw: float, tilt: float, depth_spread: float
) -> dict[str, tuple[float, float]]:
    distance = rng.uniform(2700, 4500)
    lens = aimed(yaw, tilt, distance, min(rng.uniform(0.75, 1.25) * 1920, 0.55 * distance), rng.normal(0, 1.0),
                 rng.normal(0, 0.015), tuple(rng.normal(0, 3, 2)), rng.choice([0.5, 1.0]))  # fmt: skip
    depth = {n: DEPTH_MM[n][0] for n in LEG_POINTS}
    for shift in Scene().depth_shifts(LEG_POINTS):
        by = depth_spread * rng.normal()
        depth |= {n: depth[n] + by * mm for n, mm in shift.items()}
    late = float(np.clip(rng.normal(0.010, 0.005), 0.0, 0.020))
    still = {
        n: lens.project(p + np.array([0, rng.normal(0, 2.0), 0])) + rng.normal(0, 0.7, 2)
        for n, p in AXLES.items()
    }
    tape = np.linalg.norm(lens.place_mm) + rng.normal(0, 15) if rng.random() < 0.5 else None
    tracks = side_tracks(lens, 5.0, late, depth_mm=depth, seed=int(rng.integers(1 << 30)))
    return told(read_side(tracks, "right", CRANK_MM, tape, None, Scene(still)))


def test_an_askew_camera_costs_less_than_half_a_degree() -> None:
    """Up to 10° of yaw and 5° of tilt, lens not known, level by two axles: extremes and BDC, RMS over the grid."""
    rng = np.random.default_rng(21)
    films = [random_film(rng, yaw, tilt, 0.0) for yaw in (-10, -5, 0, 5, 10) for tilt in (-5, 0, 5)]
    for event in EVENTS:
        errors = [f[event][0] for f in films]
        assert np.sqrt(np.mean(np.square(errors))) < 0.5, event
        assert np.max(np.abs(errors)) < 1.3, event


def test_stated_intervals_hold_the_truth_when_depths_are_off_as_assumed() -> None:
    """The same with every sticker at another depth: what the stated 95 % intervals hold (105 values of 35 films)."""
    rng = np.random.default_rng(22)
    slants = rng.uniform([-10, -5], [10, 5], (35, 2))
    pairs = [v for yaw, tilt in slants for v in random_film(rng, yaw, tilt, 1.0).values()]
    z = np.array([error / u for error, u in pairs])
    assert 0.90 <= np.mean(np.abs(z) < 1.96) <= 0.99
    assert 0.7 < np.sqrt(np.mean(z**2)) < 1.2


@pytest.mark.parametrize(("yaw", "tilt"), [(10.0, 5.0), (-10.0, 5.0), (10.0, -5.0), (-10.0, -5.0)])
def test_a_slant_is_not_mistaken_for_its_mirror_image(yaw: float, tilt: float) -> None:
    """A circle askew looks like one askew the other way but for perspective: the fit tries both."""
    facts = read_side(side_tracks(aimed(yaw, tilt), 5.0), "right", CRANK_MM, None, 10.0).facts
    assert facts["yaw_deg"] == pytest.approx(yaw, abs=2.5)
    assert facts["tilt_deg"] == pytest.approx(tilt, abs=2.5)


def test_perspective_is_better_than_one_scale_and_than_the_ellipse() -> None:
    """RMS over the turn at 8° of yaw and 4° of tilt with a bending lens; each way says what it would cost."""
    lens = aimed(8.0, 4.0, k1=-0.02, focal=2100.0)
    tracks = side_tracks(lens, 6.0, depth_mm={n: DEPTH_MM[n][0] for n in LEG_POINTS})
    reading = read_side(tracks, "right", CRANK_MM, 3560.0, 10.0)
    px = tracks.uv_px - np.array(CENTRE)
    axle = px[:, tracks.names.index("pedal_axle")]
    theta = np.degrees(np.arctan2(*reading.trajectories.point("pedal_axle").T))
    true = np.interp(theta, np.arange(360.0), TRUE, period=360.0)
    errors = {
        "one scale": knee_of(plainly(px, axle, CRANK_MM), tracks.names) - true,
        "ellipse": knee_of(as_ellipse(px, axle, CRANK_MM), tracks.names) - true,
        "camera": knee_of(reading.trajectories.position_mm, tracks.names) - true,
    }
    rms = {k: float(np.sqrt(np.mean(v**2))) for k, v in errors.items()}
    assert rms["camera"] < 0.3
    assert rms["camera"] < min(rms["one scale"], rms["ellipse"])
    ways = {w["how"]: w for w in reading.facts["ways"]}
    assert [w["used"] for w in ways.values()] == [False, False, True]
    assert rms["one scale"] < 2.5 * ways["one scale for the whole picture"]["knee_u_deg"]
    assert min(w["knee_u_deg"] for w in ways.values()) == list(ways.values())[-1]["knee_u_deg"]
    assert "Camera used" in reading.facts["words"]["camera"]


# --- wheels, lengths ---


def rims(lens: Pinhole, pick_px: float = 0.0, seed: int = 1) -> dict[str, np.ndarray]:
    rng = np.random.default_rng(seed)
    at = {n: np.array(p) for n, p in AXLES.items()}
    for wheel in ("rear", "front"):
        for k, angle in enumerate(np.radians([10, 100, 190, 280]), start=1):
            spoke = WHEEL_MM / 2 * np.array([np.cos(angle), np.sin(angle), 0.0])
            at[f"{wheel}_rim_{k}"] = at[f"{wheel}_axle"] + spoke
    return {n: lens.project(p) + rng.normal(0, pick_px, 2) for n, p in at.items()}


def test_wheels_make_the_camera_surer() -> None:
    lens = aimed(6.0, 3.0)
    tracks = side_tracks(lens, 6.0)
    alone = read_side(tracks, "right", CRANK_MM, None, 10.0).facts
    still = rims(lens, 0.7)
    wheels = read_side(tracks, "right", CRANK_MM, None, 10.0, Scene(still, wheel_mm=WHEEL_MM)).facts
    shape = read_side(tracks, "right", CRANK_MM, None, 10.0, Scene(still)).facts
    for facts in (wheels, shape):
        assert facts["yaw_u_deg"] < 0.9 * alone["yaw_u_deg"]
        assert abs(facts["yaw_deg"] - 6.0) < 2.2 * facts["yaw_u_deg"]
    assert [s["agrees"] for s in wheels["scales"]] == [True, True]
    assert [s["how"] for s in wheels["scales"]] == ["the crank's circle", "both wheels"]
    assert any("circle alone" in w["how"] for w in wheels["ways"])
    assert "both wheels" in wheels["words"]["camera"]
    assert len(shape["scales"]) == 1


def test_scales_agree_within_what_they_state() -> None:
    """Wheel and stated length against the crank's circle over random cameras: differences as large as stated."""
    rng = np.random.default_rng(5)
    z = []
    for i in range(16):
        lens = aimed(
            rng.uniform(-8, 8), rng.uniform(-4, 4), rng.uniform(2700, 4500), 1700.0, k1=rng.normal(0, 0.01)
        )
        still = rims(lens, 0.7, seed=i)
        ends = np.array([[-200.0, 900.0, -50.0], [500.0, 880.0, -50.0]])
        still |= {f"length_{k + 1}": lens.project(e) + rng.normal(0, 0.7, 2) for k, e in enumerate(ends)}
        taped = float(np.linalg.norm(ends[1] - ends[0])) + rng.normal(0, 1.0)
        scene = Scene(still, wheel_mm=WHEEL_MM, length_mm=taped, length_depth_mm=-50.0)
        scales = read_side(side_tracks(lens, 5.0), "right", CRANK_MM, None, 10.0, scene).facts["scales"]
        base = scales[0]["px_per_mm"]
        z += [
            (s["px_per_mm"]["value"] - base["value"]) / np.hypot(s["px_per_mm"]["u"], base["u"])
            for s in scales[1:]
        ]
        assert all(s["agrees"] for s in scales)
    assert len(z) == 32
    assert 0.3 < np.sqrt(np.mean(np.square(z))) < 1.3


def test_a_wrong_crank_length_shows_against_the_wheels() -> None:
    lens = aimed(2.0, 1.0)
    tracks = side_tracks(lens, 6.0)
    scene = Scene(rims(lens, 0.5), wheel_mm=WHEEL_MM)
    reading = read_side(tracks, "right", 155.0, lens.place_mm[2], 10.0, scene)
    assert [s["agrees"] for s in reading.facts["scales"]] == [True, False]
    assert any("disagree by" in note and "crank length" in note for note in reading.notes)


# --- depth ---


def test_a_point_out_of_the_plane_is_read_at_its_own_depth() -> None:
    """D/(D − Δz): a point 200 mm nearer than taken, at 3.5 m, looks 200/3300 larger about the lens' foot."""
    lens = aimed(0.0, 0.0)
    lens = replace(lens, centre_px=(0.0, 0.0))
    depth = {"pedal_axle": 180.0, "greater_trochanter": 180.0}
    angle = np.linspace(0, 2 * np.pi, 72, endpoint=False)
    axle = np.column_stack([172.5 * np.sin(angle), 172.5 * np.cos(angle), np.full(72, 180.0)])
    hip = np.tile([-190.0, 751.0, 380.0], (72, 1))
    px = np.stack([lens.project(axle), lens.project(hip)], axis=1)
    names = tuple(depth)
    wrong = to_plane(px, names, lens, depth, 172.5)[0, 1]
    right = to_plane(px, names, lens, depth | {"greater_trochanter": 380.0}, 172.5)[0, 1]
    foot = np.array(lens.place_mm[:2])
    assert right == pytest.approx([-190.0, 751.0], abs=1e-6)
    assert wrong - foot == pytest.approx((right - foot) * (3500 - 180) / (3500 - 380), rel=1e-6)


def test_body_measures_move_the_depths_and_make_them_surer() -> None:
    usual, wide = Scene(), Scene(stance_mm=148.0, hip_breadth_mm=370.0)
    assert wide.depth("heel")[0] == usual.depth("heel")[0] + 20.0
    assert wide.depth("greater_trochanter")[0] == usual.depth("greater_trochanter")[0] + 20.0
    assert wide.depth("lateral_femoral_condyle")[0] == usual.depth("lateral_femoral_condyle")[0] + 20.0
    for name in ("heel", "greater_trochanter", "lateral_femoral_condyle"):
        assert wide.depth(name)[1] < 0.95 * usual.depth(name)[1]
    assert wide.depth("acromion") == usual.depth("acromion")
    lens = aimed(8.0, 0.0)
    depth = {n: wide.depth(n)[0] for n in LEG_POINTS}
    tracks = side_tracks(lens, 5.0, depth_mm=depth)
    plain, measured = (
        told(read_side(tracks, "right", CRANK_MM, 3535.0, 10.0, s))["min"] for s in (usual, wide)
    )
    assert measured[1] < plain[1]
    assert abs(measured[0]) < 1.96 * measured[1]


def test_lengths_that_cannot_be_are_refused() -> None:
    for wrong in ({"wheel_mm": 62.2}, {"length_mm": 5.0}, {"stance_mm": 900.0}, {"hip_breadth_mm": 30.0}):
        with pytest.raises(InputError, match=next(iter(wrong))):
            Scene(**wrong)


def test_the_camera_can_be_found_by_itself() -> None:
    tracks = side_tracks(SIDE, 5.0, 0.0)
    axle = PictureFrame(tracks.info, "right").from_centre(tracks.uv_px[:, 0])
    camera = find_side_camera(tracks.time_s, axle, tracks.info, CRANK_MM, 3600.0, Scene(), {})
    assert camera.rulers == ()
    assert camera.fit is camera.alone
    assert camera.how == "the crank's circle in perspective"
    assert isinstance(SideSystematic().rereadings, tuple)
    assert len(set(STILL_POINTS)) == len(STILL_POINTS)
