"""A simulated shoe sole seen from below, drawn flat in the sole frame: outline, tread, tape, cleat, marks."""

from __future__ import annotations

from functools import lru_cache

import cv2
import numpy as np
from scipy.interpolate import CubicSpline
from scipy.spatial.distance import cdist

from fitwright.demo.riders import SimRider
from fitwright.demo.sole_look import PEN, RGB, STYLES, Look, SoleStyle
from fitwright.foot.frame import cleat_axis
from fitwright.foot.hardware import cleat_outline
from fitwright.quantity import Floats

PX_PER_MM = 12.0
MARGIN_MM = 12.0
_SHIFT = 4
CHALK: RGB = (242.0, 242.0, 238.0)
_GROWS_PX = 0.62
"""By so much OpenCV's anti-aliased polygons are larger than their corners say (measured on squares)."""

# outward (lateral) and inward (medial) half-widths as shares of the sole's length, heel to toe: an ordinary road shoe
_ALONG = np.array([0.0, 0.022, 0.09, 0.20, 0.34, 0.48, 0.60, 0.70, 0.80, 0.89, 0.955, 0.988, 1.0])
_LATERAL = np.array([0.0, 0.066, 0.112, 0.117, 0.112, 0.138, 0.177, 0.181, 0.160, 0.124, 0.084, 0.044, 0.0])
_MEDIAL = np.array([0.0, 0.066, 0.110, 0.112, 0.093, 0.096, 0.136, 0.165, 0.166, 0.143, 0.100, 0.052, 0.0])

# in the cleat's own frame (forward, outward), mm: datum dots, and a window in the plate (centre, half size); our own
DOTS = {
    "three_bolt": np.array([(12.0, 18.0), (-29.0, 9.0), (-4.0, -24.0)]),
    "two_bolt": np.array([(15.0, 7.0), (-14.0, 8.0), (-13.0, -9.0)]),
}  # fmt: skip
WINDOWS = {"three_bolt": ((-5.0, 0.0), (6.0, 9.0)), "two_bolt": ((9.0, 0.0), (3.0, 4.0))}


def outline_mm(length_mm: float, n: int = 240) -> Floats:
    """(n, 2) closed sole outline in the sole frame; its longest straight line runs from (0, 0) to (length, 0)."""
    heel, toe = _longest_line()
    along = toe - heel
    scale = length_mm / float(along @ along)
    to_frame = scale * np.array([along, [-along[1], along[0]]])
    return np.asarray((_shape(n) - heel) @ to_frame.T)


def _shape(n: int) -> Floats:
    """(n, 2) the curve through the half-widths, lengths as shares."""
    side = np.concatenate([np.stack([_ALONG, _LATERAL], 1), np.stack([_ALONG, -_MEDIAL], 1)[-2::-1]])
    chord = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(side, axis=0), axis=1))])
    return np.asarray(
        CubicSpline(chord, side, bc_type="periodic")(np.linspace(0, chord[-1], n, endpoint=False))
    )


@lru_cache(maxsize=1)
def _longest_line() -> tuple[Floats, Floats]:
    curve = _shape(3000)
    ends = curve[curve[:, 0] < 0.1], curve[curve[:, 0] > 0.9]
    i, k = np.unravel_index(int(np.argmax(cdist(*ends))), (len(ends[0]), len(ends[1])))
    return ends[0][i], ends[1][k]


def on_cleat(pose: tuple[float, float, float], local_mm: Floats) -> Floats:
    """(n, 2) cleat frame (forward, outward) → sole frame for a pose (x, z, ψ)."""
    forward = cleat_axis(pose[2])
    outward = np.array([-forward[1], forward[0]])
    return np.asarray(
        np.array(pose[:2]) + np.outer(local_mm[:, 0], forward) + np.outer(local_mm[:, 1], outward)
    )


