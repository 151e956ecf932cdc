"""Marks of an earlier film of the same view, offered as a start in a new one: never taken by themselves.

Camera and rider are about the same, the crank is not: of the earlier film's followed points that frame is taken whose
points lie best on the discs of the new picture. What lies on a disc is offered there; what does not, as a guess.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from django.utils import timezone

from fitwright.errors import InputError
from fitwright.quantity import Floats
from fitwright.records.media import path_of
from fitwright.records.models import Analysis, Medium, Visit
from fitwright.studio import ride
from fitwright.studio.film_proposals import U_DISC_PX
from fitwright.studio.point_origins import EARLIER
from fitwright.studio.remembered import remembered
from fitwright.studio.stills import frame_time, upright_grey
from fitwright.studio.visits import answers
from fitwright.told import day_of_record
from fitwright.vision.find_markers import find_discs
from fitwright.vision.propose import GUESS, LIKELY, Proposed
from fitwright.vision.video import ClipInfo, probe

MOST_POSES = 300
FIRST_REACH, REACH = 0.06, 0.015
"""How far a point may lie from its disc before and after the pictures are laid over each other, as a share of the
picture's longer side; LEAST_ON discs make it the same rider seen by the same camera (our choice)."""
LEAST_ON = 3


@dataclass(frozen=True)
class Earlier:
    """Points of an earlier film: what it is called, names (P,), poses_px (K, P, 2) of the new picture's size with the
    marked frame first, NaN where not seen."""

    words: str
    names: tuple[str, ...]
    poses_px: Floats


def with_start(
    visit: Visit, medium: Medium, view: str, when: str, at_s: float, told: Mapping[str, Any]
) -> dict[str, Any]:
    """The proposals `told` for the frame at `at_s`, with those of an earlier film; as they are where there is none or
    points were already marked in this one."""
    grey = upright_grey(medium, at_s)
    size = (int(grey.shape[1]), int(grey.shape[0]))
    earlier = earlier_of(visit, medium, view, when, size)
    if earlier is None:
        return dict(told)
    key = ("discs", medium.sha256, frame_time(medium, at_s))
    discs = remembered(key, lambda: np.array([d.uv_px for d in find_discs(grey)]).reshape(-1, 2))
    start = laid_over(earlier, discs, size)
    sure = {n: p.to_json() for n, p in start.items() if p.sure != GUESS}
    guesses = {n: p.to_json() | {"origin": EARLIER} for n, p in start.items() if p.sure == GUESS}
    note = f"The points of {earlier.words} are offered as a start, {len(sure)} of them on a disc here. Look at each."
    return {**told, "points": guesses | dict(told["points"]) | sure, "notes": [*told["notes"], note]}


def earlier_of(
    visit: Visit, medium: Medium, view: str, when: str, size_px: tuple[int, int]
) -> Earlier | None:
    """The nearest earlier film of this view whose points are known and whose picture has the same shape."""
    if ride.marks_in(visit, view, when, medium.sha256) is not None:
        return None
    for owner, marks, words in _candidates(visit, view, when):
        sha256 = marks.get("sha256")
        if sha256 and sha256 != medium.sha256:
            found = _scaled(owner, sha256, marks, words, size_px)
            if found is not None:
                return found
    return None


def laid_over(earlier: Earlier, discs_px: Floats, size_px: tuple[int, int]) -> dict[str, Proposed]:
    """name → where the point of the earlier film would lie here.

    Args:
        discs_px: (D, 2) discs in the new picture.
    """
    longest = max(size_px)
    pose, on = _best_pose(earlier.poses_px, discs_px, longest)
    out = {
        earlier.names[i]: Proposed(
            _pair(discs_px[d]), U_DISC_PX, f"a disc where {earlier.words} has it", LIKELY
        )
        for i, d in on.items()
    }
    for i, uv in enumerate(pose):
        inside = np.isfinite(uv).all() and (uv >= 0).all() and (uv <= np.array(size_px) - 1).all()
        if i not in on and inside:
            how = f"as in {earlier.words}; there is no disc here"
            out[earlier.names[i]] = Proposed(_pair(uv), REACH * longest / 2, how, GUESS)
    return out


def _best_pose(poses: Floats, discs: Floats, longest: int) -> tuple[Floats, dict[int, int]]:
    """The pose (P, 2) that lies best on the discs, moved onto them as a whole, and point → its disc; the first pose
    and nothing when none does."""
    best: tuple[float, Floats, dict[int, int]] = (0.0, poses[0], {})
    if not len(discs):
        return best[1:]
    gap, _ = _nearest(poses, discs)
    near = gap < FIRST_REACH * longest
    order = np.lexsort((np.where(near, gap, 0.0).sum(axis=1), -near.sum(axis=1)))
    for k in order[:12]:
        pose = poses[k]
        for _ in range(2):
            own, at = _nearest(pose[None], discs)
            held = own[0] < FIRST_REACH * longest
            if held.any():
                pose = pose + np.median(discs[at[0][held]] - pose[held], axis=0)
        own, at = _nearest(pose[None], discs)
        on = _one_each(own[0], at[0], REACH * longest)
        off = sum(float(np.hypot(*(discs[d] - pose[i]))) for i, d in on.items())
        score = len(on) - off / (len(on) + 1) / longest
        if len(on) >= LEAST_ON and score > best[0]:
            best = (score, pose, on)
    return best[1:]


