"""What a second screen shows the rider: one plain sentence at a time, with a picture before and now.

Nothing of other riders, no notes, no pain, no words of the trade; a change that cannot be told from none is said to
be none that we can tell.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from fitwright.quantity import Z95
from fitwright.records.models import Visit
from fitwright.sheets.rider_drawing import rider_svg
from fitwright.sheets.sole_drawing import soles_svg
from fitwright.studio import doing, drawings, film_page, ride
from fitwright.studio.papers import STATION as HANDOVER
from fitwright.studio.visits import answers, once

CAME, NOW = "when you came", "now"
CAPTIONS = {"before": CAME, "after": NOW}
# quantity, event, the sentence of "left " or nothing, by how much and which way, words for more, words for less
TOLD: tuple[tuple[str, str, Callable[[str, str, str], str], str, str], ...] = (
    ("knee_flexion_deg", "bdc", lambda side, by, way: f"With the pedal down, your {side}knee is {by} {way}.",
     "more bent", "straighter"),
    ("knee_flexion_deg", "max", lambda side, by, way: f"With the pedal up, your {side}knee is {by} {way}.",
     "more bent", "less bent"),
    ("hip_flexion_deg", "max", lambda side, by, way: f"With the pedal up, your {side}hip is {by} {way}.",
     "more closed", "more open"),
    ("trunk_inclination_deg", "mean", lambda _, by, way: f"Your back is {by} {way}.", "more upright", "flatter"),
    ("ankle_plantarflexion_deg", "max", lambda side, by, way: f"Your {side}toes point {by} {way}.",
     "further down", "less far down"),
    ("knee_path_mm", "range", lambda side, by, way: f"Your {side}knee moves sideways {by} {way}.", "more", "less"),
)  # fmt: skip
ABOUT = {
    "knee_flexion_deg": "how your knee bends", "hip_flexion_deg": "how your hip closes",
    "trunk_inclination_deg": "how low your back is", "ankle_plantarflexion_deg": "how your toes point",
    "knee_path_mm": "how your knees move sideways",
}  # fmt: skip
MOMENTS = ((180.0, "The pedal is down."), (90.0, "The pedal is in front, where you push."))


@dataclass(frozen=True)
class Picture:
    """A drawing (`svg`) or the address of a frame (`src`), with what it shows."""

    caption: str
    svg: str = ""
    src: str = ""


@dataclass(frozen=True)
class Step:
    """One sentence, a smaller line under it, and up to two pictures."""

    sentence: str
    note: str = ""
    pictures: tuple[Picture, ...] = ()


def steps(visit: Visit) -> tuple[Step, ...]:
    """All that can be shown of this visit, in the order of telling; empty while nothing was measured."""
    told = [*_changes(visit), *_films(visit), *_measured(visit), *_feet(visit)]
    if not told:
        return ()
    return (*_arrived(visit), *told, _goodbye(visit))


def _arrived(visit: Visit) -> Iterator[Step]:
    drawn = _bodies(visit)
    if drawn:
        yield Step("This is you on your bike.", "Drawn from your film.", drawn[:1])


def _bodies(visit: Visit) -> tuple[Picture, ...]:
    """The rider from the side as they came and now; one picture while there is one ride, none before a film."""
    return once(visit, "second screen, bodies", lambda: _drawn_bodies(visit))


def _drawn_bodies(visit: Visit) -> tuple[Picture, ...]:
    return tuple(
        Picture(
            CAPTIONS[when],
            rider_svg(
                replace(f, title=f"You on your bike, {CAPTIONS[when]}"), "page", 520, 470, f"you-{when}"
            ),
        )
        for when, f in drawings.side_by_side(visit).items()
    )


def _changes(visit: Visit) -> Iterator[Step]:
    """What was turned and stayed so."""
    made = [r.planned["words"] for r in doing.changes_of(visit) if r.state in doing.MADE]
    for i, words in enumerate(made):
        count = f"Change {i + 1} of {len(made)}" if len(made) > 1 else "The change"
        pictures = _soles(visit) if "cleat" in words.lower() else _bodies(visit)
        yield Step(f"{words[:1].upper()}{words[1:].split(':')[0]}.", count, pictures)


def _films(visit: Visit) -> Iterator[Step]:
    """Frames of both films of a view at the same crank angle."""
    read = {(c.view, c.when): c for c in ride.clips(visit) if c.ride is not None}
    for view in ("side right", "side left"):
        both = [
            (w, read[view, w], film_page.data(read[view, w]))
            for w in ("before", "after")
            if (view, "before") in read and (view, "after") in read
        ]
        for theta, words in MOMENTS if both else ():
            shots = tuple(
                Picture(CAPTIONS[when], src=f"/media/{clip.medium.sha256}/frame?t={at:.4f}")
                for when, clip, data in both if (at := _moment(data, theta)) is not None
            )  # fmt: skip
            if len(shots) == 2:
                yield Step(words, "The same moment of both films.", shots)


def _moment(data: Mapping[str, Any], theta: float) -> float | None:
    """Time (s) of the frame nearest a crank angle (deg), of those near the film's middle."""
    angle = np.array([np.nan if x is None else x for x in data["theta_deg"]])
    if not np.isfinite(angle).any():
        return None
    off = np.abs((angle - theta + 180) % 360 - 180)
    middle = np.abs(np.arange(angle.size) - angle.size / 2) / angle.size
    return float(data["time_s"][int(np.nanargmin(off + 2 * middle))])


