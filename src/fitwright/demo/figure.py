"""The simulated rider's visible body and the moving crank: each part is a hull over spheres, near and far.

A sphere projects (nearly) to a circle, so the hull over its circles is the part's outline from any camera.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from fitwright.demo.camera import SimCamera
from fitwright.demo.motion3d import Points
from fitwright.demo.riders import SIDES
from fitwright.quantity import Floats

RGB = tuple[int, int, int]
_ANGLE = np.linspace(0, 2 * np.pi, 20, endpoint=False)
_CIRCLE = np.stack([np.cos(_ANGLE), np.sin(_ANGLE)], axis=1)
SHADES = ((1.0, 0.78), (0.84, 0.90), (0.62, 1.0), (0.36, 1.07))  # share of the radius, brightness


@dataclass(frozen=True)
class Part:
    """One convex piece: sphere centres (point names) with radii mm, colour, shade (darker when far)."""

    spheres: tuple[tuple[str, float], ...]
    rgb: RGB
    shade: float = 1.0


def add_shape_points(points: Points) -> Points:
    """Adds the in-between points that only the picture needs (mid thigh, calf, sleeve ends, glove)."""
    out = dict(points)
    for s in SIDES:
        hip, knee, ankle = points[f"hip_{s}"], points[f"knee_{s}"], points[f"ankle_{s}"]
        out[f"thigh_mid_{s}"] = hip + 0.45 * (knee - hip) + [0, 12, 0]
        out[f"hem_{s}"] = hip + 0.68 * (knee - hip) + [0, 4, 0]
        along = ankle - knee
        back = np.stack([along[:, 1], -along[:, 0], 0 * along[:, 0]], axis=1)
        back *= np.where(back[:, :1] > 0, -1.0, 1.0) / np.linalg.norm(back, axis=1, keepdims=True)
        out[f"calf_{s}"] = knee + 0.30 * along + 20 * back
        out[f"sock_{s}"] = knee + 0.80 * along + 2 * back
        shoulder, elbow = points[f"shoulder_{s}"], points[f"elbow_{s}"]
        out[f"sleeve_{s}"] = shoulder + 0.62 * (elbow - shoulder)
        out[f"pedal_front_{s}"] = points[f"pedal_{s}"] + [26, 0, 0]
        out[f"pedal_back_{s}"] = points[f"pedal_{s}"] + [-26, 0, 0]
    out["nape"] = points["neck"] + [-14, 18, 0]
    out["helmet_back"] = points["head"] + [-58, 26, 0]
    out["helmet_front"] = points["head"] + [38, 44, 0]
    out["chin"] = points["head"] + [52, -52, 0]
    return out


def limb_parts(look: dict[str, RGB], side: str, shade: float) -> tuple[list[Part], list[Part]]:
    """(leg, arm) of one side, each from back to front."""
    skin, shorts, shoe, jersey = look["skin"], look["shorts"], look["shoe"], look["jersey"]

    def part(rgb: RGB, *spheres: tuple[str, float]) -> Part:
        return Part(tuple((f"{n}_{side}", r) for n, r in spheres), rgb, shade)

    leg = [
        part((70, 72, 76), ("pedal_front", 9), ("pedal_back", 9), ("pedal_axle", 7)),
        part(skin, ("knee", 54), ("calf", 53), ("sock", 39), ("ankle", 35)),
        part(skin, ("thigh_mid", 77), ("knee", 56)),
        part((226, 226, 222), ("sock", 41), ("ankle", 38)),
        part(shorts, ("hip", 96), ("thigh_mid", 83), ("hem", 70)),
        part(
            (48, 48, 50),
            ("shoe_heel_low", 9),
            ("shoe_ball_low", 12),
            ("shoe_toe_low", 8),
            ("shoe_ball_in", 22),
            ("shoe_ball_out", 22),
        ),
        part(shoe, ("shoe_cuff", 39), ("shoe_heel", 27), ("shoe_instep", 31)),
        part(
            shoe,
            ("shoe_heel", 26),
            ("shoe_instep", 31),
            ("shoe_ball", 25),
            ("shoe_toe", 19),
            ("shoe_ball_in", 20),
            ("shoe_ball_out", 20),
        ),
    ]
    arm = [
        part(skin, ("elbow", 37), ("wrist", 26)),
        part(skin, ("sleeve", 40), ("elbow", 38)),
        part(jersey, ("shoulder", 56), ("sleeve", 46)),
        part((60, 60, 64), ("wrist", 28), ("hand", 31)),
    ]
    return leg, arm


def trunk_parts(look: dict[str, RGB]) -> list[Part]:
    """Pelvis, trunk, neck and head with helmet."""
    jersey, skin = look["jersey"], look["skin"]
    return [
        Part((("hip_left", 92), ("hip_right", 92), ("waist", 104)), look["shorts"]),
        Part((("waist", 112), ("chest", 122), ("pelvis", 96)), jersey),
        Part((("chest", 116), ("shoulder_left", 54), ("shoulder_right", 54), ("neck", 52)), jersey),
        Part((("neck", 50), ("nape", 50), ("head", 56)), skin),
        Part((("head", 78), ("chin", 40)), skin),
        Part((("helmet_back", 78), ("helmet_front", 66)), (212, 208, 196)),
    ]


def crank_part(side: str, shade: float) -> Part:
    """The crank arm of one side."""
    return Part(((f"crank_root_{side}", 17), (f"crank_end_{side}", 13)), (58, 60, 64), shade)


def scene_order(look: dict[str, RGB], view: str) -> tuple[list[Part], list[Part]]:
    """(behind the bike, before the bike), each from back to front."""
    if view == "side":
        far_leg, far_arm = limb_parts(look, "left", 0.66)
        leg, arm = limb_parts(look, "right", 1.0)
        behind = [crank_part("left", 0.7), *far_leg, *far_arm]
        return behind, [*trunk_parts(look), crank_part("right", 1.0), *leg, *arm]
    behind, front = trunk_parts(look)[:3], []
    for s in SIDES:
        leg, arm = limb_parts(look, s, 1.0)
        behind += [crank_part(s, 0.9), leg[0], leg[4], *leg[1:4], *leg[5:]]
        front += [arm[1], arm[2], arm[0], arm[3]]
    return behind, [*front, *trunk_parts(look)[3:]]


@dataclass(frozen=True)
class Outline:
    """A part over a whole clip: circle centres (F, n, 2) px, speeds (F, n, 2) px/s, radii (F, n) px."""

    part: Part
    centre_px: Floats
    speed_px_s: Floats
    radius_px: Floats

    def polygons(self, frame: int, after_s: float) -> list[np.ndarray]:
        """Convex polygons for `SHADES`, outermost first, `after_s` from the mid-exposure; (m, 1, 2) float32 px."""
        c = self.centre_px[frame] + after_s * self.speed_px_s[frame]
        r = self.radius_px[frame]
        out = []
        for share, _ in SHADES:
            towards_light = (1 - share) * r[:, None] * np.array([-0.25, -0.45])
            ring = (c + towards_light)[:, None] + (share * r)[:, None, None] * _CIRCLE
            out.append(cv2.convexHull(ring.reshape(-1, 2).astype(np.float32)))
        return out


def joined(outlines: tuple[Outline, ...]) -> list[tuple[Outline, ...]]:
    """Neighbours of one colour in groups: a group is shaded as one body, so its seams do not show."""
    groups: list[list[Outline]] = []
    for o in outlines:
        last = groups[-1][-1].part if groups else None
        if last is not None and (last.rgb, last.shade) == (o.part.rgb, o.part.shade):
            groups[-1].append(o)
        else:
            groups.append([o])
    return [tuple(g) for g in groups]


def outline(part: Part, centres: dict[str, tuple[Floats, Floats, Floats]], camera: SimCamera) -> Outline:
    """Collects a part's circles from `centres`: name → (px, speed px/s, depth mm)."""
    names = [n for n, _ in part.spheres]
    radius = np.array([r for _, r in part.spheres])
    depth = np.stack([centres[n][2] for n in names], axis=1)
    return Outline(
        part,
        np.stack([centres[n][0] for n in names], axis=1),
        np.stack([centres[n][1] for n in names], axis=1),
        radius * camera.focal_px / depth,
    )
