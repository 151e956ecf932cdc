"""The still part of a simulated film: studio wall and floor, bike on a trainer, caption. Drawn once per clip."""

from __future__ import annotations

import cv2
import numpy as np

from fitwright.bike.contact import ContactPoints
from fitwright.demo.camera import SimCamera
from fitwright.quantity import Floats

FLOOR_Y_MM, WALL_DISTANCE_MM, WHEEL_MM = -272.0, 1500.0, 338.0
Image = np.ndarray
_ANGLE = np.linspace(0, 2 * np.pi, 24, endpoint=False)
_SHIFT = 4


def _texture(rng: np.random.Generator, size: int = 512) -> Image:
    """Seamless soft noise (size, size) float32 with mean 0 and SD about 1: three scales."""
    out = np.zeros((size, size), np.float32)
    for cell, coarse, weight in ((4, 1, 0.35), (24, 4, 0.5), (90, 16, 0.8)):
        n, sigma = size // coarse, cell / coarse
        edge = int(3 * sigma)
        wide = np.pad(rng.standard_normal((n, n)).astype(np.float32), edge, mode="wrap")
        soft = cv2.GaussianBlur(wide, (0, 0), sigma)
        soft = cv2.resize(soft, None, fx=coarse, fy=coarse, interpolation=cv2.INTER_CUBIC)
        soft = soft[edge * coarse : edge * coarse + size, edge * coarse : edge * coarse + size]
        out += weight * soft / float(soft.std())
    return out


def studio(camera: SimCamera, rng: np.random.Generator) -> Image:
    """Wall and floor as (H, W, 3) uint8 RGB, by casting one ray per pixel of a coarse grid."""
    step = 4
    w, h = camera.width, camera.height
    gu, gv = np.meshgrid(np.arange(-step, w + 2 * step, step), np.arange(-step, h + 2 * step, step))
    rays = camera.rays(np.stack([gu, gv], axis=-1).astype(np.float64))
    eye = np.array(camera.position_mm)
    axis, wall_at = (2, -WALL_DISTANCE_MM) if camera.view == "side" else (0, -WALL_DISTANCE_MM - 400)
    to_wall = (wall_at - eye[axis]) / rays[..., axis]
    down = np.where(rays[..., 1] < -1e-6, rays[..., 1], -1e-6)
    to_floor = (FLOOR_Y_MM - eye[1]) / down
    across_axis = 0 if camera.view == "side" else 2
    wall = eye + rays * to_wall[..., None]
    floor = eye + rays * np.clip(to_floor, 0, 1e5)[..., None]

    def full(coarse: Floats) -> Image:
        yy, xx = np.mgrid[0:h, 0:w].astype(np.float32)
        grid = coarse.astype(np.float32)
        return cv2.remap(
            grid, xx / step + 1, yy / step + 1, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE
        )

    texture = _texture(rng)
    wall_rgb = _wall(full(wall[..., across_axis]), full(wall[..., 1]), texture)
    floor_rgb = _floor(full(floor[..., 0]), full(floor[..., 2]), texture, rng)
    on_floor = np.clip((full(to_wall) - full(to_floor)) * 0.1 + 0.5, 0, 1)[..., None]
    rgb = wall_rgb * (1 - on_floor) + floor_rgb * on_floor
    yy, xx = np.mgrid[0:h, 0:w].astype(np.float32)
    r2 = ((xx - 0.42 * w) / w) ** 2 + ((yy - 0.35 * h) / w) ** 2
    lit = rgb * (1.04 - 0.55 * r2)[..., None]
    return np.clip(np.rint(lit), 0, 255).astype(np.uint8)


def _sample(texture: Image, a: Image, b: Image, mm: float) -> Image:
    n = texture.shape[0]
    return cv2.remap(texture, np.mod(a / mm, n - 1), np.mod(b / mm, n - 1), cv2.INTER_LINEAR)


def _wall(across: Image, up: Image, texture: Image) -> Image:
    """Plaster with a wooden rail and broad boards below it."""
    plaster = np.array([203, 200, 192], np.float32) + 3.2 * _sample(texture, across, up, 5.0)[..., None]
    below = np.clip((330 - up) / 4 + 0.5, 0, 1)[..., None]
    groove = np.clip(1.5 - np.abs(np.mod(across, 210.0) - 105) / 3.0, 0, 1)[..., None]
    boards = (
        np.array([176, 172, 160], np.float32)
        - 22 * groove
        + 2.2 * _sample(texture, across * 3, up, 4.0)[..., None]
    )
    rail = np.clip(1.5 - np.abs(up - 345) / 14, 0, 1)[..., None]
    skirting = np.clip((FLOOR_Y_MM + 110 - up) / 4 + 0.5, 0, 1)[..., None]
    out = plaster * (1 - below) + boards * below
    out = out * (1 - rail) + np.array([150, 136, 116], np.float32) * rail
    return np.asarray(out * (1 - skirting) + np.array([146, 134, 116], np.float32) * skirting)


