"""Renders a simulated phone photograph of a sole between the two strips of the scale card, with its truth.

Plane coordinates: mm, x right, y down in the picture, origin under the middle of the sole. The strips lie in it; so
do the sole and its cleat unless the `Look` lifts them (idealised: each is flat, a real sole has springs).
"""

from __future__ import annotations

from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from PIL import Image

from fitwright.demo.camera import SimCamera
from fitwright.demo.riders import SimRider
from fitwright.demo.scene import caption
from fitwright.demo.sole_drawing import (
    MARGIN_MM,
    PX_PER_MM,
    Flat,
    axle_points,
    draw_cleat,
    draw_sole,
    mark_points,
)
from fitwright.demo.sole_look import MATS, Look, demo_look
from fitwright.demo.truth import Truth
from fitwright.errors import InputError
from fitwright.foot.frame import sole_axes
from fitwright.foot.sole import CleatPose
from fitwright.quantity import Floats
from fitwright.vision.card import SCALE_CARD, strip_picture

SIZE = (4032, 3024)
EQUIVALENT_MM = 26
CAPTION = "simulated photograph - invented rider"
Box = tuple[slice, slice]
_DESCRIPTION, _EXIF, _FOCAL_35MM = 0x010E, 0x8769, 0xA405


def phone_camera(
    rng: np.random.Generator, size: tuple[int, int] = SIZE, far_mm: tuple[float, float] = (322, 338)
) -> SimCamera:
    """A phone held by hand over the sole, `far_mm` away, tilted a few degrees, k1 −0.03 to −0.05."""
    tilt, yaw = rng.uniform(-3.5, 3.5, 2)
    distance = float(rng.uniform(*far_mm))
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


@dataclass(frozen=True)
class Sheet:
    """A flat thing in space: origin (3,) mm and its two unit axes (2, 3), in plane coordinates (third axis away from
    the camera)."""

    origin_mm: Floats
    axes: Floats

    def places(self, flat_mm: Floats) -> Floats:
        """(n, 2) on the sheet → (n, 3)."""
        return np.asarray(self.origin_mm + flat_mm @ self.axes)

    def under(self, camera: SimCamera, px: Floats) -> Floats:
        """(..., 2) px → (..., 2) on the sheet, mm."""
        normal = np.cross(*self.axes)
        eye = np.array(camera.position_mm)
        rays = camera.rays(px)
        reach = ((self.origin_mm - eye) @ normal) / (rays @ normal)
        return np.asarray((eye + rays * reach[..., None] - self.origin_mm) @ self.axes.T)

    def raised(self, height_mm: float) -> Sheet:
        """The parallel sheet nearer to the camera."""
        return replace(
            self, origin_mm=self.origin_mm - height_mm * np.cross(*self.axes) * _towards(self.axes)
        )


MAT = Sheet(np.zeros(3), np.array([[1.0, 0, 0], [0, 1, 0]]))


def _towards(axes: Floats) -> float:
    """+1 when the sheet's third axis points away from the camera, −1 when it points at it."""
    return float(np.sign(np.cross(*axes)[2]))


