"""What a crank, a body and a picture's edge allow: places that cannot be are taken out, and what is odd is said.

The pedal axle goes round on an ellipse (a circle seen by a camera), a segment keeps its length, both feet turn with
their own pedal, and a point that goes out by the picture's edge is not lost for want of a sticker.
"""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
from numpy.typing import NDArray

from fitwright.errors import InputError
from fitwright.motion.smoothing import stretches
from fitwright.quantity import Floats
from fitwright.vision.off_its_way import off_their_way
from fitwright.vision.tracks import COARSE_FPS, LEAVES, SELDOM, SMEARS_S, Tracks, by_the_camera

OFF_CIRCLE_PX, OFF_CIRCLE_SPREADS = 4.0, 8.0
"""An axle further from its ellipse than both of these (the second: spreads of all distances) is not the axle."""
LENGTH_SHARE = 0.12
"""A segment seen from the side changes by a few per cent of its length as the leg swings out; more than this share
means that one of its ends is something else (our choice)."""
SEGMENTS = (
    ("greater_trochanter", "lateral_femoral_condyle"), ("lateral_femoral_condyle", "lateral_malleolus"),
    ("lateral_malleolus", "heel"), ("lateral_malleolus", "fifth_metatarsal"), ("heel", "fifth_metatarsal"),
    ("fifth_metatarsal", "pedal_axle"), ("heel", "pedal_axle"), ("lateral_malleolus", "pedal_axle"),
    ("acromion", "elbow"), ("elbow", "wrist"),
)  # fmt: skip
LEG = (
    "lateral_femoral_condyle",
    "lateral_malleolus",
    "heel",
    "fifth_metatarsal",
    "patella",
    "foot",
    "foot_rear",
)
FOOT = ("lateral_malleolus", "heel", "fifth_metatarsal")
PEDALS = ("pedal_axle", "pedal_left", "pedal_right")
AGAINST = -0.3
"""Correlation of heights, point against pedal, below which a point goes up when its pedal goes down."""
MOMENT, GAP = 2, 3
"""Frames."""
LEAVES_SHARE = 0.02
HARDLY, SEVERAL = 0.6, 2
"""So many discs of the leg seen in less than this share of the frames: it is the film that does not show them."""
UNROUND = 0.6
"""Spread of the axle's distance from the bottom bracket, 10th to 90th percentile over the median, above which it does
not go round it. A bracket and an axle at different depths, seen from beside, make 0.2 to 0.3 of a circle."""
EDGE_PX, EDGE_STEPS = 26.0, 2.5
"""A point last seen within so many pixels and frame steps of an edge, going outward, has left the picture there."""


def checked(tracks: Tracks) -> Tracks:
    """The tracks without places that cannot be; what was found odd is in the notes.

    Raises:
        InputError: the film has too few frames a second, or too long an exposure, for how fast the leg goes.
    """
    strangers = _other_leg(tracks)
    tracks = _not_round(_off_the_circle(tracks))
    if not strangers:  # else no length means anything
        tracks = _off_the_body(tracks)
    tracks = _flickers(_off_their_way(tracks))
    tracks = _out_of_the_picture(tracks)
    _refuse_too_coarse(tracks)
    return replace(tracks, notes=tuple(dict.fromkeys((*tracks.notes, *strangers))))


def _without(tracks: Tracks, i: int, bad: NDArray[np.bool_], why: str) -> Tracks:
    """The tracks with point i taken out of the frames `bad` (T,), and a note that says so."""
    if not bad.any():
        return tracks
    uv, u = (np.where(bad[:, None], np.nan, x[:, i]) for x in (tracks.uv_px, tracks.u_px))
    count, when = int(bad.sum()), tracks.time_s[bad]
    note = f"{tracks.names[i]}: {why} in {count} frames (first at {when[0]:.2f} s); they are left out."
    return tracks.with_point(i, uv, u, {"rejected": count}, note)