def _floor(x: Image, z: Image, texture: Image, rng: np.random.Generator) -> Image:
    """Planks along X with a rubber mat under the bike."""
    plank = np.floor(z / 140.0).astype(int)
    tone = rng.normal(0, 7, 257).astype(np.float32)[np.mod(plank, 257)]
    groove = np.clip(1.3 - np.abs(np.mod(z, 140.0) - 70) / 2.2, 0, 1)
    wood = (
        np.array([158, 131, 100], np.float32) + (tone + 5 * _sample(texture, x * 0.25, z * 3, 4.0))[..., None]
    )
    wood -= 30 * groove[..., None]
    inside = np.clip((420 - np.abs(z)) / 6, 0, 1) * np.clip((960 - np.abs(x - 60)) / 6, 0, 1)
    mat = np.array([72, 74, 76], np.float32) + 2.5 * _sample(texture, x, z, 2.0)[..., None]
    shadow = 1 - 0.45 * np.exp(-((z / 260) ** 2) - ((x - 80) / 700) ** 4)
    return np.asarray((wood * (1 - inside[..., None]) + mat * inside[..., None]) * shadow[..., None])


class Canvas:
    """An RGB picture with a mask of what was painted on it, drawn through one camera."""

    def __init__(self, rgb: Image, camera: SimCamera) -> None:
        self.rgb, self.camera = rgb, camera
        self.mask = np.zeros(rgb.shape[:2], np.uint8)

    def polygon(self, px: Floats, rgb: tuple[float, float, float]) -> None:
        """Fills a polygon given in px."""
        points = np.rint(np.asarray(px) * (1 << _SHIFT)).astype(np.int32).reshape(-1, 1, 2)
        cv2.fillPoly(self.rgb, [points], rgb, cv2.LINE_AA, _SHIFT)
        cv2.fillPoly(self.mask, [points], 255, cv2.LINE_8, _SHIFT)

    def tube(
        self, mm: list[tuple[float, float, float]], radius: float, rgb: tuple[float, float, float]
    ) -> None:
        """A bent tube through points of the bike frame, with a lighter ridge."""
        px, depth = self.camera.project(np.array(mm, dtype=np.float64))
        r = radius * self.camera.focal_px / depth
        for share, bright, lift in ((1.0, 0.72, 0.0), (0.66, 1.0, 0.18), (0.25, 1.22, 0.34)):
            colour = tuple(min(255.0, c * bright) for c in rgb)
            for i in range(len(mm) - 1):
                ends = px[i : i + 2] - (lift * r[i : i + 2])[:, None] * np.array([0.3, 1.0])
                ring = ends[:, None] + (share * r[i : i + 2])[:, None, None] * np.stack(
                    [np.cos(_ANGLE), np.sin(_ANGLE)], axis=1
                )
                hull = cv2.convexHull(ring.reshape(-1, 2).astype(np.float32))
                self.polygon(hull, (colour[0], colour[1], colour[2]))

    def ring(
        self, centre: tuple[float, float, float], radius: float, tube: float, rgb: tuple[float, ...]
    ) -> None:
        """A wheel's rim or tyre as a closed bent tube in a plane of constant Z."""
        a = np.linspace(0, 2 * np.pi, 73)
        mm = [(centre[0] + radius * np.cos(t), centre[1] + radius * np.sin(t), centre[2]) for t in a]
        self.tube([(float(x), float(y), float(z)) for x, y, z in mm], tube, (rgb[0], rgb[1], rgb[2]))

    def disc(
        self, centre: tuple[float, float, float], radius: float, rgb: tuple[float, float, float]
    ) -> None:
        """A flat disc in a plane of constant Z."""
        a = np.linspace(0, 2 * np.pi, 60)
        mm = np.array(centre) + radius * np.stack([np.cos(a), np.sin(a), 0 * a], axis=1)
        self.polygon(self.camera.project(mm)[0], rgb)


INK, STEEL, PAINT = (44.0, 45.0, 48.0), (150.0, 152.0, 154.0), (46.0, 92.0, 86.0)


REAR_MM, FRONT_MM = (-408.0, 68.0, 0.0), (588.0, 68.0, 0.0)
HUB_END_MM = 50.0


