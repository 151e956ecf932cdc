"""Static measures: the rider on the bike, held still, in one picture from the side.

One picture has no circle of the pedal to find the camera from. So the camera is supposed to stand about square and
level, from where it usually does, and how far it may be off is drawn at random together with picks, placement of the
landmarks and their distance from the bike's mid-plane; the spread of the angles is their uncertainty. An upright edge
or both wheel axles tell the roll.

Static angles are not those of a ride: the knee at the bottom is 8.2 ± 5.0° less bent than in motion (Bini & Hume
2016, 10.1515/humo-2016-0005), so they are marked static and compared with static bands only.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from scipy.spatial.transform import Rotation

from fitwright.errors import InputError, check_range
from fitwright.motion.angles import joint_angles
from fitwright.motion.placement import DEFAULT_LANDMARK_U_MM, SEGMENT_OF
from fitwright.quantity import Floats, Measured
from fitwright.vision.camera import BASE, U_PICK_PX
from fitwright.vision.level import PAIRS
from fitwright.vision.scene import STILL_POINTS, Scene

POINTS = (
    "acromion", "elbow", "wrist", "greater_trochanter", "lateral_femoral_condyle", "lateral_malleolus", "heel",
    "fifth_metatarsal", "pedal_axle", "bottom_bracket",
)  # fmt: skip
EVENTS = {
    "bdc": "pedal at its lowest", "q90": "crank forward, level", "tdc": "pedal at its highest",
    "crank_in_line": "crank in line with the saddle",
}  # fmt: skip
CRANK_DEG = {"bdc": 180.0, "q90": 90.0, "tdc": 0.0, "crank_in_line": 165.0}
CRANK_OFF_DEG = 25.0
"""How far the crank may stand off its place (our choice): the knee at the bottom hardly changes within it."""
U_YAW_DEG, U_TILT_DEG, U_ROLL_DEG = 4.0, 2.5, 1.5
"""How far a telephone held or set up beside a bike is usually off square and level (our choice)."""
U_LEVELLED_DEG = 0.4
FOCAL_SHARE = (0.95, 0.12)
"""Focal length over the picture's longer side (common practice, no source)."""
USUAL_THIGH_MM = (415.0, 30.0)
DRAWS, SEED = 2000, 20
METHOD = {"dimension": "2-D", "state": "static", "landmarks": "picked in one picture from the side"}
QUANTITIES = {
    "knee_flexion": "knee_flexion_deg", "hip_flexion": "hip_flexion_deg",
    "ankle_plantarflexion": "ankle_plantarflexion_deg", "sole_pitch": "sole_pitch_deg",
    "trunk_inclination": "trunk_inclination_deg", "shoulder_flexion": "shoulder_flexion_deg",
    "elbow_flexion": "elbow_flexion_deg", "thigh_to_horizontal": "thigh_to_horizontal_deg",
}  # fmt: skip


@dataclass(frozen=True)
class StillRide:
    """Static angles of one side.

    Attributes: side; event, one of `EVENTS`; quantities: name → value ± u, deg; method: as stored beside an angle;
    notes: what would make them surer, or looks odd.
    """

    side: str
    event: str
    quantities: Mapping[str, Measured]
    method: Mapping[str, str] = field(default_factory=lambda: dict(METHOD))
    notes: tuple[str, ...] = ()

    def to_json(self) -> dict[str, Any]:
        """The record's form: each quantity under its event, as a ride has it."""
        return {
            "side": self.side, "event": self.event, "method": dict(self.method), "notes": list(self.notes),
        } | {name: {self.event: m.to_json()} for name, m in self.quantities.items()}  # fmt: skip

    @staticmethod
    def from_json(data: Mapping[str, Any]) -> StillRide:
        """The inverse of `to_json`."""
        event = str(data["event"])
        found = {n: Measured.from_json(data[n][event]) for n in QUANTITIES.values() if n in data}
        return StillRide(str(data["side"]), event, found, dict(data["method"]), tuple(data["notes"]))


