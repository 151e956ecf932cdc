"""Renders a simulated phone photograph of a sole between the two strips of the scale card, with its truth.

The sole, its marks and both strips lie in one plane (idealised: a real sole has springs and a cleat has height).
Plane coordinates: mm, x right, y down in the picture, origin under the middle of the sole.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from PIL import Image

from fitwright.demo.camera import SimCamera
from fitwright.demo.riders import SimRider
from fitwright.demo.scene import caption
from fitwright.demo.sole_drawing import MARGIN_MM, PX_PER_MM, draw_sole, mark_points
from fitwright.demo.truth import Truth
from fitwright.errors import InputError
from fitwright.foot.frame import from_sole, sole_axes
from fitwright.foot.sole import CleatPose
from fitwright.quantity import Floats
from fitwright.vision.card import SCALE_CARD, strip_picture

SIZE = (4032, 3024)
EQUIVALENT_MM = 26
CAPTION = "simulated photograph - invented rider"
Maps = tuple[np.ndarray, np.ndarray]
_DESCRIPTION, _EXIF, _FOCAL_35MM = 0x010E, 0x8769, 0xA405


def phone_camera(rng: np.random.Generator, size: tuple[int, int] = SIZE) -> SimCamera:
    """A phone held by hand above the sole: about 325 mm away, tilted a few degrees, k1 −0.03 to −0.05."""
    tilt, yaw = rng.uniform(-3.5, 3.5, 2)
    distance = float(rng.uniform(322, 338))
    aim = rng.uniform(-5, 5, 2)
    focal = EQUIVALENT_MM * float(np.hypot(*size)) / float(np.hypot(36.0, 24.0)) * rng.uniform(0.985, 1.015)
    camera = SimCamera(
        view="photo", position_mm=(0.0, 0.0, -distance), yaw_deg=float(yaw), tilt_deg=float(tilt),
        roll_deg=float(rng.uniform(-2.5, 2.5)), focal_px=float(focal), width=size[0], height=size[1],
        k1=float(-rng.uniform(0.03, 0.05)), centre_px=(5.0, -4.0), readout_s=0.0,
    )  # fmt: skip
    ahead = camera.rotation[2]
    back = distance / ahead[2] * ahead
    return replace(camera, position_mm=(float(aim[0] - back[0]), float(aim[1] - back[1]), -distance))


def _plane_maps(camera: SimCamera) -> Maps:
    """Full-size float32 maps of plane x and y (mm) under each pixel, interpolated from a grid of 8 px (< 1e-3 px)."""
    step = 8
    u, v = np.arange(-step, camera.width + 2 * step, step), np.arange(-step, camera.height + 2 * step, step)
    rays = camera.rays(np.stack(np.meshgrid(u, v), axis=-1).astype(np.float64))
    eye = np.array(camera.position_mm)
    place = eye + rays * (-eye[2] / rays[..., 2])[..., None]
    px, py = np.arange(camera.width, dtype=np.float32), np.arange(camera.height, dtype=np.float32)
    mu, mv = np.meshgrid(px / step + 1, py / step + 1)
    x, y = (cv2.remap(place[..., k].astype(np.float32), mu, mv, cv2.INTER_LINEAR) for k in (0, 1))
    return x, y


def _over(picture: np.ndarray, colour: np.ndarray, alpha: np.ndarray, box: tuple[slice, slice]) -> None:
    """Lays `colour` (h, w, 3) over a part of the picture where alpha (h, w) 0–255 says so."""
    part = picture[box]
    a = cv2.cvtColor(alpha, cv2.COLOR_GRAY2BGR)
    cover = cv2.multiply(colour, a, scale=1 / 255)
    keep = cv2.multiply(part, cv2.bitwise_not(a), scale=1 / 255)
    cv2.add(cover, keep, part)


def _box(camera: SimCamera, corners_mm: Floats) -> tuple[slice, slice]:
    """Pixels that may show something inside these plane corners (n, 2)."""
    px, _ = camera.project(np.column_stack([corners_mm, np.zeros(len(corners_mm))]))
    low = np.maximum(np.floor(px.min(axis=0)).astype(int) - 24, 0)
    high = np.ceil(px.max(axis=0)).astype(int) + 24
    return slice(int(low[1]), int(high[1])), slice(int(low[0]), int(high[0]))


def _lay(
    picture: np.ndarray, maps: Maps, camera: SimCamera, corners_mm: Floats, rgb: np.ndarray, alpha: np.ndarray,
    matrix: Floats, shift: Floats,
) -> None:  # fmt: skip
    """Samples a flat drawing: drawing px = matrix · plane mm + shift; `corners_mm` bound it in the plane.

    The drawing is first softened by about half a camera pixel, so that sampling it cannot shift an edge.
    """
    box = _box(camera, corners_mm)
    sigma = 0.5 * PX_PER_MM * abs(camera.position_mm[2]) / camera.focal_px
    rgb, alpha = (cv2.GaussianBlur(layer, (0, 0), sigma) for layer in (rgb, alpha))
    x, y = maps[0][box], maps[1][box]
    m = matrix.astype(np.float32)
    mu = m[0, 0] * x + m[0, 1] * y + np.float32(shift[0])
    mv = m[1, 0] * x + m[1, 1] * y + np.float32(shift[1])
    colour = cv2.remap(rgb, mu, mv, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    cover = cv2.remap(alpha, mu, mv, cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT, borderValue=0)
    _over(picture, colour, cover, box)


def _cloth(maps: Maps, rng: np.random.Generator) -> np.ndarray:
    """A bench mat under everything."""
    n = 600
    soft = cv2.GaussianBlur(rng.standard_normal((n, n)).astype(np.float32), (0, 0), 5)
    fine = rng.standard_normal((n, n)).astype(np.float32)
    tone = 3.5 * soft / soft.std() + 4.0 * fine
    rgb = np.clip(np.array([134, 140, 136], np.float32) + tone[..., None], 0, 255).astype(np.uint8)
    scale = np.float32(1.6)
    return cv2.remap(
        rgb, (maps[0] + 250) * scale, (maps[1] + 250) * scale, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REFLECT
    )


def _strips(
    picture: np.ndarray, maps: Maps, camera: SimCamera, rng: np.random.Generator, beside_mm: float
) -> list[dict[str, Any]]:
    """Lays strip A above and B below the sole, each turned a little on its own; returns their true poses."""
    poses = []
    for strip, side in zip(SCALE_CARD.strips, (-1.0, 1.0), strict=True):
        turn = np.radians(90.0 + rng.uniform(-2.5, 2.5))
        e = np.array(
            [[np.cos(turn), np.sin(turn)], [-np.sin(turn), np.cos(turn)]]
        )  # rows: strip x, strip y in plane
        centre = np.array([rng.uniform(-6, 6), side * beside_mm + rng.uniform(-2, 2)])
        origin = centre - np.array([strip.width_mm, strip.height_mm]) / 2 @ e
        flat = strip_picture(strip, PX_PER_MM, SCALE_CARD.margin_mm)
        paper = np.where(flat > 127, 236, 30).astype(np.uint8)
        corners = np.array([(-6, -6), (66, -6), (66, 266), (-6, 266)]) @ e + origin
        offset = SCALE_CARD.margin_mm * PX_PER_MM - 0.5 - PX_PER_MM * (e @ origin)
        _lay(
            picture,
            maps,
            camera,
            corners,
            np.dstack([paper] * 3),
            np.full_like(paper, 255),
            PX_PER_MM * e,
            offset,
        )
        poses.append({"strip": strip.name, "origin_mm": origin.tolist(), "turn_deg": float(np.degrees(turn))})
    return poses


def render_sole(
    rider: SimRider,
    foot: str,
    cleat_pose: CleatPose | tuple[float, float, float],
    out: Path,
    which: str,
    seed: int,
    size: tuple[int, int] = SIZE,
) -> Truth:
    """Renders one sole photograph (JPEG) and `<out>.truth.json`; returns the truth.

    `which` "before" or "after" only seeds another shot (camera, strips, noise) and names it; the cleat lies where
    `cleat_pose` says. Truth: points_mm in the sole frame, px, cleat pose, length, camera, strips.
    """
    if which not in ("before", "after"):
        raise InputError("which", "unknown photograph", value=which, allowed="before, after")
    pose = tuple(cleat_pose.vector) if isinstance(cleat_pose, CleatPose) else cleat_pose
    pose = (float(pose[0]), float(pose[1]), float(pose[2]))
    rng = np.random.default_rng([seed, 51, foot == "right", which == "after"])
    camera = phone_camera(rng, size)
    maps = _plane_maps(camera)
    length = rider.leg(foot).sole_length_mm
    turn = np.radians(rng.uniform(-3, 3))
    half = length / 2 * np.array([np.cos(turn), np.sin(turn)])
    heel, toe = -half, half
    picture = _cloth(maps, rng)
    strips = _strips(picture, maps, camera, rng, 0.18 * length + 44)
    _sole(picture, maps, camera, (rider, foot, pose), heel, toe)
    picture = _phone(picture, rng)
    caption(picture, CAPTION)
    truth = _truth(rider, foot, pose, which, camera, heel, toe, out.name, seed, strips)
    _write(picture, out)
    truth.save(out)
    return truth


def _sole(picture: np.ndarray, maps: Maps, camera: SimCamera, what: Any, heel: Floats, toe: Floats) -> None:
    rider, foot, pose = what
    flat = draw_sole(rider, foot, pose, np.random.default_rng([7, foot == "right"]))
    axes = sole_axes(heel, toe, foot)
    length = float(np.linalg.norm(toe - heel))
    reach, wide = length + MARGIN_MM, flat.half_mm
    corners = from_sole(np.array([(-12, -wide), (reach, -wide), (reach, wide), (-12, wide)]), heel, toe, foot)
    shift = np.array([MARGIN_MM, flat.half_mm]) * PX_PER_MM - 0.5 - PX_PER_MM * (axes @ heel)
    blurred = cv2.GaussianBlur(flat.alpha, (0, 0), 3.0 * PX_PER_MM, dst=None)
    shadow = (blurred * 0.55).astype(np.uint8)
    offset = PX_PER_MM * (axes @ np.array([3.0, 5.0]))
    _lay(picture, maps, camera, corners, np.full_like(flat.rgb, 20), shadow, PX_PER_MM * axes, shift - offset)
    _lay(picture, maps, camera, corners, flat.rgb, flat.alpha, PX_PER_MM * axes, shift)


def _phone(picture: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """Uneven light, mild blur, noise."""
    h, w = picture.shape[:2]
    v, u = np.mgrid[0:17, 0:25].astype(np.float32)
    small = 1.05 - 0.10 * ((u / 24 - rng.uniform(0.3, 0.6)) ** 2 + (v / 16 - rng.uniform(0.3, 0.6)) ** 2) * 2
    gain = cv2.resize(small.astype(np.float32), (w, h), interpolation=cv2.INTER_CUBIC)
    soft = cv2.GaussianBlur(picture, (0, 0), 0.55 * w / SIZE[0] + 0.1)
    noise = np.empty((h, w), np.float32)
    cv2.setRNGSeed(int(rng.integers(1, 2**31 - 1)))
    cv2.randn(noise, 0.0, 2.2)
    for k in range(3):
        soft[..., k] = cv2.add(cv2.multiply(soft[..., k], gain, dtype=cv2.CV_32F), noise, dtype=cv2.CV_8U)
    return soft


def _truth(
    rider: SimRider, foot: str, pose: tuple[float, float, float], which: str, camera: SimCamera, heel: Floats,
    toe: Floats, name: str, seed: int, strips: list[dict[str, Any]],
) -> Truth:  # fmt: skip
    marks = mark_points(rider, foot, pose)
    plane = from_sole(np.array(list(marks.values())), heel, toe, foot)
    px, _ = camera.project(np.column_stack([plane, np.zeros(len(plane))]))
    return Truth(
        {
            "simulated": True, "photo": name, "rider": rider.key, "foot": foot, "which": which, "seed": seed,
            "cleat": {"x_c_mm": pose[0], "z_c_mm": pose[1], "psi_c_deg": pose[2]},
            "points_mm": {n: p.tolist() for n, p in marks.items()},
            "px": {n: p.tolist() for n, p in zip(marks, px, strict=True)}, "names": list(marks),
            "length_mm": rider.leg(foot).sole_length_mm, "camera": camera.to_json(), "strips": strips,
            "heel_plane_mm": heel.tolist(), "toe_plane_mm": toe.tolist(),
            "idealised": ["sole, cleat and strips lie in one plane"],
        }
    )  # fmt: skip


def _write(picture: np.ndarray, out: Path) -> None:
    out.parent.mkdir(parents=True, exist_ok=True)
    part = out.with_name(f".{out.name}.part")
    image = Image.fromarray(picture)
    exif = image.getexif()
    exif[_DESCRIPTION] = CAPTION
    exif.get_ifd(_EXIF)[_FOCAL_35MM] = EQUIVALENT_MM
    image.save(part, format="JPEG", quality=92, exif=exif, comment=CAPTION.encode())
    part.replace(out)


def hand_points(truth: Truth, seed: int, noise_px: float = 0.7) -> dict[str, list[float]]:
    """What a practitioner would pick with the loupe: name → [u, v] px, with `noise_px` per coordinate."""
    rng = np.random.default_rng([seed, 52, truth.data["foot"] == "right", truth.data["which"] == "after"])
    picks = {n: np.asarray(truth.data["px"][n]) + rng.normal(0, noise_px, 2) for n in truth.names}
    return {n: [round(float(p[0]), 2), round(float(p[1]), 2)] for n, p in picks.items()}