def axles_mm() -> dict[str, tuple[float, float, float]]:
    """Where a hand marks both wheel axles: the ends of the hubs that the camera sees."""
    return {"rear_axle": (*REAR_MM[:2], HUB_END_MM), "front_axle": (*FRONT_MM[:2], HUB_END_MM)}


def paint_bike(canvas: Canvas, contact: ContactPoints) -> None:
    """Frame, front wheel, trainer, saddle and bars around the contact points (dimensions: own, ordinary)."""
    saddle_x, saddle_y = contact.saddle_xy_mm
    hood_x, hood_y = contact.hood_x_mm, contact.hood_y_mm
    rear, front = REAR_MM, FRONT_MM
    post = np.array([saddle_x, saddle_y - 62.0])
    seat = 0.69 * post
    head = np.array([hood_x - 112.0, hood_y - 96.0])
    crown = head + 148.0 * np.array([np.cos(np.radians(73)), -np.sin(np.radians(73))])
    _trainer(canvas, rear)
    if canvas.camera.view == "front":
        _saddle(canvas, saddle_x, saddle_y)
        canvas.mask[:] = 0  # from the front, the legs stand before the trainer and the saddle
    for z in (-32.0, 32.0):
        canvas.tube([(-40, -4, z * 0.6), (rear[0], rear[1], z * 1.9)], 10, PAINT)
        canvas.tube([(float(seat[0]), float(seat[1]) - 30, z * 0.4), (rear[0], rear[1], z * 1.9)], 8, PAINT)
    _front_wheel(canvas, front)
    canvas.tube([(0, 0, 0), (float(seat[0]), float(seat[1]), 0)], 16, PAINT)
    canvas.tube([(0, 0, 0), (float(crown[0]), float(crown[1]) + 22, 0)], 21, PAINT)
    canvas.tube(
        [(float(seat[0]), float(seat[1]) - 18, 0), (float(head[0]), float(head[1]) - 26, 0)], 15, PAINT
    )
    canvas.tube([(float(head[0]), float(head[1]), 0), (float(crown[0]), float(crown[1]), 0)], 21, PAINT)
    for z in (-50.0, 50.0):
        canvas.tube([(float(crown[0]), float(crown[1]) - 8, z * 0.8), (front[0], front[1], z)], 11, PAINT)
    canvas.tube(
        [(float(crown[0]), float(crown[1]) - 4, -42), (float(crown[0]), float(crown[1]) - 4, 42)], 14, PAINT
    )
    canvas.tube([(float(seat[0]), float(seat[1]), 0), (float(post[0]), float(post[1]), 0)], 13.6, INK)
    if canvas.camera.view == "side":
        _saddle(canvas, saddle_x, saddle_y)
    _bars(canvas, hood_x, hood_y, head)
    canvas.disc((0.0, 0.0, 44.0), 98, (70, 71, 74))
    canvas.disc((0.0, 0.0, 45.0), 84, (122, 124, 126))
    canvas.disc((0.0, 0.0, 46.0), 66, (58, 60, 64))
    canvas.tube([(6.0, 97.0, 44.0), (rear[0], rear[1] + 44, 44.0)], 4, (84, 84, 84))
    canvas.tube(
        [(0.0, -97.0, 44.0), (rear[0] + 40, rear[1] - 60, 44.0), (rear[0] + 8, rear[1] - 40, 44.0)],
        4,
        (84, 84, 84),
    )


def _front_wheel(canvas: Canvas, hub: tuple[float, float, float]) -> None:
    for a in np.linspace(0, 2 * np.pi, 24, endpoint=False):
        tip = (hub[0] + 300 * np.cos(a + 0.12), hub[1] + 300 * np.sin(a + 0.12), 0.0)
        canvas.tube([(hub[0] + 18 * np.cos(a), hub[1] + 18 * np.sin(a), 0), tip], 1.6, (128, 128, 130))
    canvas.ring(hub, 308, 11, (70, 70, 74))
    canvas.ring(hub, WHEEL_MM - 14, 14, INK)
    canvas.tube([(hub[0], hub[1], -50), (hub[0], hub[1], 50)], 15, STEEL)


