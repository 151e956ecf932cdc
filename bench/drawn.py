"""Small films and pictures of discs and cloth drawn for measurements and tests, independent of the models under test.

A disc is drawn from many samples per pixel and per exposure; cloth is smoothed noise that swings and turns.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from fractions import Fraction
from pathlib import Path

import av
import cv2
import numpy as np
from scipy.ndimage import gaussian_filter

from fitwright.linkage.leg import solve
from fitwright.linkage.twin import LegTwin
from fitwright.quantity import Floats

Path2 = Callable[[Floats], Floats]  # times (T,) -> places (T, 2)
SIZE, CELLS, OPTICS_PX = 56, 6, 0.7


@dataclass(frozen=True)
class Film:
    """What to film: name → path of a disc; times; picture size; exposure; noise; codec; hidden spells."""

    discs: Mapping[str, Path2]
    times_s: np.ndarray
    size: tuple[int, int] = (640, 360)
    exposure_s: float = 0.0
    noise: float = 1.5
    codec: str = "libx264"
    pixels: str = "yuv420p"
    options: Mapping[str, str] = field(default_factory=lambda: {"crf": "16", "preset": "ultrafast"})
    hidden: Mapping[str, tuple[float, float]] = field(default_factory=dict)
    gain: Callable[[float], float] = lambda t: 1.0
    rotation: int = 0
    readout_s: float = 0.0


def draw(film: Film, time_s: float, background: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """One luma frame (h, w) uint8."""
    luma = background.copy()
    for name, path in film.discs.items():
        a, b = film.hidden.get(name, (np.inf, np.inf))
        if a <= time_s < b:
            continue
        row_s = float(path(np.array([time_s]))[0, 1]) / film.size[1] * film.readout_s
        n = 1 if film.exposure_s == 0 else 9
        at = time_s + row_s + ((np.arange(n) + 0.5) / n - 0.5) * film.exposure_s
        places = path(at)
        low = np.maximum(np.floor(places.min(axis=0)).astype(int) - 13, 0)
        high = np.minimum(np.ceil(places.max(axis=0)).astype(int) + 14, film.size)
        if np.any(high <= low):
            continue
        v, u = np.mgrid[low[1] : high[1], low[0] : high[0]]
        cover = [np.zeros(u.shape), np.zeros(u.shape)]
        for c in places:
            rho = np.hypot(u - c[0], v - c[1])
            for k, radius in enumerate((8.0, 4.8)):
                cover[k] += np.clip(0.5 + (radius - rho) / 1.6, 0, 1) / n
        part = luma[low[1] : high[1], low[0] : high[0]]
        part[...] = part * (1 - cover[0]) + 220 * (cover[0] - cover[1]) + 34 * cover[1]
    luma = luma * film.gain(time_s) + rng.normal(0, film.noise, luma.shape)
    return np.clip(np.rint(luma), 0, 255).astype(np.uint8)


def film_to(path: Path, film: Film, seed: int = 3, drawn: Callable[..., np.ndarray] = draw) -> Path:
    """Write the film; time stamps in units of 1/90000 s."""
    rng = np.random.default_rng(seed)
    w, h = film.size
    coarse = rng.normal(0, 18, (h // 24 + 2, w // 24 + 2))
    background = 95 + np.kron(coarse, np.ones((24, 24)))[:h, :w]
    with av.open(str(path), "w") as out:
        stream = out.add_stream(film.codec, rate=60)
        stream.width, stream.height, stream.pix_fmt = w, h, film.pixels
        stream.options = dict(film.options)
        base = Fraction(1, 90000)
        stream.codec_context.time_base = base
        if film.rotation:
            stream.set_display_rotation(film.rotation)
        for t in film.times_s:
            frame = av.VideoFrame.from_ndarray(drawn(film, float(t), background, rng), format="gray")
            frame = frame.reformat(format=film.pixels, src_color_range="JPEG", dst_color_range="JPEG")
            frame.pts, frame.time_base = round(float(t) * 90000), base
            out.mux(stream.encode(frame))
        out.mux(stream.encode(None))
    return path


def circle(u: float, v: float, radius: float, rpm: float = 90.0, phase: float = 0.3) -> Path2:
    """A point on a turning crank."""
    return lambda t: np.stack(
        [
            u + radius * np.sin(phase + t * rpm / 60 * 2 * np.pi),
            v - radius * np.cos(phase + t * rpm / 60 * 2 * np.pi),
        ],
        axis=1,
    )


def swing(u: float, v: float, du: float, dv: float, rpm: float = 90.0) -> Path2:
    """A point that swings to and fro once a turn."""
    return lambda t: np.stack(
        [u + du * np.sin(t * rpm / 60 * 2 * np.pi), v + dv * np.cos(0.4 + t * rpm / 60 * 2 * np.pi)], axis=1
    )


def picture(centre, blur=(0.0, 0.0), radii=(5.0, 9.0), levels=(120.0, 220.0, 30.0)) -> np.ndarray:
    """A disc with ring, smeared along `blur`, as a camera sees it; independent of the model under test.

    The optics blur the light (sigma 0.7 px), then each pixel adds up what falls on it, from 6 × 6 cells, those on an
    edge partly covered: whole cells moved the disc by up to 0.007 px, more than noise does.
    """
    fine = (np.arange(SIZE * CELLS) + 0.5) / CELLS - 0.5
    u, v = np.meshgrid(fine, fine)
    moments = (np.arange(25) + 0.5) / 25 - 0.5 if np.any(blur) else np.zeros(1)
    light = np.full(u.shape, levels[0])
    for t in moments:
        rho = np.hypot(u - centre[0] - t * blur[0], v - centre[1] - t * blur[1])
        disc, ring = (np.clip(0.5 + (radius - rho) * CELLS, 0, 1) / len(moments) for radius in radii)
        light += (levels[1] - levels[0]) * ring + (levels[2] - levels[1]) * disc
    seen = gaussian_filter(light, OPTICS_PX * CELLS)
    return np.asarray(seen.reshape(SIZE, CELLS, SIZE, CELLS).mean(axis=(1, 3)))


LEG = LegTwin(405.0, 420.0, 125.0, 105.0, 172.5, -190.0, 751.0, 15.0, (-6.0, 0.0), (10.4, 0.0))
JOINTS = {
    "greater_trochanter": "hip", "lateral_femoral_condyle": "knee", "lateral_malleolus": "malleolus",
    "pedal_axle": "axle",
}  # fmt: skip
MM_PER_PX = 3.2


def crank_deg(t: np.ndarray, rpm: float, wobble_deg: float) -> np.ndarray:
    return np.degrees(0.4 + t * rpm / 60 * 2 * np.pi) + wobble_deg * np.sin(2 * np.pi * t / 2.3 + 1)


def leg(rpm: float, wobble_deg: float):
    """Paths of six discs; the heel's is 18 px beside the malleolus's, and the bottom bracket's stands still."""

    def joint(key: str):
        def at(t: np.ndarray) -> np.ndarray:
            pose = solve(LEG, crank_deg(t, rpm, wobble_deg))
            x, y = (np.broadcast_to(getattr(pose, f"{key}_{a}"), t.shape) for a in "xy")
            return np.stack([300 + x / MM_PER_PX, 280 - y / MM_PER_PX], axis=1)

        return at

    paths = {name: joint(key) for name, key in JOINTS.items()}

    def heel(t: np.ndarray) -> np.ndarray:
        ankle = paths["lateral_malleolus"](t)
        along = paths["pedal_axle"](t) - ankle
        along /= np.hypot(*along.T)[:, None]
        return ankle - 12 * along + 14 * np.stack([-along[:, 1], along[:, 0]], axis=1)

    return paths | {"heel": heel, "bottom_bracket": lambda t: np.stack([300 + 0 * t, 280 + 0 * t], axis=1)}