def _flat_mm(sheet: Sheet, camera: SimCamera, box: Box) -> tuple[np.ndarray, np.ndarray]:
    """Sheet coordinates (mm, float32) under each pixel of a box, interpolated from a grid of 8 px (< 1e-3 px)."""
    step, (rows, columns) = 8, box
    h, w = rows.stop - rows.start, columns.stop - columns.start
    u = columns.start + step * np.arange(-1, w // step + 3)
    v = rows.start + step * np.arange(-1, h // step + 3)
    coarse = sheet.under(camera, np.stack(np.meshgrid(u, v), axis=-1).astype(np.float64)).astype(np.float32)
    to_coarse = np.array([[1 / step, 0, 1], [0, 1 / step, 1]], dtype=np.float32)
    fine = cv2.warpAffine(coarse, to_coarse, (w, h), flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP)
    return fine[..., 0], fine[..., 1]


def _over(picture: np.ndarray, colour: np.ndarray, alpha: np.ndarray, box: Box) -> None:
    """Lays `colour` (h, w, 3) over a part of the picture where alpha (h, w) 0–255 says so."""
    part = picture[box]
    a = cv2.cvtColor(alpha, cv2.COLOR_GRAY2BGR)
    cover = cv2.multiply(colour, a, scale=1 / 255)
    keep = cv2.multiply(part, cv2.bitwise_not(a), scale=1 / 255)
    cv2.add(cover, keep, part)


def _box(sheet: Sheet, camera: SimCamera, corners_mm: Floats) -> Box:
    """Pixels that may show something inside these corners (n, 2) of a sheet."""
    px, _ = camera.project(sheet.places(corners_mm))
    low = np.maximum(np.floor(px.min(axis=0)).astype(int) - 24, 0)
    high = np.minimum(np.ceil(px.max(axis=0)).astype(int) + 24, [camera.width, camera.height])
    high = np.maximum(high, low + 1)
    return slice(int(low[1]), int(high[1])), slice(int(low[0]), int(high[0]))


def _lay(
    picture: np.ndarray,
    camera: SimCamera,
    sheet: Sheet,
    rgb: np.ndarray,
    alpha: np.ndarray,
    corner_mm: Floats,
) -> None:
    """Samples a flat drawing whose outer top-left corner lies at `corner_mm` (2,) of the sheet, `PX_PER_MM`.

    The drawing is first softened by about half a camera pixel, so that sampling it cannot shift an edge.
    """
    size = np.array(alpha.shape[::-1]) / PX_PER_MM
    box = _box(sheet, camera, corner_mm + np.array([(0, 0), (size[0], 0), size, (0, size[1])]))
    sigma = 0.5 * PX_PER_MM * abs(camera.position_mm[2]) / camera.focal_px
    rgb, alpha = (cv2.GaussianBlur(layer, (0, 0), sigma) for layer in (rgb, alpha))
    x, y = _flat_mm(sheet, camera, box)
    mu, mv = (
        np.float32(PX_PER_MM) * (m - np.float32(c)) - np.float32(0.5)
        for m, c in ((x, corner_mm[0]), (y, corner_mm[1]))
    )
    colour = cv2.remap(rgb, mu, mv, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    cover = cv2.remap(alpha, mu, mv, cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT, borderValue=0)
    _over(picture, colour, cover, box)


def _mat(camera: SimCamera, rng: np.random.Generator, look: Look) -> np.ndarray:
    """A bench mat or board under everything."""
    n, tone = 600, np.array(MATS[look.mat], np.float32)
    soft = cv2.GaussianBlur(rng.standard_normal((n, n)).astype(np.float32), (0, 0), 5)
    if look.mat == "board":  # grain along the picture
        soft = cv2.GaussianBlur(rng.standard_normal((n, n)).astype(np.float32), (0, 0), sigmaX=60, sigmaY=1.2)
    fine = rng.standard_normal((n, n)).astype(np.float32)
    shade = 3.5 * soft / soft.std() + (2.0 if look.mat == "board" else 4.0) * fine
    rgb = np.clip(tone + shade[..., None], 0, 255).astype(np.uint8)
    x, y = _flat_mm(MAT, camera, (slice(0, camera.height), slice(0, camera.width)))
    scale = np.float32(1.6)
    at = ((x + 250) * scale, (y + 250) * scale)
    return np.asarray(cv2.remap(rgb, *at, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REFLECT))


def lay_strips(
    picture: np.ndarray, camera: SimCamera, rng: np.random.Generator, beside_mm: float
) -> list[dict[str, Any]]:
    """Lays strip A above and B below the sole, each turned a little on its own; returns their true poses."""
    poses = []
    for strip, side in zip(SCALE_CARD.strips, (-1.0, 1.0), strict=True):
        turn = np.radians(90.0 + rng.uniform(-2.5, 2.5))
        e = np.array([[np.cos(turn), np.sin(turn)], [-np.sin(turn), np.cos(turn)]])  # rows: strip x, strip y
        centre = np.array([rng.uniform(-6, 6), side * beside_mm + rng.uniform(-2, 2)])
        origin = centre - np.array([strip.width_mm, strip.height_mm]) / 2 @ e
        flat = strip_picture(strip, PX_PER_MM, SCALE_CARD.margin_mm)
        paper = np.where(flat > 127, 236, 30).astype(np.uint8)
        sheet = Sheet(np.array([*origin, 0.0]), np.column_stack([e, np.zeros(2)]))
        margin = np.full(2, -SCALE_CARD.margin_mm)
        _lay(picture, camera, sheet, np.dstack([paper] * 3), np.full_like(paper, 255), margin)
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
    look: Look | None = None,
) -> Truth:
    """Renders one sole photograph (JPEG) and `<out>.truth.json`; returns the truth.

    `which` "before" or "after" only seeds another shot (camera, strips, noise) and names it; the cleat lies where
    `cleat_pose` says. Truth: points_mm in the sole frame, px, cleat pose, length, camera, strips, heights.
    """
    if which not in ("before", "after"):
        raise InputError("which", "unknown photograph", value=which, allowed="before, after")
    pose = tuple(cleat_pose.vector) if isinstance(cleat_pose, CleatPose) else cleat_pose
    pose = (float(pose[0]), float(pose[1]), float(pose[2]))
    look = look or demo_look(rider)
    rng = np.random.default_rng([seed, 51, foot == "right", which == "after"])
    camera = phone_camera(rng, size)
    length = rider.leg(foot).sole_length_mm
    turn = np.radians(rng.uniform(-3, 3))
    half = length / 2 * np.array([np.cos(turn), np.sin(turn)])
    picture = _mat(camera, rng, look)
    strips = lay_strips(picture, camera, rng, 0.18 * length + 44)
    sole = sole_sheet(-half, half, foot, look)
    _sole(picture, camera, sole, rider, foot, pose, look)
    picture = seen_by_phone(picture, rng, look)
    caption(picture, CAPTION)
    truth = Truth(
        {
            "simulated": True, "photo": out.name, "rider": rider.key, "foot": foot, "which": which, "seed": seed,
            "cleat": {"x_c_mm": pose[0], "z_c_mm": pose[1], "psi_c_deg": pose[2]}, "length_mm": length,
            "camera": camera.to_json(), "strips": strips, "heel_plane_mm": (-half).tolist(),
            "toe_plane_mm": half.tolist(), "look": asdict(look), **_marks(rider, foot, pose, camera, sole, look),
            "idealised": ["sole and cleat are flat, bolts level with its face; strips lie in one plane"],
        }
    )  # fmt: skip
    write_photo(picture, out, look.quality)
    truth.save(out)
    return truth


def sole_sheet(heel: Floats, toe: Floats, foot: str, look: Look) -> Sheet:
    """The sole's face: lifted above the card's plane, its outer edge rolled up."""
    forward, outward = sole_axes(heel, toe, foot)
    roll = np.radians(look.roll_deg)
    axes = np.array([[*forward, 0.0], [*(np.cos(roll) * outward), -np.sin(roll)]])
    return Sheet(np.array([*heel, -look.lift_mm]), axes)


def _sole(
    picture: np.ndarray, camera: SimCamera, sheet: Sheet, rider: SimRider, foot: str,
    pose: tuple[float, float, float], look: Look,
) -> None:  # fmt: skip
    """Shadow on the mat, the sole, and the cleat's face at its height."""
    flat = _flat_sole(rider, foot, pose, look)
    small = cv2.resize(flat.alpha, None, fx=0.125, fy=0.125, interpolation=cv2.INTER_AREA)
    soft = cv2.GaussianBlur(small, (0, 0), look.shadow_mm[2] * PX_PER_MM / 8)
    shadow = cv2.resize((soft * look.shadow).astype(np.uint8), flat.alpha.shape[::-1])
    corner = np.array([-MARGIN_MM, -flat.half_mm])
    on_mat = replace(sheet, origin_mm=sheet.origin_mm + np.array([*look.shadow_mm[:2], look.lift_mm]))
    _lay(picture, camera, on_mat, np.full_like(flat.rgb, 20), shadow, corner)
    lay_shoe(picture, camera, sheet, rider, foot, pose, look, flat)


def lay_shoe(
    picture: np.ndarray, camera: SimCamera, sheet: Sheet, rider: SimRider, foot: str,
    pose: tuple[float, float, float], look: Look, flat: Flat | None = None,
) -> None:  # fmt: skip
    """The sole, and the cleat's face at its height."""
    flat = flat or _flat_sole(rider, foot, pose, look)
    _lay(picture, camera, sheet, flat.rgb, flat.alpha, np.array([-MARGIN_MM, -flat.half_mm]))
    cleat = draw_cleat(rider, foot, pose, look)
    _lay(picture, camera, sheet.raised(look.plate_mm), *_cropped(cleat))


def _flat_sole(rider: SimRider, foot: str, pose: tuple[float, float, float], look: Look) -> Flat:
    return draw_sole(rider, foot, pose, np.random.default_rng([7, foot == "right"]), look)


def _cropped(flat: Flat) -> tuple[np.ndarray, np.ndarray, Floats]:
    """Drawing, alpha and corner (mm) of the part that shows something."""
    rows, columns = (np.flatnonzero(flat.alpha.any(axis=a)) for a in (1, 0))
    r, c = slice(rows[0] - 4, rows[-1] + 5), slice(columns[0] - 4, columns[-1] + 5)
    corner = np.array([-MARGIN_MM, -flat.half_mm]) + np.array([c.start, r.start]) / PX_PER_MM
    return flat.rgb[r, c], flat.alpha[r, c], corner


def seen_by_phone(picture: np.ndarray, rng: np.random.Generator, look: Look) -> np.ndarray:
    """Uneven light, soft optics, noise."""
    h, w = picture.shape[:2]
    v, u = np.mgrid[0:17, 0:25].astype(np.float32)
    far = (u / 24 - rng.uniform(0.3, 0.6)) ** 2 + (v / 16 - rng.uniform(0.3, 0.6)) ** 2
    small = 1.05 - 2 * look.uneven * far
    gain = cv2.resize(small.astype(np.float32), (w, h), interpolation=cv2.INTER_CUBIC)
    soft = cv2.GaussianBlur(picture, (0, 0), look.blur_px * w / SIZE[0])
    noise = np.empty((h, w), np.float32)
    cv2.setRNGSeed(int(rng.integers(1, 2**31 - 1)))
    cv2.randn(noise, 0.0, look.noise)
    for k in range(3):
        soft[..., k] = cv2.add(cv2.multiply(soft[..., k], gain, dtype=cv2.CV_32F), noise, dtype=cv2.CV_8U)
    return np.asarray(soft)


def _marks(
    rider: SimRider, foot: str, pose: tuple[float, float, float], camera: SimCamera, sole: Sheet, look: Look
) -> dict[str, Any]:
    """Names, places in the sole frame, pixels, and heights above the card's plane of all marks."""
    marks = mark_points(rider, foot, pose) | (axle_points(rider, pose) if look.axle else {})
    on_cleat = {n for n in marks if n.startswith(("cleat", "datum", "axle", "bolt"))}
    space = {
        n: (sole.raised(look.plate_mm) if n in on_cleat else sole).places(p[None])[0]
        for n, p in marks.items()
    }
    px, _ = camera.project(np.array(list(space.values())))
    return {
        "names": list(marks), "points_mm": {n: p.tolist() for n, p in marks.items()},
        "px": {n: p.tolist() for n, p in zip(marks, px, strict=True)},
        "heights_mm": {n: float(-p[2]) for n, p in space.items()},
    }  # fmt: skip


def write_photo(picture: np.ndarray, out: Path, quality: int) -> None:
    """The picture as a JPEG marked as simulated; a half-written file never stands at its place."""
    out.parent.mkdir(parents=True, exist_ok=True)
    part = out.with_name(f".{out.name}.part")
    image = Image.fromarray(picture)
    exif = image.getexif()
    exif[_DESCRIPTION] = CAPTION
    exif.get_ifd(_EXIF)[_FOCAL_35MM] = EQUIVALENT_MM
    image.save(part, format="JPEG", quality=quality, exif=exif, comment=CAPTION.encode())
    part.replace(out)


def hand_points(truth: Truth, seed: int, noise_px: float = 0.7) -> dict[str, list[float]]:
    """What a practitioner would pick with the loupe: name → [u, v] px, with `noise_px` per coordinate."""
    rng = np.random.default_rng([seed, 52, truth.data["foot"] == "right", truth.data["which"] == "after"])
    picks = {n: np.asarray(truth.data["px"][n]) + rng.normal(0, noise_px, 2) for n in truth.names}
    return {n: [round(float(p[0]), 2), round(float(p[1]), 2)] for n, p in picks.items()}