def _measured(visit: Visit) -> Iterator[Step]:
    """What clearly changed, a sentence each; then, in one, what did not."""
    changed, same = set(), []
    for quantity, event, sentence, more, less in TOLD:
        for pair in drawings.pairs(drawings.values(visit, quantity, event)):
            if pair.change is None or pair.before is None or pair.now is None:
                continue
            if not pair.clear:
                same.append(quantity)
                continue
            changed.add(quantity)
            sign = "°" if pair.change.unit == "deg" else f" {pair.change.unit}"
            side = "" if pair.side == "both" else f"{pair.side} "
            way = more if pair.change.value > 0 else less
            yield Step(
                sentence(side, f"{_plain(abs(pair.change.value))}{sign}", way),
                f"{_plain(pair.before.value)}{sign} {CAME}, {_plain(pair.now.value)}{sign} {NOW}; "
                f"the change is sure to ± {_plain(Z95 * pair.change.u)}{sign}.",
                _bodies(visit) if quantity != "knee_path_mm" else (),
            )
    left = [ABOUT[q] for q in dict.fromkeys(same) if q not in changed]
    if left:
        listed = left[0] if len(left) == 1 else f"{', '.join(left[:-1])} and {left[-1]}"
        yield Step(f"In {listed}, nothing changed that we can tell.")


def _plain(value: float) -> str:
    return f"{value:.0f}".replace("-", "−")


def _soles(visit: Visit) -> tuple[Picture, ...]:
    return once(visit, "second screen, soles", lambda: _drawn_soles(visit))


def _drawn_soles(visit: Visit) -> tuple[Picture, ...]:
    drawn = [
        replace(f, values=()) for s in drawings.SIDES if (f := drawings.sole_figure(visit, s, links=False))
    ]
    return (Picture("your soles, as you look down on them", soles_svg(drawn, "page")),) if drawn else ()


def _feet(visit: Visit) -> Iterator[Step]:
    pictures = _soles(visit)
    if pictures:
        yield Step("This is where your cleats sit.", "Hollow is when you came, solid is now.", pictures)


def _goodbye(visit: Visit) -> Step:
    due = str(answers(visit, HANDOVER).get("follow_up") or "")
    note = "Ride easily at first. If anything hurts or goes numb, stop and tell us."
    return Step(f"See you on {due}." if due else "That is it for today.", note)
