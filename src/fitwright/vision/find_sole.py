"""The sole between the strips: its outline, the ends of its longest line, the heel where it is widest."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from scipy.spatial.distance import cdist

from fitwright.errors import InputError
from fitwright.quantity import Floats
from fitwright.vision.find_outline import Mask, Outline, largest_piece, outer_edge, unlike_background
from fitwright.vision.flat import FlatView, flat_view
from fitwright.vision.picture import Picture
from fitwright.vision.plane import CardPlane, place

VIEW_PX_PER_MM = 4.0
PAPER_MM = 4.0
"""White margin that is left round a strip when it is cut out."""
REACH_MM = (5.0, 15.0)
"""How far outside and inside what differs from the mat the sole's edge may lie: a shadow differs too."""
LENGTH_MM, WIDTH_SHARE, FILLED_SHARE = (180.0, 360.0), (0.26, 0.52), (0.58, 0.95)
"""What a sole looks like: length; width over length; area over length times width (common practice, no source)."""
USUAL_MM = (215.0, 335.0)
"""Lengths that raise no question (common practice, no source)."""
ROUND_MM = 9.0
"""Half the breadth of outline that places an end of the longest line, mm."""
U_END_MM = 0.3
"""How far rubber, dirt and wear let an end of the longest line wander along the edge (common practice, no source)."""


@dataclass(frozen=True)
class Scene:
    """The flat view of a sole photograph, where the strips lie in it, and where the mat is sampled."""

    view: FlatView
    strips: Mask
    mat: Mask


def sole_view(picture: Picture, plane: CardPlane) -> Scene:
    """The plane around the strips, wide enough for a sole beside them."""
    papers = [_paper(plane, i, PAPER_MM) for i in range(len(plane.boards))]
    corners = np.concatenate(papers)
    beside = 75.0 if len(papers) > 1 else 170.0
    low, high = corners.min(axis=0) - beside, corners.max(axis=0) + beside
    view = flat_view(picture, plane, low, high, VIEW_PX_PER_MM)
    strips = np.zeros(view.grey.shape, dtype=np.bool_)
    for i in range(len(papers)):
        strips |= view.polygon(_paper(plane, i, PAPER_MM + 2.0))
    near = cv2.dilate(strips.astype(np.uint8), np.ones((41, 41), np.uint8)) > 0
    border = np.ones_like(strips)
    border[40:-40, 40:-40] = False
    return Scene(view, strips, (near | border) & ~strips & view.seen)


def _paper(plane: CardPlane, index: int, margin_mm: float) -> Floats:
    """(4, 2) corners of a strip's paper in the plane."""
    corners = plane.boards[index].layout.paper_mm(margin_mm)
    return place(corners * plane.print_scale.value, plane.parameters, index)


def find_sole_outline(picture: Picture, scene: Scene) -> Outline:
    """The sole's edge; InputError when nothing beside the strips looks like a sole."""
    view = scene.view
    unlike = unlike_background(view, scene.mat) & ~scene.strips & view.seen
    piece = largest_piece(unlike, view.px_per_mm, 6000.0)
    if piece is None:
        raise InputError(
            "sole", "not found beside the strips: it hardly differs from the mat",
            hint="Lay it on a mat that is clearly lighter or darker, in even light, or pick the points by hand.",
        )  # fmt: skip
    outline = outer_edge(picture, view, piece, scene.strips | ~view.seen, REACH_MM)
    _check_shape(outline)
    _check_whole(outline, scene)
    return outline


def _check_shape(outline: Outline) -> None:
    size, filled = _box(outline.mm)
    ok = (
        LENGTH_MM[0] <= size[0] <= LENGTH_MM[1]
        and WIDTH_SHARE[0] <= size[1] / size[0] <= WIDTH_SHARE[1]
        and FILLED_SHARE[0] <= filled <= FILLED_SHARE[1]
    )
    if not ok:
        raise InputError(
            "sole", "the largest thing beside the strips does not have a sole's shape",
            value=f"{size[0]:.0f} x {size[1]:.0f} mm",
            allowed=f"{LENGTH_MM[0]:g} to {LENGTH_MM[1]:g} mm long, about a third as wide",
            hint="Clear the mat, keep hands and strong shadows away, check the card's print scale, or pick by hand.",
        )  # fmt: skip


def _box(mm: Floats) -> tuple[Floats, float]:
    """Length and width of the smallest box, mm, and the share of it that is filled."""
    _, size, _ = cv2.minAreaRect(mm.astype(np.float32))
    long, short = max(size), min(size)
    return np.array([long, short]), float(cv2.contourArea(mm.astype(np.float32)) / max(long * short, 1e-9))


