"""From a hand's pick to what lies beneath it: the centre of a dot, the nearest edge, a corner."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np

from fitwright.errors import InputError
from fitwright.quantity import Floats
from fitwright.vision.find_dots import spot_at, spot_u_px
from fitwright.vision.find_lines import corner_near, edge_offsets, fit_line_robustly
from fitwright.vision.picture import Picture
from fitwright.vision.snap import find_spot

KINDS = ("dot", "edge", "corner")
REACH_SHARE = 0.004
"""How far from the pick something is sought: this share of the picture's long side (16 px of 4000)."""
LEAST_STEP = 12.0
"""Grey levels of 255 across an edge or a corner below which there is nothing to snap to."""
FLOOR_PX = {"dot": 0.05, "edge": 0.1, "corner": 0.15}


@dataclass(frozen=True)
class Snapped:
    """Where a pick snapped to: (u, v) px, standard uncertainty per coordinate px, and to what, in words."""

    uv_px: tuple[float, float]
    u_px: float
    to: str

    def to_json(self) -> dict[str, Any]:
        """`{"uv_px", "u_px", "to"}`."""
        return {"uv_px": list(self.uv_px), "u_px": self.u_px, "to": self.to}


def snap_at(
    picture: Picture, uv_px: tuple[float, float] | Floats, kind: str, reach_px: float | None = None
) -> Snapped:
    """Refine a pick to a dot's centre, the nearest point of the nearest edge, or a corner.

    Raises:
        InputError: an unknown kind, a pick outside the picture, or nothing to snap to within reach.
    """
    if kind not in KINDS:
        raise InputError("kind", "unknown", value=kind, allowed=", ".join(KINDS))
    uv = np.array(picture.check_inside("pick", uv_px))
    reach = float(reach_px or max(6.0, REACH_SHARE * max(picture.size_px)))
    found = {"dot": _dot, "edge": _edge, "corner": _corner}[kind](picture, uv, reach)
    if found is None or np.hypot(found.uv_px[0] - uv[0], found.uv_px[1] - uv[1]) > reach + 1.0:
        raise InputError(
            "pick", f"no {kind} to snap to within {reach:.0f} px", value=f"{uv[0]:.1f},{uv[1]:.1f}",
            hint="Your pick stays as it is; move it nearer, or leave it.",
        )  # fmt: skip
    return found


def _dot(picture: Picture, uv: Floats, reach: float) -> Snapped | None:
    spot = spot_at(picture, _coarse_dot(picture, uv, reach), min(reach, 7.0))
    if spot is None:
        return None
    ring = "ringed dot" if spot.ring_px > 1.25 * spot.disc_px else "dot"
    return _snapped(
        spot.uv_px,
        spot_u_px(spot),
        f"centre of a {ring}, {2 * max(spot.ring_px, spot.disc_px):.0f} px across",
    )


def _coarse_dot(picture: Picture, uv: Floats, reach: float) -> Floats:
    """The pick, or a dot's rough centre when a search farther out (in the picture at half size) finds one."""
    if reach <= 7.0:
        return uv
    half = int(reach) + 90
    low = np.maximum(np.round(uv).astype(int) - half, 0)
    part = picture.grey[low[1] : low[1] + 2 * half, low[0] : low[0] + 2 * half]
    small = cv2.resize(part, None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA).astype(np.float64)
    spot = find_spot(small, (uv - low + 0.5) / 2 - 0.5, reach / 2)
    return uv if spot is None else low + (spot.uv_px + 0.5) * 2 - 0.5


def _edge(picture: Picture, uv: Floats, reach: float) -> Snapped | None:
    """The foot of the perpendicular on the line through the edge's nearby places."""
    steepest = _steepest(picture, uv, reach)
    if steepest is None:
        return None
    at, normal = steepest
    along = np.array([-normal[1], normal[0]])
    base = at + np.linspace(-0.5, 0.5, 13)[:, None] * reach * along
    offset, step = edge_offsets(picture.grey, base, np.repeat(normal[None], len(base), axis=0), 3.5, 1.0)
    good = step > LEAST_STEP
    if good.sum() < 5:
        return None
    try:
        line = fit_line_robustly((base + offset[:, None] * normal)[good])
    except InputError:
        return None
    u = float(np.hypot(line.rms / np.sqrt(line.n / 3), FLOOR_PX["edge"]))
    return _snapped(line.nearest(uv), u, f"edge of {float(np.median(step[good])):.0f} grey levels")


def _steepest(picture: Picture, uv: Floats, reach: float) -> tuple[Floats, Floats] | None:
    """A pixel (2,) on the most distinct edge near a place, nearer ones preferred, and its unit normal (2,)."""
    half = int(np.ceil(reach)) + 4
    low = np.maximum(np.round(uv).astype(int) - half, 0)
    part = picture.grey[low[1] : low[1] + 2 * half + 1, low[0] : low[0] + 2 * half + 1].astype(np.float32)
    soft = cv2.GaussianBlur(part, (0, 0), 1.2)
    du, dv = (cv2.Scharr(soft, cv2.CV_32F, *k) / 32 for k in ((1, 0), (0, 1)))
    v, u = np.mgrid[0 : part.shape[0], 0 : part.shape[1]]
    far = np.hypot(u + low[0] - uv[0], v + low[1] - uv[1])
    steep = np.where(far <= reach, np.hypot(du, dv), 0.0)
    k = np.unravel_index(int(np.argmax(steep * np.exp(-0.5 * (far / (0.35 * reach)) ** 2))), steep.shape)
    if steep[k] < LEAST_STEP / 5:
        return None
    slope = np.array([du[k], dv[k]], dtype=np.float64)
    return low + np.array([k[1], k[0]], dtype=np.float64), slope / float(np.hypot(*slope))


def _corner(picture: Picture, uv: Floats, reach: float) -> Snapped | None:
    """Edges of at least two directions that meet."""
    found = corner_near(picture.grey, uv, reach)
    if found is None:
        return None
    half = int(np.ceil(0.6 * reach)) + 1
    low = np.maximum(np.round(found).astype(int) - half, 0)
    part = picture.grey[low[1] : low[1] + 2 * half + 1, low[0] : low[0] + 2 * half + 1].astype(np.float32)
    soft = cv2.GaussianBlur(part, (0, 0), 1.0)
    du, dv = (cv2.Scharr(soft, cv2.CV_32F, *k) / 32 for k in ((1, 0), (0, 1)))
    tensor = np.array([[np.mean(du * du), np.mean(du * dv)], [np.mean(du * dv), np.mean(dv * dv)]])
    small, large = np.linalg.eigvalsh(tensor)
    if small < max(0.05 * large, (LEAST_STEP / 10) ** 2):
        return None
    return _snapped(found, FLOOR_PX["corner"], "corner")


def _snapped(uv: Floats, u_px: float, to: str) -> Snapped:
    return Snapped((float(uv[0]), float(uv[1])), u_px, to)