def mark_points(rider: SimRider, foot: str, pose: tuple[float, float, float]) -> dict[str, Floats]:
    """Name → (x, z) mm of everything that is to be picked on this sole."""
    leg, cleat = rider.leg(foot), rider.cleat
    nose, tail = on_cleat(pose, np.array([[cleat.nose_mm, 0.0], [-cleat.tail_mm, 0.0]]))
    points = {
        "heel_centre": np.array([0.0, 0.0]), "toe": np.array([leg.sole_length_mm, 0.0]),
        "m1": np.array(leg.m1_mm), "m5": np.array(leg.m5_mm), "cleat_nose": nose, "cleat_tail": tail,
    }  # fmt: skip
    dots = on_cleat(pose, DOTS[_plate(rider)])
    points |= {f"datum_{i}": p for i, p in enumerate(dots, start=1)}
    return points | {f"bolt_{i}": p for i, p in enumerate(bolt_points(rider, foot, pose), start=1)}


def bolt_points(rider: SimRider, foot: str, pose: tuple[float, float, float]) -> Floats:
    """(n, 2) the bolts in the sole frame: they stay when the cleat is moved; those that slide go with it."""
    x, z = rider.leg(foot).bolts_mm
    centre = (pose[0] if rider.cleat.sole_slide_half_mm else x, z)
    return np.asarray(np.array(rider.cleat.bolts_mm) + centre)


def _plate(rider: SimRider) -> str:
    return "three_bolt" if len(rider.cleat.bolts_mm) == 3 else "two_bolt"


def axle_points(rider: SimRider, pose: tuple[float, float, float]) -> dict[str, Floats]:
    """axle_inner and axle_outer: where the axle's line leaves the cleat's body, for looks that mark it."""
    half = rider.cleat.width_mm / 2
    inner, outer = on_cleat(pose, np.array([[0.0, -half], [0.0, half]]))
    return {"axle_inner": inner, "axle_outer": outer}


class Flat:
    """An RGBA drawing in the sole frame: column ∝ x, row ∝ z, `PX_PER_MM`; drawing calls take mm.

    `ground` fills what is not drawn on, so that no foreign tone bleeds in at the edge; alpha starts empty.
    """

    def __init__(self, length_mm: float, ground: RGB) -> None:
        self.half_mm = 0.2 * length_mm + MARGIN_MM
        size = (round(2 * self.half_mm * PX_PER_MM), round((length_mm + 2 * MARGIN_MM) * PX_PER_MM))
        self.rgb = np.empty((*size, 3), np.uint8)
        self.rgb[...] = np.array(ground, np.uint8)
        self.alpha = np.zeros(size, np.uint8)

    def px(self, mm: Floats) -> Floats:
        """(n, 2) sole mm → (n, 2) column, row of the drawing."""
        corner = np.array([MARGIN_MM, self.half_mm])
        return np.asarray((np.asarray(mm, dtype=np.float64) + corner) * PX_PER_MM - 0.5)

    def _fixed(self, mm: Floats) -> np.ndarray:
        return np.rint(self.px(mm) * (1 << _SHIFT)).astype(np.int32).reshape(-1, 1, 2)

    def _polygon(self, mm: Floats) -> np.ndarray:
        """Corners moved inward by what the drawing adds."""
        mm = np.asarray(mm, dtype=np.float64)
        before, after = mm - np.roll(mm, 1, axis=0), np.roll(mm, -1, axis=0) - mm
        n1, n2 = (np.column_stack([d[:, 1], -d[:, 0]]) / np.maximum(np.hypot(*d.T), 1e-9)[:, None]
                  for d in (before, after))  # fmt: skip
        mitre = (n1 + n2) / np.maximum(1 + np.sum(n1 * n2, axis=1), 0.3)[:, None]
        area = float(np.sum(mm[:, 0] * np.roll(mm[:, 1], -1) - np.roll(mm[:, 0], -1) * mm[:, 1]))
        return self._fixed(mm - np.sign(area) * _GROWS_PX / PX_PER_MM * mitre)

    def fill(self, mm: Floats, rgb: RGB) -> None:
        """A filled polygon."""
        cv2.fillPoly(self.rgb, [self._polygon(mm)], rgb, cv2.LINE_AA, _SHIFT)

    def show(self, mm: Floats) -> None:
        """What lies inside this polygon is there: alpha."""
        cv2.fillPoly(self.alpha, [self._polygon(mm)], 255, cv2.LINE_AA, _SHIFT)

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


