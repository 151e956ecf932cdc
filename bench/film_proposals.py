"""Discs found and named in single frames of the demo's films (simulated), where stickers are hidden now and then."""

from __future__ import annotations

import numpy as np

from bench.measurement import Measurement, Row
from bench.simulated import SimClip, clips
from fitwright.quantity import Floats
from fitwright.vision.find_markers import Marker, find_discs, name_discs
from fitwright.vision.video import luma_frames

FRAMES = 64
"""Frames of all films together, spread evenly over each."""
ON_IT_PX = 4.0
"""A disc this near to where a point truly is is that point's (the nearest two stickers are 20 px apart)."""


def proposals() -> list[Row]:
    """How many discs are found of those to be seen, and how many of the names given are right."""
    films = [c for view in ("side", "front") for c in clips(view)]
    shown = found = right = 0
    wrong: list[str] = []
    frames = 0
    for clip in films:
        truth = clip.truth
        true, seen = ({n: of(n) for n in truth.names} for of in (truth.px, truth.visible))
        for k, discs in _looked_at(clip, FRAMES // len(films)):
            frames += 1
            there = {n for n in true if seen[n][k]}
            shown += len(there)
            found += sum(_on(discs, true[n][k]) for n in there)
            named = name_discs(discs, clip.view, "right" if clip.view == "side" else None)
            off = {n: float(np.hypot(*(m.uv_px - true[n][k]))) for n, m in named.items()}
            right += sum(d <= ON_IT_PX for d in off.values())
            wrong += [f"{n} at {truth.time_s[k]:.2f} s ({clip.label}, {clip.view})"
                      for n, d in off.items() if d > ON_IT_PX]  # fmt: skip
    note = f"{frames} frames of {len(films)} films (simulated)"
    return [
        Row("discs found of those that are seen", 100 * found / shown, "%", "", f"{shown} discs in {note}"),
        Row("discs named right", 100 * right / shown, "%", "", "the others stay without a name, or are named wrong"),
        Row("names on a wrong disc", len(wrong), "", "≤ 0", "; ".join(wrong[:3])),
    ]  # fmt: skip


def _looked_at(clip: SimClip, count: int) -> list[tuple[int, tuple[Marker, ...]]]:
    """Index of each frame that is looked at, and the discs found in it."""
    times = clip.truth.time_s
    chosen = set(np.linspace(3, len(times) - 4, count).astype(int).tolist())
    return [(k, find_discs(frame.luma)) for k, frame in enumerate(luma_frames(clip.path)) if k in chosen]


def _on(discs: tuple[Marker, ...], place: Floats) -> bool:
    return any(np.hypot(*(m.uv_px - place)) <= ON_IT_PX for m in discs)


MEASUREMENTS = (Measurement("film-proposals", "Film: discs proposed by name in a frame", proposals),)
