"""The rolling shutter: each row of a picture is read at its own time, and what that does is taken out.

A row's time is the frame's time stamp plus its share of the readout. At 90 rpm a readout of 16 ms lets the crank turn
8.6° between the first row and the last. The readout is a property of the telephone; when nobody states it, it is
usual ± much, and a stiff shoe in the film says a little more: its points lie in different rows, so a wrong readout
makes their distances pulse with the foot's speed. The crank alone tells nothing: its own unevenness looks the same.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import replace
from functools import partial

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import CubicSpline

from fitwright.quantity import Z95, Floats, Measured
from fitwright.vision.camera import Pinhole
from fitwright.vision.track import Tracks

READOUT_PRIOR_S = (0.010, 0.005)
"""Time a telephone's sensor takes to read all its rows: mean and standard uncertainty (common practice,
no source)."""
GIVEN_U_S = 0.0005
SHOE = ("pedal_axle", "heel", "fifth_metatarsal")
SWING_DEG = {"yaw": {1: 2.5, 2: 0.8}, "roll": {1: 0.7, 2: 0.3}}
"""How much a shoe turns on its pedal once and twice in a turn (amplitude's SD between riders, our choice): about its
upright axis in the cleat's float, and about its length. This repeats in every turn as a wrong readout does, so no
number of turns makes it smaller: a heel that swings out by 17 mm changes the axle's distance to M5 by 1.0 mm."""
WOBBLE_MM = {1: 0.4, 2: 0.2}
"""How much each distance changes in the same way besides: the shoe bends (our choice)."""
UNSTEADY_MM, PER_TURN = 0.4, 4.0
"""What else it changes by from turn to turn, and how many independent readings of it a turn holds (our choice)."""
FEWEST = 48
"""Frames with the whole shoe in sight that it takes to say anything."""
TOLD = 0.85
"""The film has said something when it brings the uncertainty below this share of the prior's."""
STEP_S = 0.002
MOST = 4096
"""Frames of a film's middle (68 s at 60 a second) that are asked; all of a longer one would only fill the memory."""


def readout(readout_ms: float | Measured | None) -> Measured:
    """Readout time of the whole picture, s, with its uncertainty: the prior when it is not known, a `Measured` (s) as
    it is."""
    if isinstance(readout_ms, Measured):
        return readout_ms
    if readout_ms is None:
        return Measured(
            *READOUT_PRIOR_S, "s", "readout of a telephone's sensor, not known: common practice, no source"
        )
    return Measured(readout_ms / 1e3, GIVEN_U_S, "s", "readout as given")


def readout_words(readout_s: Measured) -> str:
    """What is taken for the readout and why, in one line."""
    return (
        f"Sensor readout {1e3 * readout_s.value:.0f} ± {1e3 * Z95 * readout_s.u:.0f} ms: {readout_s.method}."
    )


def at_one_time(tracks: Tracks, readout_s: float) -> tuple[Floats, Floats]:
    """All points moved to common times, because each row of a picture is read at its own time.

    Returns:
        times (T,) s and sensor pixels (T, P, 2), NaN where a point was not seen. Row v of a frame is exposed
        v / height × readout after its time stamp; each point's spline through its own row times gives its place at
        the time of the mean row. Gaps stay gaps: a spline is used only between frames that are neighbours.
    """
    line_s = readout_s / tracks.info.height_px
    lag = tracks.uv_px[..., 1] * line_s
    mean_lag = float(np.nanmean(lag)) if np.isfinite(lag).any() else 0.0
    times = tracks.time_s + mean_lag
    out = tracks.uv_px.copy()
    for i in range(len(tracks.names)):
        seen = np.isfinite(out[:, i, 0])
        if seen.sum() < 4:
            continue
        own = tracks.time_s[seen] + lag[seen, i]
        moved = CubicSpline(own, tracks.uv_px[seen, i])(np.clip(times[seen], own[0] - 0.02, own[-1] + 0.02))
        # beside a gap the spline knows one side only: there the shift is left to the plain velocity
        out[seen, i] = np.where(
            _has_neighbours(seen)[seen][:, None], moved, _shifted(tracks, i, seen, lag, times)
        )
    return times, out


def _has_neighbours(seen: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """(T,) whether the frames before and after are seen too."""
    wide = np.concatenate([[seen[0]], seen, [seen[-1]]])
    return np.asarray(wide[:-2] & wide[1:-1] & wide[2:])


def _shifted(tracks: Tracks, i: int, seen: NDArray[np.bool_], lag: Floats, times: Floats) -> Floats:
    uv = tracks.uv_px[seen, i]
    own = tracks.time_s[seen] + lag[seen, i]
    return np.asarray(uv + np.gradient(uv, own, axis=0) * (times[seen] - own)[:, None])


def asked(tracks: Tracks) -> slice:
    """The frames in which the shoe is asked."""
    beyond = max(0, len(tracks.time_s) - MOST)
    return slice(beyond // 2, beyond // 2 + MOST)


def shoe_of(tracks: Tracks) -> Tracks | None:
    """The tracks of the shoe's points alone, where it is `asked`; None when one of them is not there."""
    keep = [tracks.names.index(n) for n in SHOE if n in tracks.names]
    if len(keep) < len(SHOE):
        return None
    part = asked(tracks)
    return replace(
        tracks,
        names=tuple(tracks.names[i] for i in keep),
        time_s=tracks.time_s[part],
        uv_px=tracks.uv_px[part][:, keep],
        u_px=tracks.u_px[part][:, keep],
    )


def told_by_shoe(
    prior: Measured, places_at: Callable[[float], Floats], otherwise: Callable[[Floats], Iterable[Floats]]
) -> Measured:
    """The readout by which the distances between the shoe's points pulse least.

    Args:
        prior: readout, s. places_at: readout s → (T, 3, 2) mm of `SHOE`. otherwise: from such places to the same with
            camera or depths off by one standard uncertainty, one after the other: what those can do to the distances
            is not ascribed to the readout, nor is what a shoe does in every turn.

    Returns:
        the readout, s, prior included; the prior itself when the film says hardly more.
    """
    places = places_at(prior.value)
    lengths = _lengths(places)
    columns = [(_lengths(places_at(prior.value + STEP_S)) - lengths) * (prior.u / STEP_S)]
    columns += [_lengths(other) - lengths for other in otherwise(places)]
    good = np.isfinite(lengths).all(axis=1) & np.all([np.isfinite(c).all(axis=1) for c in columns], axis=0)
    if good.sum() < 4 * FEWEST:
        return prior
    turns = _turns(places[good])
    kept = [(c[good] - c[good].mean(axis=0)).ravel() for c in (*columns, *_wobbles(places))]
    off = (lengths[good] - lengths[good].mean(axis=0)).ravel()
    design = np.column_stack(kept)  # every column in units of its own prior standard uncertainty
    left = off - design @ np.linalg.lstsq(design, off, rcond=None)[0]
    spread = max(UNSTEADY_MM, float(left.std())) * math.sqrt(max(1.0, good.sum() / (PER_TURN * turns)))
    normal = design.T @ design / spread**2 + np.eye(design.shape[1])
    change = -np.linalg.solve(normal, design.T @ off / spread**2)
    u = prior.u * math.sqrt(float(np.linalg.inv(normal)[0, 0]))
    if u > TOLD * prior.u:
        return replace(prior, method=f"{prior.method}; this film does not tell it better")
    value = max(0.0, prior.value + prior.u * float(change[0]))
    return Measured(value, u, "s", "as the stiff shoe in this film has it, together with what is usual")


def _lengths(places: Floats) -> Floats:
    """(T, 3) distances between the three points of (T, 3, 2)."""
    return np.stack(
        [np.linalg.norm(places[:, i] - places[:, j], axis=1) for i, j in ((0, 1), (0, 2), (1, 2))], axis=1
    )


def _wobbles(places: Floats) -> list[Floats]:
    """What a shoe may do in every turn: each distance once and twice in a turn, as cosine and sine, (T, 3) each, in
    units of their own standard uncertainty; places (T, 3, 2), the axle first, its circle about the origin."""
    theta = np.arctan2(places[:, 0, 0], places[:, 0, 1])
    one = np.eye(len(SHOE))
    return [
        np.outer(mm * wave(k * theta), one[i])
        for k, mm in WOBBLE_MM.items() for i in range(len(SHOE)) for wave in (np.cos, np.sin)
    ]  # fmt: skip


def _turns(places: Floats) -> float:
    """How many times the axle of (T, 3, 2) places goes round."""
    theta = np.unwrap(np.arctan2(places[:, 0, 0], places[:, 0, 1]))
    return max(1.0, abs(float(theta[-1] - theta[0])) / (2 * math.pi))


def swung(lens: Pinhole, depth_mm: Sequence[float], middle_mm: float) -> list[Callable[[Floats], Floats]]:
    """How the shoe's places (T, 3, 2) are read when it turns on its pedal by `SWING_DEG`, one way at a time.

    Args:
        depth_mm: of the three points, as read. middle_mm: of the pedal's middle, about which the shoe turns.
    """
    return [
        partial(_swing, lens=lens, depth_mm=np.asarray(depth_mm), middle_mm=middle_mm, about=about, wave=wave, k=k,
                by_rad=math.radians(by_deg))
        for about, of in SWING_DEG.items() for k, by_deg in of.items() for wave in (np.cos, np.sin)
    ]  # fmt: skip


def _swing(
    places: Floats, *, lens: Pinhole, depth_mm: Floats, middle_mm: float, about: str,
    wave: Callable[[Floats], Floats], k: int, by_rad: float,
) -> Floats:  # fmt: skip
    turned = by_rad * wave(k * np.arctan2(places[:, 0, 0], places[:, 0, 1]))[:, None]
    ahead = places[:, 2] - places[:, 1]
    ahead = (ahead / np.linalg.norm(ahead, axis=1, keepdims=True))[:, None]
    upright = np.stack([-ahead[..., 1], ahead[..., 0]], axis=-1)
    from_axle, out = places - places[:, :1], np.tile(depth_mm, (len(places), 1))
    along = ahead if about == "yaw" else upright
    lever = out - middle_mm
    lever[:, 0] = 0.0  # the axle stays where it is
    moved = places + along * (turned * lever)[..., None]
    deeper = out - turned * (from_axle * along).sum(axis=-1)
    px = lens.project(np.concatenate([moved, deeper[..., None]], axis=-1))
    return np.asarray(lens.meet(px, 2, out)[..., :2])
