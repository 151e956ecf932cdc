"""How it feels from step to step: pain by site and comfort, and when it has grown worse.

On a scale of 0 to 10 a fall of 2 points is felt as much better and 1 point as slightly better (Salaffi 2004,
10.1016/j.ejpain.2003.09.004, 825 people with chronic musculoskeletal pain). That a rise counts alike is our reading.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

MUCH = 2
"""Points of 10."""

Site = tuple[str, str]
"""("pain", "knee_left") or ("comfort", "overall")."""


@dataclass(frozen=True)
class Moment:
    """What the rider said at one time: on arrival, or after something was turned.

    `label`: in words; `adjustable`: what was turned, "" on arrival; `undone`: whether it was turned back.
    """

    label: str
    ratings: Mapping[Site, int]
    adjustable: str = ""
    undone: bool = False


@dataclass(frozen=True)
class Worse:
    """One site that feels worse after the last step. `stop`: by so much that the step should be taken back."""

    site: Site
    before: int | None
    now: int
    stop: bool


def worse_now(course: Sequence[Moment]) -> tuple[Worse, ...]:
    """What feels worse at the last moment than before it, or than on arrival.

    A pain that nobody named before counts as new. Comfort that falls by two points or more is told, too.
    """
    if len(course) < 2:
        return ()
    *earlier, last = course
    found = []
    for site, now in last.ratings.items():
        known = [m.ratings[site] for m in earlier if site in m.ratings]
        pain = site[0] == "pain"
        if not known:
            if pain and now >= 1:
                found.append(Worse(site, None, now, now >= MUCH))
            continue
        before = min(known[0], known[-1]) if pain else max(known[0], known[-1])
        change = now - before if pain else before - now
        if change >= 1 and (pain or change >= MUCH):
            found.append(Worse(site, before, now, change >= MUCH))
    return tuple(found)


def advice(course: Sequence[Moment], words: Mapping[Site, str]) -> tuple[str, ...]:
    """What to say and do about what feels worse; empty when nothing does. `words`: sites in plain words."""
    found = worse_now(course)
    said = [_told(w, words.get(w.site, w.site[1])) for w in found]
    if not found:
        return ()
    last = course[-1]
    if not any(w.stop for w in found):
        return (
            *said,
            "One point may be chance: ask again after some minutes, before anything else is turned",
        )
    step = f"Undo the last step ({last.label})" if not last.undone else "It was taken back already"
    return (
        *said,
        f"{step}, and stop for today. What does not settle with the old position is for a doctor or physiotherapist",
    )


def _told(w: Worse, words: str) -> str:
    if w.site[0] == "comfort":
        return f"{words}: comfort fell from {w.before} to {w.now} of 10"
    if w.before is None:
        return f"{words}: pain {w.now} of 10 that was not named before"
    return f"{words}: pain rose from {w.before} to {w.now} of 10"
