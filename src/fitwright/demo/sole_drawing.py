"""A simulated shoe sole seen from below, drawn flat in the sole frame: outline, tread, tape, cleat, marks."""

from __future__ import annotations

import cv2
import numpy as np
from scipy.interpolate import CubicSpline

from fitwright.demo.riders import SimRider
from fitwright.foot.frame import cleat_axis
from fitwright.quantity import Floats

PX_PER_MM = 12.0
MARGIN_MM = 12.0
_SHIFT = 4
RGB = tuple[float, float, float]

# outward (lateral) and inward (medial) half-widths as shares of the sole's length, heel to toe: an ordinary road shoe
_ALONG = np.array([0.0, 0.022, 0.09, 0.20, 0.34, 0.48, 0.60, 0.70, 0.80, 0.89, 0.955, 0.988, 1.0])
_LATERAL = np.array([0.0, 0.066, 0.112, 0.117, 0.112, 0.138, 0.177, 0.181, 0.160, 0.124, 0.084, 0.044, 0.0])
_MEDIAL = np.array([0.0, 0.066, 0.110, 0.112, 0.093, 0.096, 0.136, 0.165, 0.166, 0.143, 0.100, 0.052, 0.0])

# in the cleat's own frame (forward, outward), mm: half outline, bolts, datum dots, half length; our own plates
PLATES: dict[str, dict[str, Floats]] = {
    "three-bolt": {
        "outline": np.array([(34, 0), (33, 9), (26, 13), (14, 24), (2, 32), (-16, 34), (-29, 27), (-34, 12)], float),
        "bolts": np.array([(15.0, 0.0), (-12.0, 21.0), (-12.0, -21.0)]),
        "datums": np.array([(22.0, 11.0), (-21.0, 26.0), (-23.0, -24.0)]),
        "half": np.array([34.0]), "window": np.array([6.0, 9.0]),
    },
    "two-bolt": {
        "outline": np.array([(21, 0), (20, 8), (12, 11), (4, 16), (-8, 16), (-15, 12), (-21, 7)], float),
        "bolts": np.array([(0.0, 8.0), (0.0, -8.0)]),
        "datums": np.array([(15.0, 7.0), (-13.0, 10.0), (-12.0, -11.0)]),
        "half": np.array([21.0]), "window": np.array([3.0, 4.0]),
    },
}  # fmt: skip


def outline_mm(length_mm: float, n: int = 240) -> Floats:
    """(n, 2) closed sole outline in the sole frame: rearmost point (0, 0), foremost (length, 0)."""
    side = np.concatenate([np.stack([_ALONG, _LATERAL], 1), np.stack([_ALONG, -_MEDIAL], 1)[-2::-1]])
    chord = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(side, axis=0), axis=1))])
    curve = CubicSpline(chord, side, bc_type="periodic")
    points = np.asarray(curve(np.linspace(0, chord[-1], n, endpoint=False)), dtype=np.float64) * length_mm
    points[:, 0] = np.clip(points[:, 0], 0.0, length_mm)
    return points


def on_cleat(pose: tuple[float, float, float], local_mm: Floats) -> Floats:
    """(n, 2) cleat frame (forward, outward) → sole frame for a pose (x, z, ψ)."""
    forward = cleat_axis(pose[2])
    outward = np.array([-forward[1], forward[0]])
    return np.asarray(
        np.array(pose[:2]) + np.outer(local_mm[:, 0], forward) + np.outer(local_mm[:, 1], outward)
    )


def mark_points(rider: SimRider, foot: str, pose: tuple[float, float, float]) -> dict[str, Floats]:
    """Name → (x, z) mm of everything that is to be picked on this sole."""
    leg, plate = rider.leg(foot), PLATES[rider.bolts]
    half = float(plate["half"][0])
    nose, tail = on_cleat(pose, np.array([[half, 0.0], [-half, 0.0]]))
    points = {
        "heel_centre": np.array([0.0, 0.0]), "toe": np.array([leg.sole_length_mm, 0.0]),
        "m1": np.array(leg.m1_mm), "m5": np.array(leg.m5_mm), "cleat_nose": nose, "cleat_tail": tail,
    }  # fmt: skip
    dots = on_cleat(pose, plate["datums"])
    return points | {f"datum_{i}": p for i, p in enumerate(dots, start=1)}


