"""The near leg in one frame of a side film, guessed by a landmark network: on a sticker where one is near."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import cv2
import numpy as np

from fitwright.errors import InputError
from fitwright.motion.estimate import U_POINT_MM
from fitwright.studio.point_origins import GUESSED, HAND, PROPOSED, Origin
from fitwright.vision.find_markers import Marker, find_discs, name_discs
from fitwright.vision.landmark_net import LandmarkNet, Picture
from fitwright.vision.leg_guess import (
    Guess,
    Look,
    Scale,
    Surround,
    points_of,
    scale_of,
    watch,
    whole,
)
from fitwright.vision.video import pictures, probe, turned_upright

ROUND_S, LOOKS = 0.6, 9
"""Frames are looked at so far before and after the one that counts, for what is usual; and so many (our choice).
Twice as far and as many where any frame will do."""
FAR = 3.0
"""A named disc so many u from where the network sees the point is doubted."""


@dataclass(frozen=True)
class LegGuess:
    """What the network says of one frame of a film.

    Attributes: time_s of the frame. points: name → guess; empty when the frame is rejected. on_disc: of those, the
    ones that lie on a disc, and where. doubted: named discs that lie far from where the network sees the point.
    scale of the u; look: the frame's own; rejected: why, in words; better_s: frames near it that are not rejected.
    """

    time_s: float
    look: Look
    points: Mapping[str, Guess] = field(default_factory=dict)
    on_disc: Mapping[str, Marker] = field(default_factory=dict)
    doubted: tuple[str, ...] = ()
    scale: Scale | None = None
    rejected: str = ""
    better_s: tuple[float, ...] = ()


def guess_leg(
    video: Path, net: LandmarkNet, side: str, at_s: float | None = None, around: Surround | None = None,
    box_px: tuple[float, float, float, float] | None = None,
) -> LegGuess:  # fmt: skip
    """Look at the frame at `at_s`, or at the steadiest of some in the middle of the film.

    Args:
        side: the filmed side. around: what is marked in that frame, for the scale; found discs are added.
        box_px: left, top, right, bottom of where the rider is in the upright picture; None: anywhere.

    Raises:
        InputError: no film, a time after its end, a box outside the picture.
    """
    info = probe(video)
    middle = 0.5 * info.duration_s if at_s is None else at_s
    step = 0.5 / (info.fps or 25.0)
    seen = list(_frames(video, middle - step, at_s is not None))
    own = next((i for i, (t, _) in enumerate(seen) if t >= middle - step), None)
    if own is None:
        raise InputError("at", "is after the end of the film", value=middle,
                         allowed=f"0 to {info.duration_s:.2f} s")  # fmt: skip
    looks = watch(net, seen, side, whole(info.upright_size_px, box_px))
    good = [i for i, k in enumerate(looks) if not k.rejected]
    if at_s is None and good:
        own = min(good, key=lambda i: looks[i].spread_deg)
    look = looks[own]
    if look.rejected:
        better = tuple(looks[i].time_s for i in good)
        return LegGuess(look.time_s, look, rejected=look.rejected, better_s=better)
    discs = find_discs(cv2.cvtColor(seen[own][1], cv2.COLOR_RGB2GRAY))
    named = name_discs(discs, "side", side)
    known = around or Surround()
    there = {n: m.uv_px for n, m in named.items()} | dict(known.points_px)
    scale = scale_of(looks, Surround(there, known.crank_mm, known.wheel_mm))
    points = points_of(look, scale)
    on_disc, doubted = _on_discs(points, discs, named)
    return LegGuess(look.time_s, look, points, on_disc, doubted, scale)


def _frames(video: Path, wanted_s: float, exact: bool) -> Iterator[tuple[float, Picture]]:
    """Frames (time, upright RGB) evenly round a time; the first not before it is among them when it is `exact`."""
    info = probe(video)
    round_s, step = ROUND_S if exact else 2 * ROUND_S, 2 * ROUND_S / (LOOKS - 1)
    due, met = wanted_s - round_s, not exact
    for time_s, frame in pictures(video, max(0.0, due), wanted_s + round_s):
        own = not met and time_s >= wanted_s
        if own or time_s >= due:
            due, met = max(due, time_s) + step if not own else due, met or own
            yield time_s, turned_upright(frame.to_ndarray(format="rgb24"), info)


def _on_discs(
    points: Mapping[str, Guess], discs: Sequence[Marker], named: Mapping[str, Marker]
) -> tuple[dict[str, Marker], tuple[str, ...]]:
    """Guess → its disc: the one that the rider's layout names so, unless it is far; else the nearest of those without
    a name within the guess's own u. And the names whose disc is far."""
    taken = [id(m) for m in named.values()]
    found: dict[str, Marker] = {}
    doubted = []
    for name, guess in points.items():
        if name in named:
            if _apart(guess, named[name]) <= FAR * guess.u_px:
                found[name] = named[name]
            else:
                doubted.append(name)
    for name in (n for n in points if n not in named):
        near = min(
            (m for m in discs if id(m) not in taken), key=lambda m: _apart(points[name], m), default=None
        )
        if near is not None and _apart(points[name], near) <= points[name].u_px:
            found[name] = near
            taken.append(id(near))
    return found, tuple(doubted)


def _apart(guess: Guess, disc: Marker) -> float:
    return float(np.hypot(*(disc.uv_px - np.array(guess.uv_px))))


def marks_of(told: LegGuess, by_hand: Mapping[str, tuple[float, float]]) -> dict[str, Any]:
    """The marks that `ride analyse` takes: what a hand marked stays, a guess on a disc is the disc, any other guess
    is named as one.

    `{"time_s", "points", "guessed": {name: {"u_px", "u_mm"}}, "on_disc": [name], "origin": {name: ...}}`
    """
    places = {
        n: list(told.on_disc[n].uv_px) if n in told.on_disc else list(g.uv_px) for n, g in told.points.items()
    }
    free = {n: g for n, g in told.points.items() if n not in told.on_disc and n not in by_hand}
    points = {n: [round(float(v), 2) for v in uv] for n, uv in places.items()}
    return {
        "time_s": told.time_s, "points": points | {n: list(uv) for n, uv in by_hand.items()},
        "guessed": {n: {"u_px": round(g.u_px, 2), "u_mm": U_POINT_MM[n]} for n, g in free.items()},
        "on_disc": sorted(n for n in told.on_disc if n not in by_hand),
        "origin": {n: Origin(GUESSED, round(g.u_px, 2)).to_json() for n, g in free.items()}
        | {n: Origin(PROPOSED).to_json() for n in told.points if n not in free}
        | {n: Origin(HAND).to_json() for n in by_hand},
    }  # fmt: skip
