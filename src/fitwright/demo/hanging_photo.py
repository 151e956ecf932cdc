"""Renders a simulated photograph of a hanging foot, taken from below along the shank, with its truth.

The camera looks up: the sole and the two strips of the card lie level at the same height (z = 0), shank and thigh
beyond them. Plane coordinates as in `sole_photo`; the picture is turned at the end so that the toes point up.
"""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np

from fitwright.demo.camera import SimCamera
from fitwright.demo.riders import SimRider
from fitwright.demo.scene import caption
from fitwright.demo.sole_look import RGB, demo_look
from fitwright.demo.sole_photo import (
    CAPTION,
    lay_shoe,
    lay_strips,
    phone_camera,
    seen_by_phone,
    sole_sheet,
    write_photo,
)
from fitwright.demo.truth import Truth
from fitwright.quantity import Floats

SIZE = (2016, 1512)
FAR_MM = (550.0, 575.0)  # lens to sole
AMONG_TRIALS_DEG = 1.1  # how far a foot hangs otherwise each time; our own choice
CEILING: RGB = (196.0, 195.0, 190.0)
THIGH_MM = np.array([(-900.0, 104.0), (-260.0, 80.0), (-60.0, 64.0), (30.0, 56.0), (62.0, 36.0), (74.0, 0.0)])
"""(ahead of the ankle, half breadth) of the thigh as seen from below; our own."""
KNEE_LINE_MM = (-400.0, -150.0)  # where a hand picks it, ahead of the ankle
ACROSS_THIGH_MM = 4.0  # how well a hand finds its middle; our own choice


def render_hanging(rider: SimRider, foot: str, out: Path, seed: int, size: tuple[int, int] = SIZE) -> Truth:
    """Renders one photograph (JPEG) and `<out>.truth.json`; returns the truth: this trial’s yaw, px of the points."""
    rng = np.random.default_rng([seed, 61, foot == "right"])
    look, leg = demo_look(rider), rider.leg(foot)
    camera = phone_camera(rng, size, FAR_MM)
    yaw = leg.hanging_yaw_deg + float(rng.normal(0, AMONG_TRIALS_DEG))
    knee = float(rng.uniform(-4, 4))
    thigh, ahead = (_way(a) for a in (knee, knee + (yaw if foot == "left" else -yaw)))
    heel, toe = (50.0 * thigh + (x - leg.malleolus_x_mm) * ahead for x in (0.0, leg.sole_length_mm))
    picture = np.empty((camera.height, camera.width, 3), np.uint8)
    picture[...] = np.array(CEILING, np.uint8)
    height = leg.malleolus_y_mm + leg.shank_mm - 70.0  # underside of the thigh above the sole
    _leg(picture, camera, rider, 50.0 * thigh, thigh, (leg.malleolus_y_mm, height))
    lay_strips(picture, camera, rng, 0.18 * leg.sole_length_mm + 60)
    sheet = sole_sheet(heel, toe, foot, look)
    lay_shoe(picture, camera, sheet, rider, foot, rider.setup.cleat(foot), look)
    picture = np.ascontiguousarray(np.rot90(seen_by_phone(picture, rng, look)))
    caption(picture, CAPTION)
    line = 50.0 * thigh + np.outer(KNEE_LINE_MM, thigh)
    space = np.array([[*heel, 0.0], [*toe, 0.0], *([*p, height] for p in line)])
    names = ("heel_centre", "toe", "knee_rear", "knee_front")
    truth = Truth(
        {
            "simulated": True, "photo": out.name, "rider": rider.key, "foot": foot, "seed": seed, "yaw_deg": yaw,
            "length_mm": leg.sole_length_mm, "names": list(names), "camera": camera.to_json(),
            "px": dict(zip(names, _turned(camera, space).tolist(), strict=True)),
            "px_per_mm_at_knee": camera.focal_px / (height - camera.position_mm[2]),
            "idealised": ["sole and strips lie in one level plane; the thigh is level"],
        }
    )  # fmt: skip
    write_photo(picture, out, look.quality)
    truth.save(out)
    return truth


def hanging_points(truth: Truth, seed: int, noise_px: float = 0.7) -> dict[str, list[float]]:
    """What a hand picks: name → [u, v] px; the middle of a thigh is found less well than a mark."""
    rng = np.random.default_rng([seed, 62, truth.data["foot"] == "right"])
    across = ACROSS_THIGH_MM * truth.data["px_per_mm_at_knee"]
    spread = {n: (across if n.startswith("knee") else noise_px, noise_px) for n in truth.names}
    picks = {n: np.asarray(truth.data["px"][n]) + rng.normal(0, spread[n]) for n in truth.names}
    return {n: [round(float(p[0]), 2), round(float(p[1]), 2)] for n, p in picks.items()}


def _way(turned_deg: float) -> Floats:
    """(2,) unit vector, clockwise from the picture's right as the camera sees it."""
    return np.array([np.cos(np.radians(turned_deg)), np.sin(np.radians(turned_deg))])


def _turned(camera: SimCamera, space_mm: Floats) -> Floats:
    """(n, 2) px of points in space in the picture that was turned by a quarter against the clock."""
    px, _ = camera.project(space_mm)
    return np.column_stack([px[:, 1], camera.width - 1 - px[:, 0]])


def _leg(
    picture: np.ndarray, camera: SimCamera, rider: SimRider, ankle: Floats, ahead: Floats, z: tuple[float, float]
) -> None:  # fmt: skip
    """Thigh, then the shank from the knee down to the ankle, lighter towards their middle."""
    outward = np.array([-ahead[1], ahead[0]])
    outline = np.concatenate([THIGH_MM, THIGH_MM[-2::-1] * [1, -1]])

    def fill(mm: Floats, height: float, rgb: Floats) -> None:
        px, _ = camera.project(np.column_stack([mm, np.full(len(mm), height)]))
        corners = np.rint(px * 16).astype(np.int32).reshape(-1, 1, 2)
        cv2.fillPoly(picture, [corners], [float(c) for c in np.clip(rgb, 0, 255)], cv2.LINE_AA, 4)

    for share in np.linspace(1.0, 0.2, 9):
        narrow = ankle + np.outer(outline[:, 0], ahead) + np.outer(share * outline[:, 1], outward)
        fill(narrow, z[1], np.array(rider.look["shorts"]) * (1.5 - 0.6 * share))
    circle = np.array([_way(a) for a in np.linspace(0, 360, 60, endpoint=False)])
    for share in np.linspace(0, 1, 24):
        radius = 56.0 - 20.0 * share**1.5
        fill(
            ankle + radius * circle,
            z[1] + share * (z[0] - z[1]),
            np.array(rider.look["skin"]) * (0.62 + 0.4 * share),
        )