def read_still(
    points_px: Mapping[str, tuple[float, float]], size_px: tuple[int, int], side: str, event: str = "bdc",
    camera_mm: float | None = None, thigh_mm: float | None = None, scene: Scene | None = None,
) -> StillRide:  # fmt: skip
    """Angles from points picked in one upright picture.

    Args:
        points_px: name → (u, v), of `POINTS` and of the still points that tell level. size_px: width, height.
        side: the side that is seen. event: where the crank stands. camera_mm: lens to bottom bracket by tape.
        thigh_mm: hip to knee by tape; else a usual length tells how far away the camera stood. scene: stance, hips.

    Raises:
        InputError: an unknown name, side or event, a point outside the picture, or too few points for any angle.
    """
    _check(points_px, size_px, side, event)
    width, height = size_px
    flip = 1.0 if side == "right" else -1.0
    centre = np.array([(width - 1) / 2, (height - 1) / 2])
    px = {n: (np.array(uv, dtype=np.float64) - centre) * [flip, 1.0] for n, uv in points_px.items()}
    _check_crank(px, event)
    body = [n for n in POINTS if n in px]
    where = scene or Scene()
    depth = np.array([where.depth(n)[0] for n in body])
    apart = np.array([[shift.get(n, 0.0) for n in body] for shift in where.depth_shifts(body)])
    roll, u_roll, level_words = _roll(px)
    far, u_far = _distance(px, max(size_px), camera_mm, thigh_mm)
    seen = np.stack([px[n] for n in body])
    at = _met(seen, depth, far, max(size_px) * FOCAL_SHARE[0], np.array([0.0, 0.0, roll]))
    told = joint_angles(dict(zip(body, at, strict=True)))
    if not told:
        raise InputError(
            "points", "too few for any angle", allowed="hip, knee and ankle for the knee’s flexion"
        )
    rng = np.random.default_rng(SEED)
    z = rng.normal(0, 1, (5, DRAWS, 1))
    turned = np.concatenate([U_YAW_DEG * z[0], U_TILT_DEG * z[1], roll + u_roll * z[2]], axis=1)
    drawn = _met(
        seen + rng.normal(0, U_PICK_PX, (DRAWS, *seen.shape)),
        depth + rng.normal(0, 1, (DRAWS, len(apart))) @ apart, far * (1 + u_far * z[3]),
        max(size_px) * (FOCAL_SHARE[0] + FOCAL_SHARE[1] * z[4]), turned,
    )  # fmt: skip
    places = _misplaced({n: drawn[:, i] for i, n in enumerate(body)}, rng)
    quantities = {
        QUANTITIES[k]: Measured(float(told[k]), float(np.std(v)), "deg", "static: one picture, held still")
        for k, v in joint_angles(places).items()
    }
    return StillRide(side, event, quantities, notes=_notes(level_words, camera_mm, thigh_mm))


def _met(
    px: Floats, beside_mm: Floats, far_mm: Floats | float, focal_px: Floats | float, turned_deg: Floats
) -> Floats:
    """(..., P, 2) places X, Y in the planes of the points, for px (..., P, 2) from the picture's centre and cameras
    turned by yaw, tilt and roll (..., 3); the rotations are those of `camera.Pinhole`."""
    yaw, tilt, roll = np.moveaxis(turned_deg, -1, 0)
    turn = (
        Rotation.from_euler("ZXY", np.stack([roll, tilt, yaw], axis=-1), degrees=True).as_matrix()
        @ BASE["side"]
    )
    focal = np.asarray(focal_px)
    xy = px / (focal[..., None] if focal.ndim else focal)
    rays = np.concatenate([xy, np.ones_like(xy[..., :1])], axis=-1) @ turn
    return np.asarray((rays * ((beside_mm - far_mm) / rays[..., 2])[..., None])[..., :2])


def _check(points: Mapping[str, tuple[float, float]], size: tuple[int, int], side: str, event: str) -> None:
    if side not in ("left", "right"):
        raise InputError("side", "say which side is seen", value=side, allowed="left, right")
    if event not in EVENTS:
        raise InputError("event", "unknown", value=event, allowed=", ".join(EVENTS))
    for name, (u, v) in points.items():
        if name not in POINTS and name not in STILL_POINTS:
            raise InputError("points", "not a point of the side view", value=name, allowed=", ".join(POINTS))
        check_range(f"{name}, across", u, 0, size[0] - 1, "px")
        check_range(f"{name}, down", v, 0, size[1] - 1, "px")


