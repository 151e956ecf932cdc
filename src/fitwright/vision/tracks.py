"""Where the named points of a film were seen, how surely, and what is weak about it."""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from fitwright.errors import InputError
from fitwright.motion.smoothing import stretches
from fitwright.quantity import Floats, listed
from fitwright.vision.scatter import unexplained_px
from fitwright.vision.video import ClipInfo, to_sensor, to_upright

LEAST_SHARE = 0.3
"""Share of frames in which a point that gives scale and crank angle must be seen (our choice)."""
SMEARS_S, COARSE_FPS = 1 / 220, 45.0
"""A longer exposure smears fast points, and at fewer frames per second a foot goes far from one to the next."""
STILL = ("bottom_bracket",)
"""Points that do not move with the rider: the leg passes over them, and nothing is lost by it."""
SELDOM = "seen in only"
MAY_STAY_S = 0.2
"""A shorter gap leaves most of a turn (a third of one at 100 rpm; our choice)."""
LEAVES = "leaves"
"""Entry of a point's quality: the edge by which it goes out of the picture."""
Row = tuple[float, Floats, Floats]
"""Time, places (P, 2) and their standard uncertainties (P, 2) of one frame."""
Rows = tuple[Floats, Floats, Floats]
"""The same of T frames: (T,), (T, P, 2), (T, P, 2)."""
SETTLED = 512
"""Rows that so many others have followed change no more: more than what may turn out to have been something else."""


@dataclass(frozen=True)
class Tracks:
    """Where each named point was seen in each frame.

    Attributes:
        names: (P,). time_s: (T,) presentation time stamps. uv_px: (T, P, 2) SENSOR pixels, NaN where not seen.
        u_px: (T, P, 2) standard uncertainty. kind: (P,) "disc" or "texture". info: the clip, with the estimated
        exposure. quality: per point "seen" (share of frames), "gaps", "longest_gap_s", "residual_grey", "u_px".
        notes: what is weak, in words.
    """

    names: tuple[str, ...]
    time_s: Floats
    uv_px: Floats
    u_px: Floats
    kind: tuple[str, ...]
    info: ClipInfo
    quality: Mapping[str, Mapping[str, Any]]
    notes: tuple[str, ...] = ()

    @property
    def upright_px(self) -> Floats:
        """(T, P, 2) in pixels of the upright picture."""
        return to_upright(self.uv_px, self.info)

    def with_point(self, i: int, uv_px: Floats, u_px: Floats, told: Mapping[str, Any], note: str) -> Tracks:
        """The tracks with other places and uncertainties (T, 2) of point i, its quality anew with what is `told`
        besides, and one more note."""
        uv, u, name = self.uv_px.copy(), self.u_px.copy(), self.names[i]
        uv[:, i], u[:, i] = uv_px, u_px
        anew = quality_of(self.time_s, uv_px, u_px, self.kind[i])
        quality = {**self.quality, name: {**self.quality.get(name, {}), **anew, **told}}
        return replace(self, uv_px=uv, u_px=u, quality=quality, notes=(*self.notes, note))

    def require(self, name: str) -> None:
        """Refuse to go on when a point that all else hangs from was hardly followed.

        Raises:
            InputError: with what to do.
        """
        seen = int(np.isfinite(self.uv_px[:, self.names.index(name), 0]).sum())
        if seen >= LEAST_SHARE * len(self.time_s):
            return
        edge = self.quality.get(name, {}).get(LEAVES)
        if edge is not None:
            raise InputError(
                name, f"leaves the picture at the {edge}: seen in {seen} of {len(self.time_s)} frames",
                allowed=f"{LEAST_SHARE:.0%} and more", hint="film again with more room there",
            )  # fmt: skip
        raise InputError(
            name, f"was followed in {seen} of {len(self.time_s)} frames", allowed=f"{LEAST_SHARE:.0%} and more",
            hint=f"{by_the_camera(self.info)}mark it again in a frame where it is plainly seen, "
            "or use a larger disc",
        )  # fmt: skip

    def to_json(self) -> dict[str, Any]:
        """Compact: per point lists of upright pixels to 0.01 px, null where not seen."""
        uv = self.upright_px
        return {
            "time_s": [round(float(t), 5) for t in self.time_s],
            "points": {
                name: {"u": listed(uv[:, i, 0], 2), "v": listed(uv[:, i, 1], 2),
                       "u_px": listed(np.hypot(self.u_px[:, i, 0], self.u_px[:, i, 1]) / math.sqrt(2), 2)}
                for i, name in enumerate(self.names)
            },
            "kind": dict(zip(self.names, self.kind, strict=True)),
            "quality": {k: dict(v) for k, v in self.quality.items()}, "clip": self.info.to_json(),
            "notes": list(self.notes),
        }  # fmt: skip

    @staticmethod
    def from_json(data: Mapping[str, Any]) -> Tracks:
        """The inverse of `to_json`, up to its rounding; the uncertainty comes back alike in both directions."""
        info, points = ClipInfo(**data["clip"]), data["points"]

        def unpack(key: str) -> Floats:
            rows = [[math.nan if x is None else x for x in p[key]] for p in points.values()]
            return np.array(rows, dtype=np.float64).T

        return Tracks(
            tuple(points), np.array(data["time_s"]), to_sensor(np.stack([unpack("u"), unpack("v")], axis=-1), info),
            np.repeat(unpack("u_px")[..., None], 2, axis=-1), tuple(data["kind"][n] for n in points), info,
            {k: dict(v) for k, v in data["quality"].items()}, tuple(data.get("notes", ())),
        )  # fmt: skip


