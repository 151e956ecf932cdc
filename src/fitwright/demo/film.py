"""Renders a simulated clip and writes its truth beside it.

What is simulated: perspective and lens distortion, a camera slightly askew, rolling shutter, motion blur, sensor
noise, light drift and mains flicker, H.264, jittered time stamps with a few dropped frames. Stickers are drawn
analytically (`stickers`), limbs more cheaply (polygons, two moments per exposure).
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from fractions import Fraction
from functools import partial
from pathlib import Path

import av
import cv2
import numpy as np

from fitwright.demo.camera import SimCamera, studio_camera
from fitwright.demo.conditions import (
    TIMESCALE,
    USUAL,
    Conditions,
    Hand,
    Pattern,
    frame_times,
    light,
    noise_fields,
)
from fitwright.demo.figure import SHADES, Outline, add_shape_points, joined, outline, scene_order
from fitwright.demo.motion3d import Motion, Points, ride
from fitwright.demo.riders import SimRider, SimSetup
from fitwright.demo.scene import Canvas, caption, chroma, paint_bike, studio, to_yuv
from fitwright.demo.stickers import OUTER_MM, StickerTrack, stamp
from fitwright.demo.truth import Truth, clip_truth
from fitwright.quantity import Floats

CAPTION = "simulated - invented rider, rendered film"
SIDE_POINTS = {
    "acromion": "acromion_right", "elbow": "elbow_right", "wrist": "wrist_right",
    "greater_trochanter": "greater_trochanter_right", "lateral_femoral_condyle": "lateral_femoral_condyle_right",
    "lateral_malleolus": "lateral_malleolus_right", "heel": "heel_right",
    "fifth_metatarsal": "fifth_metatarsal_right", "pedal_axle": "pedal_axle_right",
    "bottom_bracket": "bottom_bracket",
}  # fmt: skip
FRONT_POINTS = {
    f"{n}_{s}": f"{n}_{s}"
    for n in ("asis", "patella", "foot", "foot_rear", "pedal")
    for s in ("left", "right")
}
HAND_OVER = "greater_trochanter"
"""The sticker of a side film that a hand covers where `Conditions` say so."""
Progress = Callable[[float], None]


def sticker_positions(
    motion: Motion, view: str, t_s: Floats, beside_mm: Mapping[str, float] | None = None
) -> Points:
    """Sticker name → (N, 3) mm. Side view: the right side's, raised to the body's surface; the bottom bracket's
    sits on the crank bolt. Front view: the pedal's target lies on the axle line at the cleat's centre (idealised:
    the toe never hides it). `beside_mm`: by how much a sticker lies further out than usual."""
    p = motion.points(t_s)
    names = SIDE_POINTS if view == "side" else FRONT_POINTS
    out = {name: p[source] for name, source in names.items()}
    if view == "side":
        face = motion.setup.contact.q_factor_mm / 2 + 6
        out["bottom_bracket"] = p["bottom_bracket"] + [0, 0, face]
        lift = {"acromion": 36.0, "elbow": 38.0, "wrist": 27.0}
        for name, mm in lift.items():
            out[name] = out[name] + [0, 0, mm]
    for name, mm in (beside_mm or {}).items():
        out[name] = out[name] + [0, 0, mm]
    return out


def at_row_time(
    position: Callable[[Floats], Floats], pts_s: Floats, camera: SimCamera
) -> tuple[Floats, Floats, Floats, Floats]:
    """Solves t = pts + v(t) · line for one point: mid-exposure times (F,), px (F, 2), depth (F,), mm (F, 3)."""
    t = pts_s + camera.readout_s / 2
    for _ in range(4):
        px, depth = camera.project(position(t))
        t = pts_s + np.clip(px[:, 1], -camera.height, 2 * camera.height) * camera.line_s
    mm = position(t)
    px, depth = camera.project(mm)
    return t, px, depth, mm


def _with_motion(
    position: Callable[[Floats], Floats], pts_s: Floats, camera: SimCamera
) -> tuple[Floats, Floats, Floats, Floats, Floats, Floats]:
    """As `at_row_time`, plus image speed and acceleration by central differences of 0.5 ms."""
    t, px, depth, mm = at_row_time(position, pts_s, camera)
    h = 5e-4
    before, after = camera.project(position(t - h))[0], camera.project(position(t + h))[0]
    return t, px, depth, mm, (after - before) / (2 * h), (after - 2 * px + before) / h**2


@dataclass(frozen=True)
class Filming:
    """Everything needed to draw any frame of a clip."""

    camera: SimCamera
    pts: np.ndarray
    gain: Floats
    planes: tuple[np.ndarray, np.ndarray, np.ndarray]
    bike_mask: np.ndarray
    behind: tuple[Outline, ...]
    before: tuple[Outline, ...]
    tracks: tuple[StickerTrack, ...]
    box: tuple[int, int, int, int]
    seed: int
    noise_dn: float
    under: tuple[str, ...] = ()
    pattern: Pattern | None = None
    hand: Hand | None = None

    def frame(self, i: int) -> np.ndarray:
        """Frame i as (H · 3/2, W) uint8, planar 4:2:0."""
        y, u, v = (p.copy() for p in self.planes)
        x0, y0, x1, y1 = self.box
        half = (slice(y0 // 2, y1 // 2), slice(x0 // 2, x1 // 2))
        y[y0:y1, x0:x1] = self._limbs(i)
        self._limb_colours(i, u[half], v[half])
        for track in self.tracks:
            behind = track.name in self.under
            if track.visible[i] or behind:
                stamp(y, track, i, self.camera)
                self._grey(u, v, track, i)
            if behind and self.camera.view == "front":
                self._bar_over(y, u, v, track, i)
        if self.hand is not None:
            self.hand.draw(y, i)
        cv2.convertScaleAbs(y, y, float(self.gain[i]), 0.0)
        if self.noise_dn > 0:
            self._noise(y, i)
        return np.concatenate([y.reshape(-1), u.reshape(-1), v.reshape(-1)]).reshape(-1, self.camera.width)

    def _limbs(self, i: int) -> np.ndarray:
        x0, y0, x1, y1 = self.box
        still = self.planes[0][y0:y1, x0:x1]
        mask = self.bike_mask[y0:y1, x0:x1]
        moments = []
        for after_s in (-self.camera.exposure_s / 4, self.camera.exposure_s / 4):
            layer = still.copy()
            for group in joined(self.behind):
                _fill_luma(layer, group, i, after_s, (x0, y0))
            cv2.copyTo(still, mask, layer)
            for group in joined(self.before):
                _fill_luma(layer, group, i, after_s, (x0, y0))
                if self.pattern is not None:
                    self.pattern.lay(layer, group, i, after_s, (x0, y0))
            moments.append(layer)
        return np.asarray(cv2.addWeighted(moments[0], 0.5, moments[1], 0.5, 0.0))

    def _limb_colours(self, i: int, u: np.ndarray, v: np.ndarray) -> None:
        x0, y0, x1, y1 = self.box
        half = (slice(y0 // 2, y1 // 2), slice(x0 // 2, x1 // 2))
        mask = np.ascontiguousarray(self.bike_mask[y0:y1:2, x0:x1:2])
        for plane, still, which in ((u, self.planes[1][half], 0), (v, self.planes[2][half], 1)):
            layer = np.ascontiguousarray(plane)
            for o in self.behind:
                _fill_chroma(layer, o, i, (x0, y0), which)
            cv2.copyTo(np.ascontiguousarray(still), mask, layer)
            for o in self.before:
                _fill_chroma(layer, o, i, (x0, y0), which)
            plane[...] = layer

    def _grey(self, u: np.ndarray, v: np.ndarray, track: StickerTrack, i: int) -> None:
        at = np.rint((track.centre_px[i] / 2 - 0.25) * 16).astype(int)
        r = round(OUTER_MM * float(np.sqrt(abs(np.linalg.det(track.jacobian[i])))) / 2 * 16)
        for plane in (u, v):
            cv2.circle(plane, (int(at[0]), int(at[1])), r, 128, -1, cv2.LINE_AA, 4)

    def _bar_over(self, y: np.ndarray, u: np.ndarray, v: np.ndarray, track: StickerTrack, i: int) -> None:
        """Puts the bike's pixels back over a sticker that passes behind the bar."""
        r = _reach_px(track, i, self.camera) + 2
        (u0, v0), (u1, v1) = (np.rint(track.centre_px[i] + d).astype(int) // 2 * 2 for d in (-r, r))
        full = (slice(max(v0, 0), max(v1, 0)), slice(max(u0, 0), max(u1, 0)))
        half = tuple(slice(s.start // 2, s.stop // 2) for s in full)
        hidden = self.bike_mask[full] > 0
        y[full][hidden] = self.planes[0][full][hidden]
        for plane, still in ((u, self.planes[1]), (v, self.planes[2])):
            plane[half][hidden[::2, ::2]] = still[half][hidden[::2, ::2]]

    def _noise(self, y: np.ndarray, i: int) -> None:
        plus, minus = noise_fields(self.seed, y.shape[0], y.shape[1], self.noise_dn)
        rng = np.random.default_rng([self.seed, 31, i])
        a, b = int(rng.integers(0, 256)), int(rng.integers(0, 256))
        cv2.add(y, plus[a : a + y.shape[0], b : b + y.shape[1]], y)
        cv2.subtract(y, minus[a : a + y.shape[0], b : b + y.shape[1]], y)


def _fill_luma(
    layer: np.ndarray, group: tuple[Outline, ...], i: int, after_s: float, origin: tuple[int, int]
) -> None:
    r, g, b = group[0].part.rgb
    base = (0.2126 * r + 0.7152 * g + 0.0722 * b) * group[0].part.shade * 219 / 255
    shells = zip(*(o.polygons(i, after_s) for o in group), strict=True)
    for polygons, (_, bright) in zip(shells, SHADES, strict=True):
        for polygon in polygons:
            points = np.rint((polygon - np.float32(origin)) * 16).astype(np.int32)
            cv2.fillConvexPoly(layer, points, min(235.0, 16 + base * bright), cv2.LINE_AA, 4)


def _fill_chroma(layer: np.ndarray, o: Outline, i: int, origin: tuple[int, int], which: int) -> None:
    colour = np.array(o.part.rgb, np.float32).reshape(1, 1, 3) * o.part.shade
    value = float(chroma(colour)[which][0, 0])
    polygon = o.polygons(i, 0.0)[0]
    points = np.rint(((polygon - np.float32(origin)) / 2 - 0.25) * 16).astype(np.int32)
    cv2.fillConvexPoly(layer, points, value, cv2.LINE_AA, 4)


def prepare(
    motion: Motion,
    camera: SimCamera,
    pts: np.ndarray,
    seed: int,
    noise_dn: float | None = None,
    steady_light: bool = False,
    bar_hides_knees: bool = False,
    conditions: Conditions = USUAL,
    beside_mm: Mapping[str, float] | None = None,
) -> Filming:
    """Solves all times and places of a clip and draws its still background."""
    rng = np.random.default_rng([seed, 33])
    pts_s = pts / TIMESCALE
    behind, before = scene_order(dict(motion.rider.look), camera.view)
    names = {n for part in behind + before for n, _ in part.spheres}
    centres = {}
    for n in sorted(names):
        _, px, depth, _, speed, _ = _with_motion(_shape(motion, n), pts_s, camera)
        centres[n] = (px, speed, depth)
    outlines = [tuple(outline(p, centres, camera) for p in group) for group in (behind, before)]
    rgb = studio(camera, rng)
    still = Canvas(np.ascontiguousarray(rgb), camera)
    paint_bike(still, motion.setup.contact)
    caption(still.rgb, CAPTION)
    gain = np.full(pts.size, 1.0) if steady_light else light(pts_s, rng, conditions)
    tracks = tuple(_track(motion, n, pts_s, camera, beside_mm) for n in _names(camera.view))
    tracks = tuple(_hide(t, outlines[1], camera) if t.name == "bottom_bracket" else t for t in tracks)
    under = tuple(n for n in _names(camera.view) if n.startswith("patella")) if bar_hides_knees else ()
    tracks = tuple(_behind_bar(t, still.mask, camera) if t.name in under else t for t in tracks)
    pattern = hand = None
    if conditions.pattern_dn > 0:
        worn = frozenset(motion.rider.look[n] for n in ("shorts", "jersey", "skin"))
        pattern = Pattern.woven(conditions.pattern_dn, worn, seed)
    if conditions.covered_s > 0:
        hip = next(t for t in tracks if t.name == HAND_OVER)
        hand, under = Hand.laid_on(hip, pts_s, conditions.covered_s), (*under, HAND_OVER)
        tracks = tuple(replace(t, visible=t.visible & ~hand.hides(t)) for t in tracks)
    planes = to_yuv(still.rgb)
    box = _box(outlines[0] + outlines[1], camera)
    return Filming(
        camera,
        pts,
        gain,
        planes,
        still.mask,
        outlines[0],
        outlines[1],
        tracks,
        box,
        seed,
        conditions.noise_dn if noise_dn is None else noise_dn,
        under,
        pattern,
        hand,
    )


def _names(view: str) -> list[str]:
    return list(SIDE_POINTS if view == "side" else FRONT_POINTS)


def _shape(motion: Motion, name: str) -> Callable[[Floats], Floats]:
    return lambda t: add_shape_points(motion.points(t))[name]


def _track(
    motion: Motion, name: str, pts_s: Floats, camera: SimCamera, beside_mm: Mapping[str, float] | None = None
) -> StickerTrack:
    _, px, _, mm, speed, accel = _with_motion(
        lambda t: sticker_positions(motion, camera.view, t, beside_mm)[name], pts_s, camera
    )
    plane = np.eye(3)[[0, 1]] if camera.view == "side" else np.eye(3)[[2, 1]]
    columns = [(camera.project(mm + e)[0] - camera.project(mm - e)[0]) / 2 for e in plane]
    return StickerTrack(name, px, speed, accel, np.stack(columns, axis=-1), np.ones(pts_s.size, bool))


def _reach_px(track: StickerTrack, i: int, camera: SimCamera) -> float:
    """How far from its centre a sticker may touch a pixel: radius, edge and half the blur."""
    blur = float(np.abs(track.speed_px_s[i]).max()) * camera.exposure_s
    return OUTER_MM * float(np.linalg.norm(track.jacobian[i], 2)) + 1.0 + blur / 2


def _behind_bar(track: StickerTrack, mask: np.ndarray, camera: SimCamera) -> StickerTrack:
    """Marks frames in which the bike (bars) covers any part of the sticker: it is drawn, but not wholly seen."""
    visible = track.visible.copy()
    for i, (u, v) in enumerate(track.centre_px):
        r = _reach_px(track, i, camera)
        part = mask[max(0, int(v - r)) : max(0, int(v + r) + 2), max(0, int(u - r)) : max(0, int(u + r) + 2)]
        rows, cols = np.nonzero(part)
        far = np.hypot(cols + max(0, int(u - r)) - u, rows + max(0, int(v - r)) - v)
        visible[i] &= not bool(np.any(far < r))
    return replace(track, visible=visible)


def _hide(track: StickerTrack, outlines: tuple[Outline, ...], camera: SimCamera) -> StickerTrack:
    """Marks frames in which a shoe, ankle or shank lies over the (static, lower) sticker."""
    visible = track.visible.copy()
    radius = OUTER_MM * camera.focal_px / abs(camera.position_mm[2])
    over = [
        o
        for o in outlines
        if any("shoe" in n or n.startswith(("ankle", "sock", "calf")) for n, _ in o.part.spheres)
    ]
    for i in range(visible.size):
        for o in over:
            c = (float(track.centre_px[i, 0]), float(track.centre_px[i, 1]))
            if cv2.pointPolygonTest(o.polygons(i, 0.0)[0], c, True) > -radius - 1:
                visible[i] = False
                break
    return replace(track, visible=visible)


def _box(outlines: tuple[Outline, ...], camera: SimCamera) -> tuple[int, int, int, int]:
    """Region (x0, y0, x1, y1), even, that the body ever touches."""
    low = np.min([(o.centre_px - o.radius_px[..., None]).min(axis=(0, 1)) for o in outlines], axis=0) - 8
    high = np.max([(o.centre_px + o.radius_px[..., None]).max(axis=(0, 1)) for o in outlines], axis=0) + 8
    x0, y0 = (int(max(0, v)) // 2 * 2 for v in low)
    x1, y1 = (int(min(e, v)) // 2 * 2 for v, e in zip(high, (camera.width, camera.height), strict=True))
    return x0, y0, x1, y1


def render_clip(
    rider: SimRider,
    setup: SimSetup,
    view: str,
    out: Path,
    seconds: float = 12.0,
    size: tuple[int, int] = (1920, 1080),
    fps: float = 60.0,
    seed: int = 1,
    progress: Progress | None = None,
    bit_rate: float = 15e6,
    camera: SimCamera | None = None,
    bar_hides_knees: bool = True,
    conditions: Conditions = USUAL,
    beside_mm: Mapping[str, float] | None = None,
) -> Truth:
    """Renders one clip to `out` (mp4) and its truth to `<out>.truth.json`; returns the truth.

    The ride depends on `seed` and set-up only, so side and front clips of one seed show the same ride. Written to
    a temporary name and renamed when whole. `progress` gets the share done, 0 to 1. From the front a knee passes
    behind the bar twice a turn; without `bar_hides_knees` its sticker shows through (and the truth says so).
    """
    camera = camera or studio_camera(view, size)
    rng = np.random.default_rng([seed, 34, 0 if view == "side" else 1])
    pts = frame_times(seconds, fps, rng, conditions)
    motion = ride(rider, setup, seed)
    filming = prepare(motion, camera, pts, seed * 2 + (view == "front"), bar_hides_knees=bar_hides_knees,
                      conditions=conditions, beside_mm=beside_mm)  # fmt: skip
    shows = view == "front" and not bar_hides_knees
    out.parent.mkdir(parents=True, exist_ok=True)
    part = out.with_name(f".{out.stem}.part{out.suffix}")
    _encode(filming, part, fps, bit_rate, progress)
    truth = clip_truth(
        motion, filming.camera, pts / TIMESCALE, filming.tracks,
        partial(sticker_positions, beside_mm=beside_mm), out.name, seed,
        ("the bar never hides the knee's sticker",) if shows else (),
    )  # fmt: skip
    truth.save(out)
    part.replace(out)
    return truth


def _encode(filming: Filming, path: Path, fps: float, bit_rate: float, progress: Progress | None) -> None:
    with av.open(
        str(path), "w", format="mp4", options={"video_track_timescale": str(TIMESCALE)}
    ) as container:
        container.metadata["title"] = "simulated film"
        container.metadata["comment"] = CAPTION
        stream = container.add_stream("libx264", rate=Fraction(round(fps)))
        stream.width, stream.height, stream.pix_fmt = filming.camera.width, filming.camera.height, "yuv420p"
        scale = filming.camera.width * filming.camera.height / (1920 * 1080)
        stream.bit_rate = int(bit_rate * scale)
        stream.codec_context.time_base = Fraction(1, TIMESCALE)
        stream.time_base = Fraction(1, TIMESCALE)
        stream.codec_context.thread_count = 1
        stream.options = {
            "preset": "superfast", "bf": "0", "g": str(round(fps)),
            "x264-params": f"slices=1:sliced-threads=0:threads=1:vbv-maxrate={int(bit_rate * scale * 1.3e-3)}"
            f":vbv-bufsize={int(bit_rate * scale * 1e-3)}",
        }  # fmt: skip
        for i, pts in enumerate(filming.pts):
            frame = av.VideoFrame.from_ndarray(filming.frame(i), format="yuv420p")
            frame.pts, frame.time_base = int(pts), Fraction(1, TIMESCALE)
            container.mux(stream.encode(frame))
            if progress is not None and i % 10 == 9:
                progress((i + 1) / filming.pts.size)
        container.mux(stream.encode(None))
    if progress is not None:
        progress(1.0)
