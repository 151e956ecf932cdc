"""A tiny simulated side film: a known leg in discs, and each frame's number written into its picture as bars."""

from __future__ import annotations

from fractions import Fraction
from pathlib import Path

import av
import numpy as np

from fitwright.records.media import keep_file
from fitwright.records.models import Visit
from fitwright.studio import ride
from simulated_side import leg_at, theta_of

SIZE = (640, 360)
MM_PER_PX = 4.0
CENTRE_PX = (300.0, 292.0)
BARS, BAR_PX = 12, 16
SHOULDER_MM = (250.0, 1060.0)
SEEN = ("acromion", "greater_trochanter", "lateral_femoral_condyle", "lateral_malleolus", "heel", "fifth_metatarsal",
        "pedal_axle")  # fmt: skip


def places(time_s: np.ndarray, rpm: float = 88.0) -> dict[str, np.ndarray]:
    """name → (T, 2) px of the upright picture; the rider is seen from the right."""
    mm = leg_at(theta_of(time_s, rpm)) | {"acromion": np.tile(SHOULDER_MM, (time_s.size, 1))}
    return {
        n: np.column_stack([CENTRE_PX[0] + mm[n][:, 0] / MM_PER_PX, CENTRE_PX[1] - mm[n][:, 1] / MM_PER_PX])
        for n in SEEN
    }


def write_film(
    path: Path, time_s: np.ndarray, rpm: float = 88.0, rotation: int = 0,
    hidden: dict[str, tuple[float, float]] | None = None,
) -> Path:  # fmt: skip
    """Write the film; `rotation` clockwise quarter turns make it upright; hidden: name → (from, to) in s."""
    rng = np.random.default_rng(4)
    coarse = rng.normal(0, 12, (SIZE[1] // 24 + 2, SIZE[0] // 24 + 2))
    ground = 100 + np.kron(coarse, np.ones((24, 24)))[: SIZE[1], : SIZE[0]]
    at = places(time_s, rpm)
    with av.open(str(path), "w") as out:
        stream = out.add_stream("libx264", rate=60)
        sensor = SIZE[::-1] if rotation % 180 else SIZE
        stream.width, stream.height, stream.pix_fmt = *sensor, "yuv420p"
        stream.options = {"crf": "14", "preset": "ultrafast"}
        stream.codec_context.time_base = Fraction(1, 90000)
        if rotation:
            stream.set_display_rotation(-rotation)
        for k, t in enumerate(time_s):
            picture = ground + rng.normal(0, 1.5, ground.shape)
            for name, uv in at.items():
                since, until = (hidden or {}).get(name, (np.inf, np.inf))
                if not since <= t < until:
                    _disc(picture, uv[k])
            for bit in range(BARS):
                picture[:BAR_PX, bit * BAR_PX : (bit + 1) * BAR_PX] = 225 if k >> bit & 1 else 30
            turned = np.rot90(np.clip(np.rint(picture), 0, 255).astype(np.uint8), rotation // 90)
            frame = av.VideoFrame.from_ndarray(np.ascontiguousarray(turned), format="gray")
            frame = frame.reformat(format="yuv420p", src_color_range="JPEG", dst_color_range="MPEG")
            frame.pts, frame.time_base = round(float(t) * 90000), Fraction(1, 90000)
            out.mux(stream.encode(frame))
        out.mux(stream.encode(None))
    return path


def lay_marked(visit: Visit, film: Path, time_s: np.ndarray, when: str = "before", rpm: float = 88.0) -> None:
    """Lay the film at the visit's place for one from the right, with its points marked in the 30th frame."""
    ride.save_film(visit, keep_file(film, "film", simulated=True), "side right", when)
    at = {n: [float(x) for x in uv[30]] for n, uv in places(time_s, rpm).items()}
    ride.save_marks(visit, "side right", when, {"time_s": float(time_s[30]), "points": at})


def number_in(grey: np.ndarray) -> int:
    """The frame's number, read from its upright picture of any size."""
    bar = BAR_PX * grey.shape[1] / SIZE[0]
    row = int(bar / 2)
    return sum(1 << bit for bit in range(BARS) if grey[row, int((bit + 0.5) * bar)] > 128)


def _disc(picture: np.ndarray, uv: np.ndarray, radii: tuple[float, float] = (8.0, 4.8)) -> None:
    """A dark disc in a light ring."""
    low = np.floor(uv).astype(int) - 11
    v, u = np.mgrid[low[1] : low[1] + 23, low[0] : low[0] + 23]
    part = picture[low[1] : low[1] + 23, low[0] : low[0] + 23]
    rho = np.hypot(u - uv[0], v - uv[1])[: part.shape[0], : part.shape[1]]
    for radius, grey in zip(radii, (220.0, 34.0), strict=True):
        cover = np.clip(0.5 + (radius - rho) / 1.6, 0, 1)
        part[...] = part * (1 - cover) + grey * cover