def _nearest(poses: Floats, discs: Floats) -> tuple[Floats, np.ndarray[Any, np.dtype[np.intp]]]:
    """(K, P) distance of each point to its nearest disc, inf where it was not seen, and which disc that is."""
    gaps = np.linalg.norm(poses[:, :, None, :] - discs[None, None], axis=-1)
    gaps = np.where(np.isfinite(gaps), gaps, np.inf)
    return gaps.min(axis=2), gaps.argmin(axis=2)


def _one_each(gap: Floats, at: np.ndarray[Any, np.dtype[np.intp]], reach: float) -> dict[int, int]:
    """Point → disc within reach, the nearest pairs first, each disc once."""
    taken: dict[int, int] = {}
    for i in np.argsort(gap):
        if gap[i] < reach and int(at[i]) not in taken.values():
            taken[int(i)] = int(at[i])
    return taken


def _candidates(visit: Visit, view: str, when: str) -> Iterator[tuple[Visit, Mapping[str, Any], str]]:
    """Marks of films of this view: that lay at this place, at the visit's other moment, at the visits before."""
    order = (when, *(w for w in reversed(ride.MOMENTS) if w != when))
    said = answers(visit, ride.STATION)
    for moment in order:
        if marks := said.get(f"marks {view} {moment}"):
            words = (
                "the film that lay here before"
                if moment == when
                else f"the film {ride.VIEW_WORDS[view]}, {ride.WHEN_WORDS[moment]}"
            )
            yield visit, marks, words
    before = Visit.objects.filter(rider=visit.rider, opened_at__lt=visit.opened_at).order_by("-opened_at")
    for old in before[:5]:
        said = answers(old, ride.STATION)
        for moment in reversed(ride.MOMENTS):
            if marks := said.get(f"marks {view} {moment}"):
                yield (
                    old,
                    marks,
                    f"the film {ride.VIEW_WORDS[view]} of {day_of_record(timezone.localdate(old.opened_at))}",
                )


def _scaled(
    owner: Visit, sha256: str, marks: Mapping[str, Any], words: str, size_px: tuple[int, int]
) -> Earlier | None:
    """The film's points in pixels of the new picture; None when its picture has another shape or is gone."""
    row = (
        Analysis.objects.filter(visit=owner, kind="ride", medium__sha256=sha256).order_by("created_at").last()
    )
    names = tuple(n for n in marks["points"] if n not in marks.get("guessed", ()))
    if not names:
        return None
    marked = np.array([marks["points"][n] for n in names], dtype=np.float64)

    def read() -> tuple[tuple[int, int] | None, Floats]:
        tracks = None if row is None else row.result.get("tracks")
        return _size_of(sha256, tracks), np.concatenate([marked[None], _poses(names, marked, tracks)])

    key = ("earlier", sha256, row.pk if row else 0, names, marked.tobytes())
    size, poses = remembered(key, read)  # the record of a film is large: its poses are enough
    if size is None:
        return None
    scale = size_px[0] / size[0]
    if abs(size_px[1] / size[1] - scale) > 0.01 * scale:
        return None
    return Earlier(words, names, scale * poses)


def _poses(names: tuple[str, ...], marked: Floats, tracks: Mapping[str, Any] | None) -> Floats:
    """(K, P, 2) of the frames in which the points were followed; a point that was not followed stays where it was
    marked."""
    count = len(tracks["time_s"]) if tracks and tracks.get("time_s") else 0
    if tracks is None or count == 0:
        return np.empty((0, len(names), 2))
    at = np.unique(np.linspace(0, count - 1, min(count, MOST_POSES)).astype(int))
    out = np.repeat(marked[None], at.size, axis=0)
    for i, name in enumerate(names):
        if name in tracks["points"]:
            p = tracks["points"][name]
            out[:, i] = np.array([[p["u"][k], p["v"][k]] for k in at], dtype=np.float64)
    return out


def _size_of(sha256: str, tracks: Mapping[str, Any] | None) -> tuple[int, int] | None:
    """Upright picture of the earlier film, px."""
    if tracks and tracks.get("clip"):
        return ClipInfo(**tracks["clip"]).upright_size_px
    medium = Medium.objects.filter(sha256=sha256).first()
    try:
        return probe(path_of(medium)).upright_size_px if medium is not None else None
    except InputError:
        return None


def _pair(uv: Floats) -> tuple[float, float]:
    return float(uv[0]), float(uv[1])