@dataclass(frozen=True)
class Cover:
    """Something before a marker for a while: "hand" (skin), "arm" (a dark bar across) or "disc" (another marker that
    passes over it, as the far leg's may)."""

    name: str
    kind: str
    from_s: float
    lasts_s: float

    def at(self, time_s: float) -> bool:
        """Whether it is there."""
        return self.from_s <= time_s < self.from_s + self.lasts_s


def covered(
    covers: tuple[Cover, ...],
) -> Callable[[Film, float, np.ndarray, np.random.Generator], np.ndarray]:
    """Draws a film with these covers over it."""

    def drawn(film: Film, time_s: float, background: np.ndarray, rng: np.random.Generator) -> np.ndarray:
        now = [c for c in covers if c.at(time_s)]
        hidden = {c.name for c in now}
        discs = {n: p for n, p in film.discs.items() if n not in hidden}
        over = np.full((film.size[1], film.size[0]), np.nan, np.float32)
        for c in now:
            u, v = film.discs[c.name](np.array([time_s]))[0]
            share = (time_s - c.from_s) / c.lasts_s
            if c.kind == "disc":  # passes across, itself a marker of the same kind
                discs[f"{c.name} far"] = _passing(film.discs[c.name], c)
            elif c.kind == "arm":
                _bar(over, u, v, 0.6 + share)
            else:
                cv2.ellipse(over, (round(u), round(v)), (19, 15), 40.0 * share, 0, 360, 148.0, -1)
        luma = draw(replace(film, discs=discs), time_s, background, rng).astype(np.float32)
        grain = rng.normal(0, film.noise, over.shape)
        shown = np.where(np.isnan(over), luma, np.clip(over + grain, 0, 255))
        return np.rint(shown).astype(np.uint8)

    return drawn


def _passing(path: Path2, cover: Cover) -> Path2:
    """From 30 px on one side of the marker to 30 px on the other, while the cover lasts."""

    def at(t: Floats) -> Floats:
        share = (np.asarray(t) - cover.from_s) / cover.lasts_s
        return path(t) + np.stack([60 * (share - 0.5), 0 * share + 4], axis=1)

    return at


def _bar(over: np.ndarray, u: float, v: float, angle: float) -> None:
    """A dark bar 26 px broad through a place."""
    d = 60 * np.array([np.cos(angle), np.sin(angle)])
    a, b = np.rint([u - d[0], v - d[1]]).astype(int), np.rint([u + d[0], v + d[1]]).astype(int)
    cv2.line(over, (int(a[0]), int(a[1])), (int(b[0]), int(b[1])), 40.0, 26)