def _off_the_circle(tracks: Tracks) -> Tracks:
    for name in PEDALS:
        if name not in tracks.names:
            continue
        i = tracks.names.index(name)
        off = off_ellipse_px(tracks.uv_px[:, i])
        spread = 1.4826 * float(np.nanmedian(np.abs(off))) if np.isfinite(off).any() else 0.0
        bad = np.nan_to_num(np.abs(off)) > max(OFF_CIRCLE_PX, OFF_CIRCLE_SPREADS * spread)
        if bad.mean() < 0.2:  # more than that, and it is not a circle with some strays
            tracks = _without(tracks, i, bad, "off the circle that the axle draws")
    return tracks


def _not_round(tracks: Tracks) -> Tracks:
    """Without an axle that does not go round the bottom bracket at all: another disc was followed in its stead."""
    if not {"pedal_axle", "bottom_bracket"} <= set(tracks.names):
        return tracks
    i, middle = (tracks.names.index(n) for n in ("pedal_axle", "bottom_bracket"))
    apart = np.hypot(*(tracks.uv_px[:, i] - tracks.uv_px[:, middle]).T)
    seen = np.isfinite(apart)
    if seen.sum() < 30:
        return tracks
    low, usual, high = np.percentile(apart[seen], [10, 50, 90])
    if high - low <= UNROUND * usual:
        return tracks
    every = np.isfinite(tracks.uv_px[:, i, 0])
    return _without(
        tracks, i, every, "not on a circle round the bottom bracket, so another disc than the axle's,"
    )


def _refuse_too_coarse(tracks: Tracks) -> None:
    """Refuse a film in which the leg's discs got lost because they go too far from one picture to the next."""
    info = tracks.info
    coarse, smeared = 0 < info.fps < COARSE_FPS, bool(info.exposure_s and info.exposure_s > SMEARS_S)
    lost = [
        n for n, kind in zip(tracks.names, tracks.kind, strict=True)
        if kind == "disc" and n in (*LEG, *PEDALS) and (q := tracks.quality[n])["seen"] < HARDLY and LEAVES not in q
    ]  # fmt: skip
    if len(lost) < SEVERAL or not (coarse or smeared):
        return
    why = " and ".join(
        w for w, so in (("too few frames per second", coarse), ("too long an exposure", smeared)) if so
    )
    raise InputError(
        "video", f"{why} for this cadence: {', '.join(lost)} were lost in most of the frames",
        value=f"{info.fps:.0f} frames per second, 1/{1 / (info.exposure_s or 1e-3):.0f} s",
        allowed="60 frames per second and 1/500 s, or a lower cadence",
        hint=f"{by_the_camera(info)}ask the rider to pedal more slowly",
    )  # fmt: skip


def off_ellipse_px(uv: Floats) -> Floats:
    """(T,) distance from the ellipse that most of the places (T, 2) lie on, about, px; NaN where none is to be told.

    The ellipse is fitted twice, the second time without the strays.
    """
    off = np.full(len(uv), np.nan)
    seen = np.isfinite(uv[:, 0])
    use = seen.copy()
    for _ in range(3):
        if use.sum() < 30 or np.min(np.ptp(uv[use], axis=0)) < 20.0:
            return off
        (cu, cv), (width, height), turn = cv2.fitEllipseAMS(uv[use].astype(np.float32))
        cos, sin = np.cos(np.radians(turn)), np.sin(np.radians(turn))
        d = uv - [cu, cv]
        x, y = d[:, 0] * cos + d[:, 1] * sin, d[:, 1] * cos - d[:, 0] * sin
        out = np.hypot(2 * x / max(width, 1e-6), 2 * y / max(height, 1e-6))
        off = (out - 1.0) * np.hypot(x, y) / np.maximum(out, 1e-6)
        use = seen & (np.abs(off) < max(OFF_CIRCLE_PX, 4.0 * float(np.nanmedian(np.abs(off)))))
    return off


