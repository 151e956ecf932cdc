"""Discs found and named in single frames of the demo's films (simulated), where stickers are hidden now and then."""

from __future__ import annotations

import time
from collections.abc import Iterator
from dataclasses import dataclass, field

import numpy as np

from bench.measurement import Measurement, Row
from bench.simulated import SimClip, clips
from fitwright.quantity import Floats
from fitwright.vision.find_markers import Marker, find_discs, name_discs
from fitwright.vision.video import luma_frames

FRAMES = 64
"""Frames of all films together, spread evenly over each."""
HIDDEN = 0.12
"""Share of the discs found that are left out, at random, to see what is named when so many more are hidden."""
ON_IT_PX = 4.0
"""A disc this near to where a point truly is is that point's (the nearest two stickers are 20 px apart)."""


def proposals() -> list[Row]:
    """How many discs are found of those to be seen, and how many of the names given are right."""
    films = [c for view in ("side", "front") for c in clips(view)]
    shown = found = 0
    took_ms: list[float] = []
    named, fewer = _Names(), _Names()
    chance = np.random.default_rng(0)
    for clip in films:
        truth = clip.truth
        true, seen = ({n: of(n) for n in truth.names} for of in (truth.px, truth.visible))
        for k, discs, ms in _looked_at(clip, FRAMES // len(films)):
            took_ms.append(ms)
            there = {n for n in true if seen[n][k]}
            shown += len(there)
            found += sum(_on(discs, true[n][k]) for n in there)
            places = {n: uv[k] for n, uv in true.items()}
            named.count(clip, truth.time_s[k], discs, places)
            some = tuple(d for d in discs if chance.random() > HIDDEN)
            fewer.count(clip, truth.time_s[k], some, places)
    note = f"{len(took_ms)} frames of {len(films)} films (simulated)"
    without = "the others stay without a name, or are named wrong"
    hidden = f"{100 * HIDDEN:.0f} % more hidden"
    return [
        Row("discs found of those that are seen", 100 * found / shown, "%", "", f"{shown} discs in {note}"),
        Row("processor time to find them in one frame", float(np.median(took_ms)), "ms", "≤ 250",
            "median of the frames of 1920 × 1080 px"),
        Row("discs named right", 100 * named.right / shown, "%", "", without),
        Row("names on a wrong disc", len(named.wrong), "", "≤ 0", "; ".join(named.wrong[:3])),
        Row(f"{hidden}: discs named right", 100 * fewer.right / fewer.discs, "%", "",
            f"the same frames, discs left out at random; of the {fewer.discs} that remain"),
        Row(f"{hidden}: names on a wrong disc", len(fewer.wrong), "", "", "; ".join(fewer.wrong[:3])),
    ]  # fmt: skip


@dataclass
class _Names:
    """Names given so far: of how many discs, how many right, and each that is wrong."""

    discs: int = 0
    right: int = 0
    wrong: list[str] = field(default_factory=list)

    def count(
        self, clip: SimClip, time_s: float, discs: tuple[Marker, ...], places: dict[str, Floats]
    ) -> None:
        """What is named in one frame whose points lie at `places`."""
        self.discs += len(discs)
        for name, disc in name_discs(discs, clip.view, "right" if clip.view == "side" else None).items():
            if np.hypot(*(disc.uv_px - places[name])) <= ON_IT_PX:
                self.right += 1
            else:
                self.wrong.append(f"{name} at {time_s:.2f} s ({clip.label}, {clip.view})")


def _looked_at(clip: SimClip, count: int) -> Iterator[tuple[int, tuple[Marker, ...], float]]:
    """Index of each frame that is looked at, the discs found in it, and the processor time that took, ms."""
    times = clip.truth.time_s
    chosen = set(np.linspace(3, len(times) - 4, count).astype(int).tolist())
    frames = {k: np.array(f.luma) for k, f in enumerate(luma_frames(clip.path)) if k in chosen}
    for k, grey in frames.items():
        started = time.process_time()
        discs = find_discs(grey)
        yield k, discs, 1000 * (time.process_time() - started)


def _on(discs: tuple[Marker, ...], place: Floats) -> bool:
    return any(np.hypot(*(m.uv_px - place)) <= ON_IT_PX for m in discs)


MEASUREMENTS = (Measurement("film-proposals", "Film: discs proposed by name in a frame", proposals),)