class Flat:
    """An RGBA drawing in the sole frame: column ∝ x, row ∝ z, `PX_PER_MM`; drawing calls take mm."""

    def __init__(self, length_mm: float) -> None:
        self.half_mm = 0.2 * length_mm + MARGIN_MM
        size = (round(2 * self.half_mm * PX_PER_MM), round((length_mm + 2 * MARGIN_MM) * PX_PER_MM))
        self.rgb = np.zeros((*size, 3), np.uint8)
        self.alpha = np.zeros(size, np.uint8)

    def px(self, mm: Floats) -> Floats:
        """(n, 2) sole mm → (n, 2) column, row of the drawing."""
        corner = np.array([MARGIN_MM, self.half_mm])
        return np.asarray((np.asarray(mm, dtype=np.float64) + corner) * PX_PER_MM - 0.5)

    def _fixed(self, mm: Floats) -> np.ndarray:
        return np.rint(self.px(mm) * (1 << _SHIFT)).astype(np.int32).reshape(-1, 1, 2)

    def fill(self, mm: Floats, rgb: RGB) -> None:
        """A filled polygon."""
        cv2.fillPoly(self.rgb, [self._fixed(mm)], rgb, cv2.LINE_AA, _SHIFT)

    def disc(self, mm: Floats, radius_mm: float, rgb: RGB) -> None:
        """A filled disc."""
        at = self._fixed(mm).ravel()
        r = round(radius_mm * PX_PER_MM * (1 << _SHIFT))
        cv2.circle(self.rgb, (int(at[0]), int(at[1])), r, rgb, -1, cv2.LINE_AA, _SHIFT)

    def line(self, a: Floats, b: Floats, width_mm: float, rgb: RGB) -> None:
        """A straight bar with square ends."""
        a, b = np.asarray(a, dtype=np.float64), np.asarray(b, dtype=np.float64)
        n = np.array([-(b - a)[1], (b - a)[0]]) / np.linalg.norm(b - a) * width_mm / 2
        self.fill(np.array([a + n, b + n, b - n, a - n]), rgb)


def smooth(corners: Floats, n: int = 120) -> Floats:
    """(n, 2) closed curve through the given points."""
    closed = np.concatenate([corners, corners[:1]])
    chord = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(closed, axis=0), axis=1))])
    return np.asarray(
        CubicSpline(chord, closed, bc_type="periodic")(np.linspace(0, chord[-1], n, endpoint=False))
    )


def draw_sole(rider: SimRider, foot: str, pose: tuple[float, float, float], rng: np.random.Generator) -> Flat:
    """The whole sole with its cleat and marks."""
    leg = rider.leg(foot)
    length = leg.sole_length_mm
    flat, edge = Flat(length), outline_mm(length)
    flat.fill(edge, (58, 59, 62))
    inner = (edge - [0.5 * length, 0]) * [0.968, 0.93] + [0.5 * length, 0]
    flat.fill(inner, (80, 82, 86))
    _weave(flat, rng)
    _tread(flat, length)
    cv2.fillPoly(flat.alpha, [flat._fixed(edge)], 255, cv2.LINE_AA, _SHIFT)
    marks = mark_points(rider, foot, pose)
    for name in ("m1", "m5"):
        _tape_cross(flat, marks[name], 8.0 if name == "m1" else -11.0)
    white = (238.0, 238.0, 234.0)
    flat.line(marks["heel_centre"], marks["heel_centre"] + [15, 0], 1.0, white)
    flat.line(marks["toe"], marks["toe"] - [15, 0], 1.0, white)
    _cleat(flat, rider.bolts, pose, marks)
    return flat