def _off_the_body(tracks: Tracks) -> Tracks:
    """Take a point out where every segment it ends is of another length than usual and the others' are not."""
    known = [(a, b) for a, b in SEGMENTS if a in tracks.names and b in tracks.names]
    if not known:
        return tracks
    votes = {n: np.zeros((2, len(tracks.time_s))) for n in tracks.names}
    odd_of: dict[tuple[str, str], NDArray[np.bool_]] = {}
    for a, b in known:
        apart = np.hypot(*(tracks.uv_px[:, tracks.names.index(a)] - tracks.uv_px[:, tracks.names.index(b)]).T)
        seen = np.isfinite(apart)
        if seen.sum() < 30:
            continue
        usual = float(np.median(apart[seen]))
        odd = seen & (np.abs(apart - usual) > max(LENGTH_SHARE * usual, 6.0))
        odd_of[a, b] = odd
        for n in (a, b):
            votes[n] += [odd, seen]
    notes = []
    for name, (odd, all_) in votes.items():
        others = sum((o for pair, o in odd_of.items() if name not in pair), np.zeros(len(tracks.time_s)))
        bad = (all_ >= 2) & (odd == all_) & (others == 0)
        if name in FOOT:
            bad |= _off_the_foot(name, odd_of, len(bad))
        if name not in PEDALS and bad.any() and bad.mean() < 0.2:  # an axle is judged by its circle
            tracks = _without(
                tracks, tracks.names.index(name), bad, "not at its distance from its neighbours"
            )
    for (a, b), odd in odd_of.items():
        left = odd & np.isfinite(tracks.uv_px[:, [tracks.names.index(a), tracks.names.index(b)], 0]).all(
            axis=1
        )
        if left.mean() > 0.01:
            notes.append(
                f"{a} and {b}: their distance is odd in {left.mean():.0%} of the frames (first at "
                f"{tracks.time_s[left][0]:.2f} s); look there whether one of them is on something else."
            )
    return replace(tracks, notes=(*tracks.notes, *notes))


def _off_the_foot(
    name: str, odd_of: dict[tuple[str, str], NDArray[np.bool_]], frames: int
) -> NDArray[np.bool_]:
    """(T,) where a point of the foot is not at its distance from the pedal's axle, whose circle was looked at, or
    from another of the foot that is: all of them are one piece."""
    never = np.zeros(frames, dtype=bool)
    astray = {n: odd_of.get((n, "pedal_axle"), never) for n in FOOT}
    bad = astray[name].copy()
    for pair, odd in odd_of.items():
        other = next((n for n in pair if n != name), "")
        if name in pair and other in FOOT and (other, "pedal_axle") in odd_of:
            bad |= odd & ~astray[other]
    return bad


def _off_their_way(tracks: Tracks) -> Tracks:
    """Take a point out of single frames between which it cannot have gone to where it was told."""
    for i, bad in enumerate(off_their_way(tracks.time_s, tracks.uv_px, tracks.u_px).T):
        tracks = _without(tracks, i, bad, "not on its way from the frames before to those after")
    return tracks


def _flickers(tracks: Tracks) -> Tracks:
    """Take out what is seen for a frame or two between two gaps: too short to be sure that it is the point."""
    for i in range(len(tracks.names)):
        seen = np.isfinite(tracks.uv_px[:, i, 0])
        bad = np.zeros(len(seen), dtype=bool)
        for run in stretches(seen):
            before, after = seen[max(0, run.start - GAP) : run.start], seen[run.stop : run.stop + GAP]
            alone = len(before) == GAP and len(after) == GAP and not (before.any() or after.any())
            if run.stop - run.start <= MOMENT and alone:
                bad[run] = True
        tracks = _without(tracks, i, bad, "seen only for a moment between two gaps")
    return tracks


