"""All points of a film on their way in one direction: markers fitted together, points without one each by itself."""

from __future__ import annotations

from collections import deque
from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from fitwright.errors import InputError
from fitwright.quantity import Floats
from fitwright.vision.follow import DiscFollower
from fitwright.vision.past import MEMORY_S
from fitwright.vision.snap import Spot, find_spot
from fitwright.vision.start import DEFAULT_EXPOSURE_S, first_motion
from fitwright.vision.texture import PatchFollower
from fitwright.vision.tracks import Row
from fitwright.vision.video import ClipInfo, Luma, LumaFrame

FASTEST_WIDTHS_PER_S = 0.75
"""No marked point crosses the picture faster (a pedal at 120 rpm in a picture 2 m wide needs about 1.1 m/s·m⁻¹)."""
LEAST_RANGE = 12.0
AGREE_PX, AGREE, SURE = 1.5, 2, 3
"""A disc that stands still is the same where it is seen so often so near to itself, and is looked for no more when it
was seen in its place more often still: each look costs as much as to follow all points for twenty frames."""
LOOK_EVERY_S = 0.08
LAST_ROWS = 64
"""Rows that may still change: more than what is followed on trial (0.15 s at 240 frames a second and more)."""


@dataclass(frozen=True)
class Start:
    """What the warm-up found: disc markers and their velocities (None = not known), points without a disc, exposure,
    scale of time. Of the discs, by place among them, `standing`: those that do not go with the rider; `covered`:
    those that something hides in the marked frame. `still`: of all picks, those that do not go with the rider."""

    discs: NDArray[np.intp]
    spots: list[Spot]
    velocity: Floats | None
    bend: Floats | None
    plain: NDArray[np.intp]
    picks: Floats
    exposure_s: float
    step_s: float
    white: float
    reach_px_per_s: float
    standing: frozenset[int] = frozenset()
    covered: frozenset[int] = frozenset()
    still: frozenset[int] = frozenset()

    @property
    def kinds(self) -> tuple[str, ...]:
        """(P,) "disc" or "texture"."""
        return tuple("disc" if i in self.discs else "texture" for i in range(len(self.picks)))


def find_start(
    info: ClipInfo, warm: list[LumaFrame], marked: int, picks: Floats, still: Collection[int] = (),
    elsewhere: Mapping[int, Spot] | None = None,
) -> Start:  # fmt: skip
    """Recognise discs under the picks and learn exposure and velocities from the frames around the marked one.

    `still`: picks that do not go with the rider; `elsewhere`: discs of those that were seen in other frames only
    (`standing_spots`).
    """
    white = float((1 << info.bits) - 1)
    luma, hidden = warm[marked].luma, elsewhere or {}
    _check_light(luma, white)
    found = [hidden[i] if i in hidden else _spot_at(luma, p, white, i in still) for i, p in enumerate(picks)]
    discs = np.array([i for i, s in enumerate(found) if s is not None], dtype=np.intp)
    plain = np.array([i for i, s in enumerate(found) if s is None], dtype=np.intp)
    spots = [s for s in found if s is not None]
    step_s = 1.0 / info.fps if info.fps else 1 / 30
    reach = FASTEST_WIDTHS_PER_S * max(info.width_px, info.height_px)
    if not spots:
        return Start(
            discs, spots, None, None, plain, picks, DEFAULT_EXPOSURE_S, step_s, white, reach, still=frozenset(still)
        )  # fmt: skip
    motion = first_motion(warm, marked, spots, step_s, white, reach)
    standing, covered = (_among(discs, picked) for picked in (still, hidden))
    motion.velocity[list(covered)] = motion.bend[list(covered)] = 0.0
    return Start(
        discs, spots, motion.velocity, motion.bend, plain, picks, motion.exposure_s, step_s, white, reach, standing,
        covered, frozenset(still),
    )  # fmt: skip


def _among(discs: NDArray[np.intp], picked: Collection[int]) -> frozenset[int]:
    """Places among the discs of those picks."""
    return frozenset(int(k) for k in np.flatnonzero(np.isin(discs, list(picked))))


def not_standing(info: ClipInfo, warm: list[LumaFrame], marked: int, picks: Floats) -> list[int]:
    """Which picks have no disc under them in the marked frame that is also there some frames before and after it."""
    white = float((1 << info.bits) - 1)
    out = []
    for i, pick in enumerate(picks):
        spots = [_spot_at(warm[k].luma, pick, white, True) for k in dict.fromkeys((marked, 0, len(warm) - 1))]
        places = np.array([s.uv_px for s in spots if s is not None])
        if len(places) < len(spots) or np.ptp(places, axis=0).max() > AGREE_PX:
            out.append(i)
    return out


def standing_spots(
    info: ClipInfo, frames: Iterable[LumaFrame], picks: Floats, which: Iterable[int]
) -> dict[int, Spot]:
    """Discs that stand still under some picks and are hidden in the marked frame: seen there now and then. The frames
    may come in any order, and again."""
    white, looked = float((1 << info.bits) - 1), [np.inf]
    seen: dict[int, list[Spot]] = {i: [] for i in which}
    sought = set(seen)
    for frame in frames:
        if min(abs(frame.time_s - t) for t in looked) < LOOK_EVERY_S:
            continue
        looked.append(frame.time_s)
        for i in sorted(sought):
            if (spot := _spot_at(frame.luma, picks[i], white, True)) is not None:
                seen[i].append(spot)
                if _agreed(seen[i], SURE) is not None:
                    sought.remove(i)
        if not sought:
            break
    agreed = {i: _agreed(spots, AGREE) for i, spots in seen.items()}
    return {i: spot for i, spot in agreed.items() if spot is not None}