def draw_sole(
    rider: SimRider,
    foot: str,
    pose: tuple[float, float, float],
    rng: np.random.Generator,
    look: Look | None = None,
) -> Flat:
    """The sole with its marks, and the cleat's foot print on it; the cleat's face is `draw_cleat`."""
    look = look or Look()
    style, length = STYLES[look.style], rider.leg(foot).sole_length_mm
    flat, edge = Flat(length, style.rim), outline_mm(length)
    inner = (edge - [0.5 * length, 0]) * [0.968, 0.93] + [0.5 * length, 0]
    flat.fill(inner, style.face)
    _weave(flat, rng, style.twill)
    (_lugs if style.lugs else _tread)(flat, length, style)
    flat.show(edge)
    marks = mark_points(rider, foot, pose)
    for name in ("m1", "m5") if look.tape else ():
        _tape_cross(flat, marks[name], 8.0 if name == "m1" else -11.0)
    if look.strokes:
        flat.line(marks["heel_centre"], marks["heel_centre"] + [15, 0], 1.0, style.stroke)
        flat.line(marks["toe"], marks["toe"] - [15, 0], 1.0, style.stroke)
    flat.fill(on_cleat(pose, cleat_outline(rider.cleat) * 1.035), (26, 26, 28))
    return flat


def _weave(flat: Flat, rng: np.random.Generator, strength: float) -> None:
    """A faint twill and dirt over what has been drawn so far."""
    h, w = flat.rgb.shape[:2]
    n = round(5.0 * PX_PER_MM)  # one repeat of the twill
    yy, xx = np.mgrid[0:n, 0:n]
    tile = np.sign(np.sin((xx + yy + 0.5) * 4 * np.pi / n) * np.sin((xx - yy + 0.5) * 2 * np.pi / n))
    twill = np.tile((strength * tile).astype(np.float32), (h // n + 1, w // n + 1))[:h, :w]
    dirt = rng.standard_normal((h // 40 + 2, w // 40 + 2)).astype(np.float32)
    fine = rng.standard_normal((h // 3, w // 3)).astype(np.float32)
    shade = (
        twill + 3.0 * cv2.resize(dirt, (w, h), interpolation=cv2.INTER_CUBIC) + 2.2 * cv2.resize(fine, (w, h))
    )
    for k in range(3):
        flat.rgb[..., k] = cv2.add(flat.rgb[..., k], shade, dtype=cv2.CV_8U)


def _tread(flat: Flat, length: float, style: SoleStyle) -> None:
    """Rubber pads at heel and toe with grooves, and a vent."""
    for low, high, step in ((0.035, 0.165, 6.0), (0.895, 0.972, 5.0)):
        share = np.linspace(low, high, 20)
        out = 0.80 * np.interp(share, _ALONG, _LATERAL)
        inn = -0.80 * np.interp(share, _ALONG, _MEDIAL)
        pad = np.concatenate([np.stack([share, out], 1), np.stack([share, inn], 1)[::-1]]) * length
        flat.fill(pad, style.rubber)
        for x in np.arange(low * length + step, high * length - 2, step):
            z1 = np.interp(x / length, share, out) * length - 2
            z2 = np.interp(x / length, share, inn) * length + 2
            flat.line(np.array([x, z2]), np.array([x + 2.5, (z1 + z2) / 2]), 1.4, style.groove)
            flat.line(np.array([x + 2.5, (z1 + z2) / 2]), np.array([x, z1]), 1.4, style.groove)
    for z in (-7.0, 0.0, 7.0):
        flat.line(np.array([0.33 * length, z]), np.array([0.43 * length, z]), 2.6, style.groove)


def _lugs(flat: Flat, length: float, style: SoleStyle) -> None:
    """Blocks along both edges at heel and forefoot, each with a lit side."""
    lit = tuple(min(255.0, 1.35 * c) for c in style.rubber)
    for share in (0.06, 0.12, 0.18, 0.24, 0.58, 0.65, 0.79, 0.86, 0.92):
        for side, table in ((1.0, _LATERAL), (-1.0, _MEDIAL)):
            z = side * (0.88 * float(np.interp(share, _ALONG, table)) * length - 7.0)
            block = np.array([(-6, -6), (6, -5), (5, 6), (-6, 5)], float) + np.array([share * length, z])
            flat.fill(block + 0.9, (lit[0], lit[1], lit[2]))
            flat.fill(block, style.groove)


def _tape_cross(flat: Flat, at: Floats, turned_deg: float) -> None:
    """A square of tape with a pen cross whose middle is the mark."""
    a = np.radians(turned_deg)
    e = np.array([[np.cos(a), np.sin(a)], [-np.sin(a), np.cos(a)]])
    square = np.array([(-8, -8), (8, -8), (8, 8), (-8, 8)]) @ e + at
    flat.fill(square, (222, 206, 150))
    flat.fill((square - at) * 0.94 + at, (232, 217, 164))
    for direction in e:
        flat.line(at - 6.2 * direction, at + 6.2 * direction, 0.7, PEN)


def draw_cleat(
    rider: SimRider, foot: str, pose: tuple[float, float, float], look: Look | None = None
) -> Flat:
    """The cleat's face with bolts, axis strokes and datum dots, in the sole frame."""
    look = look or Look()
    marks, tone = mark_points(rider, foot, pose), STYLES[look.style].plate
    edge = tuple(0.85 * c for c in tone)
    flat = Flat(rider.leg(foot).sole_length_mm, (edge[0], edge[1], edge[2]))
    body = cleat_outline(rider.cleat)
    flat.fill(on_cleat(pose, body * 0.90), tone)
    flat.show(on_cleat(pose, body))
    centre, (w, h) = WINDOWS[_plate(rider)]
    window = np.array([(-w, -h), (w, -h), (w, h), (-w, h)]) + centre
    flat.fill(on_cleat(pose, window), (54, 54, 58))
    for p in bolt_points(rider, foot, pose):
        flat.disc(p, 5.2, (40, 40, 42))
        flat.disc(p, 4.4, (176, 178, 182))
        flat.disc(p, 2.0, (48, 48, 52))
    _strokes(flat, rider, foot, pose, look)
    for name, p in marks.items():
        if look.dots and name.startswith("datum"):
            flat.disc(p, 2.0, CHALK)
            flat.disc(p, 1.0, (24, 24, 26))
    return flat


def _strokes(flat: Flat, rider: SimRider, foot: str, pose: tuple[float, float, float], look: Look) -> None:
    """On the cleat's axis at nose and tail, and where the axle crosses its sides."""
    marks, rgb = mark_points(rider, foot, pose), CHALK
    forward = cleat_axis(pose[2])
    if look.strokes:
        flat.line(marks["cleat_nose"], marks["cleat_nose"] - 5 * forward, 0.8, rgb)
        flat.line(marks["cleat_tail"], marks["cleat_tail"] + 5 * forward, 0.8, rgb)
    if look.axle:
        inward = np.array([forward[1], -forward[0]])
        inner, outer = axle_points(rider, pose).values()
        flat.line(outer, outer + 6 * inward, 0.8, rgb)
        flat.line(inner, inner - 6 * inward, 0.8, rgb)
