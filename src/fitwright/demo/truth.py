"""The known truth of a simulated clip. Only tests and the bench may read it; the pipeline never does."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from fitwright.demo.camera import SimCamera
from fitwright.demo.motion3d import Motion, Points, flexion_deg
from fitwright.demo.riders import SIDES
from fitwright.demo.stickers import StickerTrack
from fitwright.errors import InputError
from fitwright.quantity import Floats

IDEALISED = {
    "side": ("near arm and hand never hide a sticker", "limb edges are drawn at two moments per exposure"),
    "front": (
        "the pedal's target lies on the axle line at the cleat's centre and the toe never hides it",
"limb edges are drawn at two moments per exposure",
    ),
}  # fmt: skip


@dataclass(frozen=True)
class Truth:
    """What a simulated clip truly shows. `data` is the JSON form; its keys:

    simulated (always true), clip, view, rider, seed, camera, frames, time_s (F,) time stamps; names; per point
    px (F, 2) at the mid-exposure of its own row, row_time_s (F,), visible (F,), mm (F, 3) at that time;
    crank_deg (F,) of the right crank at the time stamp, unwrapped; cadence_rpm; side view: knee_flexion_deg
    (sagittal projection of the sticker points, right), trunk, sole pitch; front view: knee_path_mm per side
    (patella sticker outward of the pedal sticker), foot_yaw_deg per side (line of both shoe stickers, toe out).
    """

    data: dict[str, Any]

    @property
    def time_s(self) -> Floats:
        """(F,) time stamps, s."""
        return np.asarray(self.data["time_s"], dtype=np.float64)

    @property
    def names(self) -> list[str]:
        """Sticker names."""
        return list(self.data["names"])

    def px(self, name: str) -> Floats:
        """(F, 2) px of one sticker, hidden frames included."""
        return np.asarray(self.data["px"][name], dtype=np.float64)

    def visible(self, name: str) -> np.ndarray:
        """(F,) whether it was seen."""
        return np.asarray(self.data["visible"][name], dtype=bool)

    def save(self, clip: Path) -> Path:
        """Writes `<clip>.truth.json`, whole or not at all."""
        path = clip.with_name(clip.name + ".truth.json")
        part = path.with_name("." + path.name + ".part")
        part.write_text(json.dumps(self.data), encoding="utf-8")
        part.replace(path)
        return path

    @staticmethod
    def load(clip: Path) -> Truth:
        """Reads the truth that belongs to a clip or photograph."""
        path = clip.with_name(clip.name + ".truth.json")
        if not path.is_file():
            raise InputError("truth", "there is no truth file beside this picture", value=str(path))
        return Truth(json.loads(path.read_text(encoding="utf-8")))


CLEAR_S, SEARCH_S = 0.08, 0.7


def hand_marks(truth: Truth, time_s: float, seed: int, noise_px: float = 1.0) -> dict[str, Any]:
    """What a practitioner would click: `{"time_s", "points": {name: [u, v]}}`, px.

    As the page asks, the frame is one in which every sticker is free, not just before or after it is covered: the
    nearest to `time_s` that is `CLEAR_S` away from any covered frame, else the clearest. `noise_px` per coordinate.
    """
    rng = np.random.default_rng([seed, 41, truth.data["view"] == "front"])
    covered = truth.time_s[~np.all([truth.visible(n) for n in truth.names], axis=0)]
    clear = np.full(truth.time_s.size, CLEAR_S)
    if covered.size:
        clear = np.minimum(clear, np.abs(truth.time_s[:, None] - covered).min(axis=1))
    away = np.abs(truth.time_s - time_s)
    i = int(np.lexsort((away, -np.where(away <= SEARCH_S, clear, clear - 1e3)))[0])
    clicks = {n: truth.px(n)[i] + rng.normal(0, noise_px, 2) for n in truth.names}
    points = {n: [round(float(c[0]), 2), round(float(c[1]), 2)] for n, c in clicks.items()}
    return {"time_s": float(truth.time_s[i]), "points": points}


Stickers = Callable[[Motion, str, Floats], Points]


def clip_truth(
    motion: Motion,
    camera: SimCamera,
    time_s: Floats,
    tracks: tuple[StickerTrack, ...],
    stickers: Stickers,
    clip: str,
    seed: int,
    idealised: tuple[str, ...] = (),
) -> Truth:
    """Collects the truth of a clip."""
    data: dict[str, Any] = {
        "simulated": True, "clip": clip, "view": camera.view, "rider": motion.rider.key, "seed": seed,
        "camera": camera.to_json(), "setup": motion.setup.to_json(), "frames": int(time_s.size),
        "time_s": time_s.tolist(), "names": [t.name for t in tracks],
        "px": {t.name: np.round(t.centre_px, 5).tolist() for t in tracks},
        "visible": {t.name: t.visible.tolist() for t in tracks},
        "row_time_s": {}, "mm": {}, "idealised": [*IDEALISED[camera.view], *idealised],
        "crank_deg": np.degrees(motion.crank_rad(time_s)).tolist(),
    }  # fmt: skip
    for t in tracks:
        own = time_s + t.centre_px[:, 1] * camera.line_s
        data["row_time_s"][t.name] = np.round(own, 8).tolist()
        data["mm"][t.name] = np.round(stickers(motion, camera.view, own)[t.name], 4).tolist()
    if camera.view == "front":
        lens = np.array(camera.position_mm)
        data["camera_to_bottom_bracket_mm"] = float(np.linalg.norm(lens))
    data |= ride_truth(motion, camera.view, float(time_s[0]), float(time_s[-1]), stickers)
    return Truth(data)


CUT_DEG = 270  # turns run from 270° to 270°, so that no extreme near a dead centre is torn in two


def cycles_deg(motion: Motion, start_s: float, end_s: float, side: str) -> tuple[Floats, float]:
    """(C, 360) times at which this side's crank passes each whole degree (column = degree) in whole turns, and the
    true mean cadence over them, rpm (NaN without a whole turn)."""
    t = np.linspace(start_s, end_s, max(200, int((end_s - start_s) * 2000)))
    theta = np.degrees(motion.crank_rad(t)) + (0.0 if side == "right" else 180.0) - CUT_DEG
    first, last = int(np.ceil(theta[0] / 360)), int(np.floor(theta[-1] / 360))
    times = np.interp(np.arange(first * 360, last * 360 + 1), theta, t)
    turns = last - first
    if turns < 1:
        return np.empty((0, 360)), float("nan")
    cadence = turns / (times[-1] - times[0]) * 60
    return np.roll(times[:-1].reshape(-1, 360), CUT_DEG, axis=1), float(cadence)


def events(cycles: Floats) -> dict[str, float]:
    """Means over cycles of min, max, range and of the values at 0°, 90°, 180°; range and places of the mean curve."""
    mean = cycles.mean(axis=0)
    return {
        "min": float(cycles.min(axis=1).mean()), "max": float(cycles.max(axis=1).mean()),
        "range": float(np.ptp(cycles, axis=1).mean()), "top": float(mean[0]), "q90": float(mean[90]),
        "range_of_mean": float(np.ptp(mean)), "bdc": float(mean[180]), "mean": float(mean.mean()),
        "min_at": float(np.argmin(mean)),
        "max_at": float(np.argmax(mean)), "cycles": int(cycles.shape[0]),
    }  # fmt: skip


def ride_truth(motion: Motion, view: str, start_s: float, end_s: float, stickers: Stickers) -> dict[str, Any]:
    """Cadence over whole cycles, and the view's quantities with their mean curves."""
    right, cadence = cycles_deg(motion, start_s, end_s, "right")
    out: dict[str, Any] = {"cycles": right.shape[0]}
    if right.shape[0] == 0:
        return out
    out["cadence_rpm"] = cadence
    if view == "side":
        return out | _side_truth(motion, right, stickers)
    paths, yaws = {}, {}
    for side in SIDES:
        t, _ = cycles_deg(motion, start_s, end_s, side)
        p = stickers(motion, view, t.ravel())
        sign = 1.0 if side == "right" else -1.0
        path = sign * (p[f"patella_{side}"][:, 2] - p[f"pedal_{side}"][:, 2]).reshape(t.shape)
        paths[side] = events(path) | {"curve": path.mean(axis=0).tolist()}
        shoe = p[f"foot_{side}"] - p[f"foot_rear_{side}"]
        yaw = np.degrees(np.arctan2(sign * shoe[:, 2], shoe[:, 0])).reshape(t.shape)
        yaws[side] = events(yaw) | {"curve": yaw.mean(axis=0).tolist()}
    return out | {"knee_path_mm": paths, "foot_yaw_deg": yaws}


def _side_truth(motion: Motion, t: Floats, stickers: Stickers) -> dict[str, Any]:
    p = stickers(motion, "side", t.ravel())
    hip, knee, ankle = (p[n] for n in ("greater_trochanter", "lateral_femoral_condyle", "lateral_malleolus"))
    trunk = p["acromion"] - hip
    foot = p["heel"] - p["fifth_metatarsal"]
    curves = {
        "knee_flexion_deg": flexion_deg(hip, knee, ankle),
        "trunk_inclination_deg": np.degrees(np.arctan2(trunk[:, 1], trunk[:, 0])),
        "heel_m5_pitch_deg": np.degrees(np.arctan2(foot[:, 1], -foot[:, 0])),
        "hip_x_mm": hip[:, 0], "hip_y_mm": hip[:, 1],
    }  # fmt: skip
    shaped = {k: c.reshape(t.shape) for k, c in curves.items()}
    return {k: events(c) | {"curve": c.mean(axis=0).tolist()} for k, c in shaped.items()}