def _agreed(spots: list[Spot], often: int) -> Spot | None:
    """The best of the spots when so many, with it, are in its place."""
    best = max(spots, key=lambda s: s.explained, default=None)
    near = [s for s in spots if best is not None and np.hypot(*(s.uv_px - best.uv_px)) < AGREE_PX]
    return best if len(near) >= often else None


def _check_light(luma: Luma, white: float) -> None:
    """Refuse a picture in which there is nothing to see."""
    dark, bright = np.percentile(luma[::8, ::8], [2, 98]) * (255.0 / white)
    if bright - dark < LEAST_RANGE:
        raise InputError("video", "the picture is all dark or without contrast where the points are marked",
                         value=f"{bright - dark:.0f} grey levels", allowed=f"{LEAST_RANGE:.0f} of 255 and more",
                         hint="film with more light, the lens uncovered")  # fmt: skip


def _spot_at(luma: Luma, pick: Floats, white: float, still: bool) -> Spot | None:
    """The disc under a pick, in the picture's own pixels; `still`: of a point that does not go with the rider."""
    reach = 60
    low = np.maximum(np.floor(pick).astype(int) - reach, 0)
    window = luma[low[1] : low[1] + 2 * reach + 1, low[0] : low[0] + 2 * reach + 1].astype(np.float64)
    spot = find_spot(window * (255.0 / white), pick - low, look_again=True, still=still)
    return None if spot is None else replace(spot, uv_px=spot.uv_px + low)


class Crew:
    """Disc follower and patch followers of one direction, joined to rows of all points."""

    def __init__(self, start: Start, first: LumaFrame) -> None:
        self.start, self.first_s = start, first.time_s
        self.discs = DiscFollower(
            start.spots, first.time_s, start.exposure_s, start.velocity, start.step_s, start.white,
            start.reach_px_per_s, start.bend, start.standing,
        ) if start.spots else None  # fmt: skip
        self.patches = [
            PatchFollower(
                first.luma, start.picks[i], first.time_s, start.reach_px_per_s, int(i) in start.still
            )
            for i in start.plain
        ]
        self.told: deque[Row] = deque(maxlen=LAST_ROWS)

    def step(self, frame: LumaFrame) -> tuple[Floats, Floats]:
        """(P, 2) places and uncertainties of all points in one frame. Those of the last moments, told before, become
        NaN again where it shows now that something else had been taken for a marker."""
        uv, u = self._step(frame)
        if self.discs is not None:
            for k, since_s in self.discs.disowned.items():
                for time_s, *told in self.told:
                    if (time_s - since_s) * (frame.time_s - since_s) >= 0:
                        for x in told:
                            x[self.start.discs[k]] = np.nan
        self.told.append((frame.time_s, uv, u))
        return uv, u

    def _step(self, frame: LumaFrame) -> tuple[Floats, Floats]:
        if not self.patches and self.discs is not None and frame.time_s != self.first_s:
            return self.discs.step(frame.time_s, frame.luma)
        p = len(self.start.picks)
        uv, u = np.full((p, 2), np.nan), np.full((p, 2), np.nan)
        if self.discs is not None:
            if frame.time_s == self.first_s:
                uv[self.start.discs], u[self.start.discs] = self._first(frame)
            else:
                uv[self.start.discs], u[self.start.discs] = self.discs.step(frame.time_s, frame.luma)
        for patch, i in zip(self.patches, self.start.plain, strict=True):
            uv[i], u[i] = (
                (patch.uv.copy(), np.full(2, 1.0)) if frame.time_s == self.first_s
                else patch.step(frame.time_s, frame.luma)
            )  # fmt: skip
        return uv, u

    def remember(self, time_s: Floats, uv_px: Floats) -> None:
        """Learn the paths of the turns after the marked frame, (T,), (T, P, 2), for the way back."""
        if self.discs is not None:
            soon = np.flatnonzero(time_s < self.first_s + MEMORY_S)[::-1]
            for k, i in enumerate(self.start.discs):
                seen = soon[np.isfinite(uv_px[soon, i, 0])]
                self.discs.paths.remember(k, zip(time_s[seen].tolist(), uv_px[seen, i], strict=True))

    def _first(self, frame: LumaFrame) -> tuple[Floats, Floats]:
        """The marked frame itself, fitted again now that velocity and exposure are known."""
        assert self.discs is not None
        places, hints = self.discs.places[:, 0], self.discs.m["hint"]
        fits = [self.discs.fit_at(frame.luma, i, places[i], hints[i]) for i in range(len(places))]
        fit = np.concatenate(fits)
        near = np.hypot(*(fit["uv"] - places).T) < 3.0
        near[list(self.start.covered)] = False
        places[near] = fit["uv"][near]
        u = np.sqrt(np.diagonal(fit["covariance"], axis1=1, axis2=2))
        return np.where(near[:, None], fit["uv"], np.nan), np.where(near[:, None], u, np.nan)