def _check_whole(outline: Outline, scene: Scene) -> None:
    """InputError when the picture's edge cuts the sole off."""
    at = np.rint(scene.view.at(outline.mm)).astype(int)
    h, w = scene.view.grey.shape
    beyond = cv2.erode(scene.view.seen.astype(np.uint8), np.ones((9, 9), np.uint8), borderValue=0) == 0
    x, y = np.clip(at[:, 0], 0, w - 1), np.clip(at[:, 1], 0, h - 1)
    if int(beyond[y, x].sum()) >= 5:
        raise InputError(
            "sole", "is cut off by the picture's edge",
            hint="Step back or turn the camera so that the whole sole and both strips are in the picture.",
        )  # fmt: skip


def length_doubt(outline: Outline) -> tuple[str, ...]:
    """A length that another print scale of the card may explain."""
    length = float(_box(outline.mm)[0][0])
    if USUAL_MM[0] <= length <= USUAL_MM[1]:
        return ()
    return (
        f"the sole is {length:.0f} mm long, unusual for a grown rider: measure the printed check bar, the card may "
        "be printed at another scale",
    )


# --- the mid-line and the heel ---


@dataclass(frozen=True)
class SoleEnds:
    """Ends of the sole's longest line (2,) in the plane, mm, and their standard uncertainty across the line, mm."""

    heel_mm: Floats
    toe_mm: Floats
    u_heel_mm: float
    u_toe_mm: float


def sole_ends(outline: Outline) -> SoleEnds:
    """The two points of the outline that lie farthest apart; the heel is at the narrower half."""
    mm = outline.mm
    distance = cdist(mm, mm)
    i, j = np.unravel_index(int(np.argmax(distance)), distance.shape)
    a, b = mm[i], mm[j]
    for _ in range(4):
        (a, ua), (b, ub) = _top(mm, a, a - b, outline.u_mm), _top(mm, b, b - a, outline.u_mm)
    width = [_width(mm, a, b, share) for share in (0.18, 0.70)]
    return SoleEnds(a, b, ua, ub) if width[0] < width[1] else SoleEnds(b, a, ub, ua)


def _top(mm: Floats, near: Floats, outward: Floats, u_mm: float) -> tuple[Floats, float]:
    """Outermost point of the outline along `outward` near a point, by a parabola, and its u across."""
    out = outward / np.hypot(*outward)
    side = np.array([-out[1], out[0]])
    s, h = (mm - near) @ side, (mm - near) @ out
    use = (np.abs(s) < ROUND_MM) & (h > -ROUND_MM)
    if use.sum() < 5:
        return near, U_END_MM
    a = np.stack([s[use] ** 2, s[use], np.ones(use.sum())], axis=1)
    q, *_ = np.linalg.lstsq(a, h[use], rcond=None)
    if q[0] > -1e-4:  # flat: the end may lie anywhere along it
        return near, ROUND_MM / 2
    top = float(np.clip(-q[1] / (2 * q[0]), -ROUND_MM / 2, ROUND_MM / 2))
    miss = max(float(np.std(h[use] - a @ q)), u_mm)
    u_slope = miss * np.sqrt(3 * np.linalg.inv(a.T @ a)[1, 1])  # about three neighbours err together
    place_ = near + top * side + (q[0] * top**2 + q[1] * top + q[2]) * out
    return place_, float(np.hypot(u_slope / (2 * abs(q[0])), U_END_MM))


def _width(mm: Floats, heel: Floats, toe: Floats, share: float) -> float:
    along = toe - heel
    t = (mm - heel) @ along / float(along @ along)
    z = (mm - heel) @ np.array([-along[1], along[0]]) / np.hypot(*along)
    near = np.abs(t - share) < 0.03
    return float(np.ptp(z[near])) if near.any() else 0.0


def widest_heel(xz: Floats, length_mm: float, u_mm: float) -> list[tuple[str, Floats, float]]:
    """heel_inner and heel_outer from the outline in the sole frame: name, (x, z), standard uncertainty, mm."""
    out = []
    for name, side in (("heel_inner", -1.0), ("heel_outer", 1.0)):
        part = xz[(xz[:, 0] > 0.03 * length_mm) & (xz[:, 0] < 0.30 * length_mm) & (side * xz[:, 1] > 0)]
        if len(part) < 8:
            continue
        top = part[np.argmax(side * part[:, 1])]
        near = part[np.abs(part[:, 0] - top[0]) < 0.05 * length_mm]
        q = np.polyfit(near[:, 0] - top[0], side * near[:, 1], 2)
        if q[0] >= -1e-5:
            continue
        shift = float(np.clip(-q[1] / (2 * q[0]), -12, 12))
        width = float(np.polyval(q, shift))
        out.append((name, np.array([top[0] + shift, side * width]), max(u_mm, 0.3)))
    return out