def _out_of_the_picture(tracks: Tracks) -> Tracks:
    """Say which points go out by an edge: more light or a larger disc would not help there."""
    width, height = tracks.info.upright_size_px
    quality = {n: dict(q) for n, q in tracks.quality.items()}
    notes = list(tracks.notes)
    for i, name in enumerate(tracks.names):
        gone = _gone_by_edge(tracks.upright_px[:, i], width, height)
        if not gone or max(gone.values()) < LEAVES_SHARE * len(tracks.time_s):
            continue
        edge = max(gone, key=lambda e: gone[e])
        quality[name] = quality.get(name, {}) | {LEAVES: edge}
        what = "the pedal" if name in PEDALS else "it"
        share = gone[edge] / len(tracks.time_s)
        notes = [n for n in notes if not n.startswith(f"{name}: {SELDOM}")]
        notes.append(
            f"{name}: {what} leaves the picture {_where(edge, name)} ({share:.0%} of the frames): "
            "film again with more room there."
        )
    return replace(tracks, quality=quality, notes=tuple(notes))


def _where(edge: str, name: str) -> str:
    turn = {"bottom": " of the turn", "top": " of the turn"}.get(edge, "") if name in (*PEDALS, *LEG) else ""
    return f"at the {edge}{turn}"


def _gone_by_edge(uv: Floats, width: int, height: int) -> dict[str, int]:
    """Edge → frames in which a point with places uv (T, 2) is not seen because it is beyond that edge."""
    gone: dict[str, int] = {}
    for run in stretches(~np.isfinite(uv[:, 0])):
        a, b = run.start, run.stop
        edges = [_edge(uv[a - 2 : a], width, height), _edge(uv[b : b + 2][::-1], width, height)]
        for edge in {e for e in edges if e}:
            if all(e in (edge, None) for e in edges) and (a == 0 or b == len(uv) or edges[0] == edges[1]):
                gone[edge] = gone.get(edge, 0) + b - a
    return gone


def _edge(last: Floats, width: int, height: int) -> str | None:
    """The edge towards which a point was going when last seen, `last` (2, 2) earlier and later place."""
    if len(last) < 2 or not np.isfinite(last).all():
        return None
    (u, v), (du, dv) = last[1], last[1] - last[0]
    room = {"left": (u, -du), "right": (width - 1 - u, du), "top": (v, -dv), "bottom": (height - 1 - v, dv)}
    near = {e: r for e, (r, speed) in room.items() if speed > 0 and r < EDGE_PX + EDGE_STEPS * speed}
    return min(near, key=lambda e: near[e]) if near else None


def _other_leg(tracks: Tracks) -> list[str]:
    """Points that go up when their pedal goes down: they are on the other leg, or the pedal is."""
    against: dict[str, list[str]] = {}
    with_it: dict[str, int] = {}
    for name in tracks.names:
        root, _, side = name.rpartition("_") if name.endswith(("_left", "_right")) else (name, "", "")
        pedal = f"pedal_{side}" if side else "pedal_axle"
        if root not in LEG or pedal not in tracks.names:
            continue
        heights = tracks.upright_px[:, [tracks.names.index(name), tracks.names.index(pedal)], 1]
        both = heights[np.isfinite(heights).all(axis=1)]
        if len(both) < 30 or np.min(np.ptp(both, axis=0)) < 8.0:
            continue
        up = both - both.mean(axis=0)
        if np.sum(up[:, 0] * up[:, 1]) < AGAINST * np.prod(np.linalg.norm(up, axis=0)):
            against.setdefault(pedal, []).append(name)
        else:
            with_it[pedal] = with_it.get(pedal, 0) + 1
    notes = []
    for pedal, names in against.items():
        if len(names) > 1 and len(names) > with_it.get(pedal, 0):
            notes.append(
                f"{pedal}: goes up when {' and '.join(names)} go down: it seems to be marked on the other leg's "
                "pedal. Mark it again."
            )
            continue
        for name in names:
            seen = np.isfinite(tracks.uv_px[:, tracks.names.index(name), 0]).mean()
            hidden = f", and is hidden in {1 - seen:.0%} of the frames" if seen < 0.9 else ""
            notes.append(
                f"{name}: goes up when the pedal goes down{hidden}: it seems to be marked on the other leg. "
                "Mark it again on the leg whose pedal is marked."
            )
    return notes