def _weave(flat: Flat, rng: np.random.Generator) -> None:
    """A faint twill and dirt over what has been drawn so far."""
    h, w = flat.rgb.shape[:2]
    yy, xx = np.mgrid[0:h, 0:w]
    twill = 3.0 * np.sign(
        np.sin((xx + yy) * 2 * np.pi / (2.6 * PX_PER_MM)) * np.sin((xx - yy) * 2 * np.pi / (5.2 * PX_PER_MM))
    )
    dirt = cv2.resize(
        rng.standard_normal((h // 40 + 2, w // 40 + 2)).astype(np.float32),
        (w, h),
        interpolation=cv2.INTER_CUBIC,
    )
    fine = cv2.resize(rng.standard_normal((h // 3, w // 3)).astype(np.float32), (w, h))
    shade = twill + 3.0 * dirt + 2.2 * fine
    flat.rgb[...] = np.clip(flat.rgb + shade[..., None], 0, 255).astype(np.uint8)


def _tread(flat: Flat, length: float) -> None:
    """Rubber pads at heel and toe with grooves, and a vent."""
    rubber, groove = (46.0, 46.0, 48.0), (30.0, 30.0, 32.0)
    for low, high, step in ((0.035, 0.165, 6.0), (0.895, 0.972, 5.0)):
        share = np.linspace(low, high, 20)
        out = 0.80 * np.interp(share, _ALONG, _LATERAL)
        inn = -0.80 * np.interp(share, _ALONG, _MEDIAL)
        pad = np.concatenate([np.stack([share, out], 1), np.stack([share, inn], 1)[::-1]]) * length
        flat.fill(pad, rubber)
        for x in np.arange(low * length + step, high * length - 2, step):
            z1, z2 = (
                np.interp(x / length, share, out) * length - 2,
                np.interp(x / length, share, inn) * length + 2,
            )
            flat.line(np.array([x, z2]), np.array([x + 2.5, (z1 + z2) / 2]), 1.4, groove)
            flat.line(np.array([x + 2.5, (z1 + z2) / 2]), np.array([x, z1]), 1.4, groove)
    for z in (-7.0, 0.0, 7.0):
        flat.line(np.array([0.33 * length, z]), np.array([0.43 * length, z]), 2.6, (36, 36, 38))


def _tape_cross(flat: Flat, at: Floats, turned_deg: float) -> None:
    """A square of tape with a pen cross whose middle is the mark."""
    a = np.radians(turned_deg)
    e = np.array([[np.cos(a), np.sin(a)], [-np.sin(a), np.cos(a)]])
    square = np.array([(-8, -8), (8, -8), (8, 8), (-8, 8)]) @ e + at
    flat.fill(square, (222, 206, 150))
    flat.fill((square - at) * 0.94 + at, (232, 217, 164))
    for direction in e:
        flat.line(at - 6.2 * direction, at + 6.2 * direction, 0.7, (34, 34, 40))


def _cleat(flat: Flat, bolts: str, pose: tuple[float, float, float], marks: dict[str, Floats]) -> None:
    plate = PLATES[bolts]
    half = plate["outline"]
    mirrored = half[::-1] * [1, -1]
    mirrored = mirrored[~np.isclose(mirrored[:, 1], 0)]
    body = smooth(np.concatenate([half, mirrored]))
    flat.fill(on_cleat(pose, body * 1.035), (26, 26, 28))
    flat.fill(on_cleat(pose, body), (120, 132, 128))
    flat.fill(on_cleat(pose, body * 0.90), (142, 154, 150))
    w, h = plate["window"]
    window = np.array([(-w, -h), (w, -h), (w, h), (-w, h)]) - [5.0 if bolts == "three-bolt" else -9.0, 0]
    flat.fill(on_cleat(pose, window), (54, 54, 58))
    for p in on_cleat(pose, plate["bolts"]):
        flat.disc(p, 5.2, (40, 40, 42))
        flat.disc(p, 4.4, (176, 178, 182))
        flat.disc(p, 2.0, (48, 48, 52))
    forward = cleat_axis(pose[2])
    white = (242.0, 242.0, 238.0)
    flat.line(marks["cleat_nose"], marks["cleat_nose"] - 7 * forward, 0.8, white)
    flat.line(marks["cleat_tail"], marks["cleat_tail"] + 7 * forward, 0.8, white)
    for name, p in marks.items():
        if name.startswith("datum"):
            flat.disc(p, 2.0, white)
            flat.disc(p, 1.0, (24, 24, 26))