def gathered(rows: Iterable[Row]) -> Rows:
    """Rows, as they come, in arrays: each frame's own would take about twice the memory."""
    fresh, blocks = deque[Row](), list[Rows]()
    for row in rows:
        fresh.append(row)
        if len(fresh) == 2 * SETTLED:
            blocks.append(_stacked([fresh.popleft() for _ in range(SETTLED)]))
    if fresh:
        blocks.append(_stacked(list(fresh)))
    times, uv, u = zip(*blocks, strict=True)
    return np.concatenate(times), np.concatenate(uv), np.concatenate(u)


def _stacked(rows: Sequence[Row]) -> Rows:
    times, uv, u = zip(*rows, strict=True)
    return np.array(times), np.array(uv), np.array(u)


def tracks_from(
    rows: Rows,
    names: tuple[str, ...],
    kinds: tuple[str, ...],
    info: ClipInfo,
    notes: Sequence[str] = (),
) -> Tracks:
    """Rows to arrays: mid-exposure correction, uncertainty floor, quality per point.

    Args:
        rows: of the frames, in order. names, kinds: (P,). notes: what reading the film had to say.

    Raises:
        InputError: hardly any frame.
    """
    if len(rows[0]) < 8:
        raise InputError(
            "video", "too short to follow anything", value=f"{len(rows[0])} frames", allowed="8 and more"
        )
    times, uv, u = as_arrays(rows, kinds, info)
    quality = {n: quality_of(times, uv[:, i], u[:, i], kinds[i]) for i, n in enumerate(names)}
    notes = list(notes)
    notes += [f"{n}: no contrast disc under the mark; the cloth or skin around it was followed, less surely."
              for n, k in zip(names, kinds, strict=True) if k == "texture"]  # fmt: skip
    notes += seldom_seen(quality)
    if info.exposure_s and info.exposure_s > SMEARS_S:
        notes.append(f"The exposure is about 1/{1 / info.exposure_s:.0f} s: fast points are smeared. "
                     "More light, or a shorter exposure (1/500 s), would make them sharper.")  # fmt: skip
    return Tracks(names, times, uv, u, kinds, info, quality, tuple(n for n in notes if n))


def by_the_camera(info: ClipInfo) -> str:
    """What of the camera's settings makes a fast point hard to follow, as what to do about it; "" for nothing."""
    wrong = []
    if info.exposure_s and info.exposure_s > SMEARS_S:
        wrong.append(
            f"with more light, so that a picture takes 1/500 s and not 1/{1 / info.exposure_s:.0f} s"
        )
    if 0 < info.fps < COARSE_FPS:
        wrong.append(f"at 60 frames per second, not {info.fps:.0f}")
    return f"film again {' and '.join(wrong)}; if that cannot be, " if wrong else ""


def seldom_seen(quality: Mapping[str, Mapping[str, Any]]) -> list[str]:
    """For each moving point that was seen in less than nine of ten frames: that it was, and what to do."""
    return [
        f"{n}: {SELDOM} {q['seen']:.0%} of the frames (longest gap {q['longest_gap_s']:.2f} s). "
        + (
            "Gaps as short as these may stay."
            if q["longest_gap_s"] < MAY_STAY_S
            else "Film so that nothing passes over it, or lay its sticker where it stays in view."
        )
        for n, q in quality.items() if q["seen"] < 0.9 and n not in STILL
    ]  # fmt: skip


def as_arrays(rows: Rows, kinds: Sequence[str], info: ClipInfo) -> Rows:
    """Times (T,), places (T, P, 2) at the middle of the exposure, and their uncertainties (T, P, 2)."""
    times, uv, u = rows
    uv = uv - _bend(times, uv) * (info.exposure_s or 0.0) ** 2 / 24
    discs = np.array([k == "disc" for k in kinds])
    beyond = unexplained_px(times, uv, u, discs, compression_prior_px(info))
    return times, uv, np.hypot(u, beyond[:, None])


def compression_prior_px(info: ClipInfo) -> float:
    """Position error to expect of lossy compression on a contrast disc, px per axis, where the film itself is too
    short to tell.

    Interpolated between measurements on simulated films of 1080p60 (0.03 px at 0.14 bit per pixel, 0.06 px at 0.04);
    0.05 px when the rate is unknown.
    """
    rate = info.bits_per_pixel
    return 0.05 if not math.isfinite(rate) else float(np.clip(0.012 / math.sqrt(rate), 0.015, 0.2))


def _bend(times: Floats, uv: Floats) -> Floats:
    """(T, P, 2) acceleration, px/s², by central differences; 0 at ends and gaps."""
    out = np.zeros_like(uv)
    before, after = np.diff(times)[:-1], np.diff(times)[1:]
    slope = np.diff(uv, axis=0) / np.diff(times)[:, None, None]
    out[1:-1] = np.nan_to_num(np.diff(slope, axis=0) / (0.5 * (before + after))[:, None, None])
    return out


def quality_of(times: Floats, uv: Floats, u: Floats, kind: str) -> dict[str, Any]:
    """How well one point was followed: places uv (T, 2) and uncertainties u (T, 2) at times (T,)."""
    seen = np.isfinite(uv[:, 0])
    gaps = [times[min(gap.stop, len(times) - 1)] - times[max(gap.start - 1, 0)] for gap in stretches(~seen)]
    mean_u = float(np.sqrt(np.nanmean(u**2))) if seen.any() else math.nan
    return {
        "kind": kind, "seen": float(seen.mean()), "gaps": len(gaps),
        "longest_gap_s": round(float(max(gaps, default=0.0)), 4), "u_px": round(mean_u, 4),
    }  # fmt: skip