def _check_crank(px: Mapping[str, Floats], event: str) -> None:
    """Where the pedal stands is seen when axle and bottom bracket are marked: it must be where somebody says."""
    if "pedal_axle" not in px or "bottom_bracket" not in px:
        return
    forward, down = px["pedal_axle"] - px["bottom_bracket"]
    seen = math.degrees(math.atan2(forward, -down)) % 360
    off = (seen - CRANK_DEG[event] + 180) % 360 - 180
    if abs(off) > CRANK_OFF_DEG:
        nearest = min(CRANK_DEG, key=lambda e: abs((seen - CRANK_DEG[e] + 180) % 360 - 180))
        raise InputError(
            "crank", f"stands at {seen:.0f}° in this picture, not where it is said: {EVENTS[event]}",
            allowed=f"{CRANK_DEG[event]:.0f} ± {CRANK_OFF_DEG:.0f}°",
            hint=f"Nearest is: {EVENTS[nearest]}; or take another picture",
        )  # fmt: skip


def _roll(px: Mapping[str, Floats]) -> tuple[float, float, str]:
    """The camera's roll and its u, deg, from an upright edge or the wheel axles; level ± the usual without."""
    for kind, upright in (("plumb", True), ("axles", False)):
        first, second, words = PAIRS[kind]
        if first in px and second in px:
            du, dv = px[second] - px[first]
            lean = math.atan2(du, -dv) if upright else math.atan2(dv, du)
            return math.degrees(lean), U_LEVELLED_DEG, words
    return 0.0, U_ROLL_DEG, ""


def _distance(
    px: Mapping[str, Floats], long_side: int, camera_mm: float | None, thigh_mm: float | None
) -> tuple[float, float]:
    """How far the lens is from the bike's mid-plane, mm, and its relative u: by tape, else from the thigh's size."""
    if camera_mm is not None:
        return check_range("camera_mm", camera_mm, 800, 20_000, "mm"), 0.02
    ends = [px.get(n) for n in ("greater_trochanter", "lateral_femoral_condyle")]
    if ends[0] is None or ends[1] is None:
        return 3400.0, 0.25
    length, u = (thigh_mm, 15.0) if thigh_mm is not None else USUAL_THIGH_MM
    check_range("thigh_mm", length, 200, 650, "mm")
    seen = float(np.hypot(*(ends[1] - ends[0])))
    if seen < 20:
        raise InputError("points", "hip and knee lie on each other", value=f"{seen:.0f} px apart")
    far = FOCAL_SHARE[0] * long_side * length / seen + 170.0
    return far, math.hypot(u / length, FOCAL_SHARE[1] / FOCAL_SHARE[0])


def _misplaced(places: dict[str, Floats], rng: np.random.Generator) -> dict[str, Floats]:
    """Each landmark moved along and across its segment by a draw of its placement's uncertainty."""
    out = dict(places)
    for name, xy in places.items():
        ends = SEGMENT_OF.get(name)
        v = np.broadcast_to(np.array([1.0, 0.0]), xy.shape)
        if ends and all(e in places for e in ends):
            v = places[ends[1]] - places[ends[0]]
        along = v / np.maximum(np.linalg.norm(v, axis=-1, keepdims=True), 1e-9)
        across = np.stack([-along[..., 1], along[..., 0]], axis=-1)
        a, b = DEFAULT_LANDMARK_U_MM.get(name, 6.0) * rng.normal(0, 1, (2, len(xy), 1))
        out[name] = xy + a * along + b * across
    return out


def _notes(level: str, camera_mm: float | None, thigh_mm: float | None) -> tuple[str, ...]:
    notes = []
    if not level:
        notes.append(
            "The camera is taken for level. With a door frame or both wheel axles marked, trunk and sole are surer."
        )
    if camera_mm is None and thigh_mm is None:
        notes.append(
            "The camera’s distance is guessed from the thigh: a tape makes the angles a little surer."
        )
    return tuple(notes)
