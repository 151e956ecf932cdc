"""A tiny film maker with known truth (simulated): discs on given paths, blur, noise, any codec, any time stamps."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from fractions import Fraction
from pathlib import Path

import av
import numpy as np
import pytest

Path2 = Callable[[np.ndarray], np.ndarray]  # times (T,) -> places (T, 2)


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


@pytest.fixture(scope="session")
def film_maker():
    """The functions above, for tests in this room."""

    class Maker:
        Film, film_to, draw = Film, staticmethod(film_to), staticmethod(draw)
        circle, swing = staticmethod(circle), staticmethod(swing)

    return Maker


@pytest.fixture(scope="session")
def three_discs(film_maker):
    """A hip that hardly moves, a knee that swings, a pedal that turns."""
    return {
        "hip": swing(150.0, 90.0, 2.5, 1.5), "knee": swing(330.0, 150.0, 28.0, 35.0),
        "pedal": circle(420.0, 230.0, 75.0),
    }  # fmt: skip