def _trainer(canvas: Canvas, axle: tuple[float, float, float]) -> None:
    canvas.tube(
        [(axle[0] - 40, FLOOR_Y_MM + 16, -280), (axle[0] - 40, FLOOR_Y_MM + 16, 280)], 18, (84, 86, 90)
    )
    canvas.tube(
        [(axle[0] + 190, FLOOR_Y_MM + 16, -150), (axle[0] + 190, FLOOR_Y_MM + 16, 150)], 18, (84, 86, 90)
    )
    for z in (-60.0, 60.0):
        canvas.tube([(axle[0] - 40, FLOOR_Y_MM + 20, z * 3), (axle[0], axle[1], z)], 17, (96, 98, 104))
        canvas.tube([(axle[0] + 190, FLOOR_Y_MM + 20, z), (axle[0], axle[1], z)], 17, (96, 98, 104))
    for z in (-50.0, 34.0):
        canvas.disc((axle[0] + 20, axle[1] - 20, z), 132, (88, 90, 96))
    canvas.disc((axle[0] + 20, axle[1] - 20, 35.0), 112, (62, 64, 70))
    canvas.disc((axle[0], axle[1], 46.0), 54, (134, 136, 138))
    canvas.disc((axle[0], axle[1], 47.0), 30, (96, 98, 100))


def _saddle(canvas: Canvas, x: float, y: float) -> None:
    canvas.tube([(x - 60, y - 48, 0), (x + 70, y - 48, 0)], 6, STEEL)
    for z in (-1.0, 1.0):
        canvas.tube([(x - 118, y - 16, z * 58), (x - 40, y - 18, z * 44), (x + 60, y - 18, z * 16)], 17, INK)
    canvas.tube([(x - 110, y - 18, 0), (x + 20, y - 18, 0), (x + 152, y - 20, 0)], 18, INK)


def _bars(canvas: Canvas, hood_x: float, hood_y: float, head: np.ndarray) -> None:
    bar_x, bar_y = hood_x - 86, hood_y - 4
    hx, hy = float(head[0]), float(head[1])
    canvas.tube([(hx, hy, 0), (hx - 9, hy + 58, 0)], 17, INK)
    canvas.tube([(hx - 9, hy + 46, 0), (bar_x, bar_y, 0)], 17, INK)
    canvas.tube([(bar_x, bar_y, -196), (bar_x, bar_y, 196)], 14, INK)
    for z in (-205.0, 205.0):
        drop = [(0, 0), (66, -4), (96, -40), (92, -92), (52, -124), (-18, -122)]
        canvas.tube([(bar_x + dx, bar_y + dy, z) for dx, dy in drop], 14, INK)
        canvas.tube([(hood_x - 20, hood_y - 18, z), (hood_x + 34, hood_y + 2, z)], 20, INK)
        canvas.tube([(hood_x + 34, hood_y - 6, z), (hood_x + 44, hood_y - 80, z)], 6, STEEL)


def caption(rgb: Image, text: str) -> None:
    """Writes `text` small in the lower left corner."""
    scale = rgb.shape[0] / 1080
    left, base, high = int(24 * scale), rgb.shape[0] - int(26 * scale), int(38 * scale)
    (wide, _), _ = cv2.getTextSize(text, cv2.FONT_HERSHEY_SIMPLEX, 0.8 * scale, 1)
    box = rgb[
        base - int(0.72 * high) : base + int(0.34 * high),
        left - int(10 * scale) : left + wide + int(12 * scale),
    ]
    box[...] = (box * 0.35 + 24).astype(np.uint8)
    cv2.putText(
        rgb, text, (left, base), cv2.FONT_HERSHEY_SIMPLEX, 0.8 * scale, (232.0, 232.0, 228.0), 1, cv2.LINE_AA
    )


def to_yuv(rgb: Image) -> tuple[Image, Image, Image]:
    """Luma (H, W) and half-size chroma planes, 8 bit, ITU-R BT.709 limited range."""
    r, g, b = (rgb[..., i].astype(np.float32) for i in range(3))
    y = 16 + (0.2126 * r + 0.7152 * g + 0.0722 * b) * (219 / 255)
    small = cv2.resize(rgb, (rgb.shape[1] // 2, rgb.shape[0] // 2), interpolation=cv2.INTER_AREA)
    u, v = chroma(small)
    return np.clip(np.rint(y), 0, 255).astype(np.uint8), u, v


def chroma(rgb: Image) -> tuple[Image, Image]:
    """Cb and Cr planes (8 bit, BT.709 limited range) of an RGB picture."""
    r, g, b = (rgb[..., i].astype(np.float32) for i in range(3))
    luma = 0.2126 * r + 0.7152 * g + 0.0722 * b
    planes = (128 + (b - luma) / 1.8556 * (224 / 255), 128 + (r - luma) / 1.5748 * (224 / 255))
    return tuple(np.clip(np.rint(p), 0, 255).astype(np.uint8) for p in planes)  # type: ignore[return-value]
