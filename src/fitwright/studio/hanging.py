"""Hanging feet on record: goniometer readings that were typed, and photographs, each of them one trial.

A photograph is laid down (`Answer` "hang left <medium>": side, line, knee line, card), measured (`Analysis`
"hanging", label "left 1", ...) and may be set aside and put back (`Answer` "aside left 1"); nothing is ever
overwritten. A picture of both feet is laid down once for each.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from fitwright.body.hanging_foot import HangingFoot, Trial, hanging_foot_of
from fitwright.body.hanging_photo import KNEES, LINES, POINTS, SIDES, HangingPhoto
from fitwright.errors import InputError
from fitwright.quantity import Z95
from fitwright.records.models import Analysis, Medium, Visit
from fitwright.studio.cameras import card_of_studio, lens_of
from fitwright.studio.feet.photo import picture_of
from fitwright.studio.hanging_measure import CARDS, measure_hanging
from fitwright.studio.picks import Expected
from fitwright.studio.point_origins import Origin
from fitwright.studio.visits import analyse, analyses, answer, answers, measured, once

STATION = "body"
KIND = "hanging"
KEY = "hanging_foot_deg"
CHOICES = {"side": SIDES, "line": tuple(LINES), "knee": tuple(KNEES), "card": tuple(CARDS)}


@dataclass(frozen=True)
class Photo:
    """A photograph of a hanging foot: what it shows, and its reading once the points are picked."""

    medium: Medium
    about: Mapping[str, str]
    label: str = ""
    reading: HangingPhoto | None = None
    points: Mapping[str, Any] = field(default_factory=dict)
    origins: Mapping[str, Origin] = field(default_factory=dict)
    aside: bool = False

    @property
    def side(self) -> str:
        """ "left" or "right"."""
        return self.about["side"]

    @property
    def card_words(self) -> str:
        """What there is to measure against."""
        return CARDS[self.about["card"]]

    @property
    def causes(self) -> tuple[tuple[str, float], ...]:
        """Where the ± of the reading comes from: words and 95 % half-width, deg."""
        parts = self.reading.u_parts_deg if self.reading else {}
        return tuple((words, Z95 * u) for words, u in parts.items())


def expected(line: str, knee: str) -> tuple[Expected, ...]:
    """The points to pick, in the words of the line that is read."""
    toe = (
        ("Second toe", "its tip")
        if line == "bare"
        else ("Toe of the sole", "foremost point, on the middle line")
    )
    heel = "middle of the bare heel’s rear edge" if line == "bare" else "rearmost point, on the middle line"
    on = "the straight edge" if knee == "edge" else "the middle of the thigh"
    return (
        Expected("heel_centre", "Heel", heel, True, (50, 58)),
        Expected("toe", *toe, True, (44, 14)),
        Expected("knee_rear", "Knee line, hip end", f"on {on}, nearest to the hip", True, (50, 94)),
        Expected("knee_front", "Knee line, knee end", f"on {on}, as far forward as it is seen", True, (50, 70)),
    )  # fmt: skip


def about_of(typed: Mapping[str, str], visit: Visit | None = None) -> dict[str, str]:
    """Side, line, knee line and card as chosen; InputError names what is not a choice."""
    said = answers(visit, STATION).get("hanging_line") if visit is not None else None
    usual = {"side": "", "line": said or "shoe", "knee": "thigh", "card": "level"}
    about = {name: str(typed.get(name) or usual[name]) for name in CHOICES}
    for name, choices in CHOICES.items():
        if about[name] not in choices:
            raise InputError(name, "unknown", value=about[name][:20], allowed=", ".join(choices))
    return about


def save_photo(visit: Visit, medium: Medium, about: Mapping[str, str]) -> None:
    """Lay a photograph down with what it shows."""
    about = about_of(about, visit)
    answer(visit, STATION, f"hang {about['side']} {medium.pk}", about)


def save_picks(
    visit: Visit, medium: Medium, about: Mapping[str, str], points: Mapping[str, tuple[float, float]],
    origins: Mapping[str, Origin] | None = None,
) -> HangingPhoto:  # fmt: skip
    """Measure a photograph and keep it, its picks, how they came about, and the reading as one trial of its side.

    Picking again in the same photograph replaces its reading, never erases it.
    """
    origins = origins or {}
    about = about_of(about, visit)
    side = about["side"]
    picture = picture_of(medium)
    reading = measure_hanging(
        picture, side, points, line=about["line"], knee=about["knee"], card=about["card"],
        layout=card_of_studio(), lens=lens_of(picture),
        u_pick_px={name: o.u_px for name, o in origins.items() if o.u_px is not None},
    )  # fmt: skip
    before = photo_of(visit, medium, side)
    label = before.label if before and before.label else _next_label(visit, side)
    save_photo(visit, medium, about)
    analyse(
        visit, KIND, label, reading.to_json(), medium=medium,
        inputs={
            "points": {k: list(v) for k, v in points.items()},
            "origins": {k: o.to_json() for k, o in origins.items()}, **about,
        },
    )  # fmt: skip
    return reading


def set_aside(visit: Visit, label: str, aside: bool = True) -> None:
    """Leave a reading out of the mean, or put it back; the record keeps both."""
    if (KIND, label) not in analyses(visit):
        raise InputError("reading", "is not one of this visit", value=label[:20])
    answer(visit, STATION, f"aside {label}", aside)


def take_away(visit: Visit, medium_pk: int, side: str) -> None:
    """A photograph that was never measured is no longer laid down; the file stays in the store."""
    if side not in SIDES or f"hang {side} {medium_pk}" not in answers(visit, STATION):
        raise InputError("photograph", "is not one of this visit")
    answer(visit, STATION, f"hang {side} {medium_pk}", None)


def photos(visit: Visit) -> tuple[Photo, ...]:
    """Every photograph of a hanging foot, left before right, in the order in which they came."""
    return once(visit, "hanging photos", lambda: _photos(visit))


def photo_of(visit: Visit, medium: Medium, side: str) -> Photo | None:
    """What is on record about one photograph of one side."""
    return next((p for p in photos(visit) if p.medium.pk == medium.pk and p.side == side), None)


def combined(visit: Visit) -> dict[str, HangingFoot]:
    """The hanging-foot test by side, where it was done: goniometer and photographs together."""
    return {side: hanging_foot_of(t) for side, t in trials(visit).items() if t}


def trials(visit: Visit) -> dict[str, list[Trial]]:
    """Every reading that counts, by side: typed ones first, then photographs."""
    in_shoe = answers(visit, STATION).get("hanging_line") != "bare"
    rows = measured(visit, STATION)
    found: dict[str, list[Trial]] = {}
    for side in SIDES:
        row = rows.get((KEY, side))
        found[side] = [Trial(float(x), in_shoe=in_shoe) for x in (row.readings if row else ())]
    for p in photos(visit):
        if p.reading is not None and not p.aside:
            yaw = p.reading.yaw_deg
            found[p.side].append(Trial(yaw.value, yaw.u, p.reading.line == "shoe"))
    return found


def _photos(visit: Visit) -> tuple[Photo, ...]:
    said = answers(visit, STATION)
    rows = [a for (kind, _), a in analyses(visit).items() if kind == KIND]
    laid = {_place(key): about for key, about in said.items() if key.startswith("hang ") and about}
    media = Medium.objects.in_bulk({*(pk for _, pk in laid), *map(_medium_pk, rows)})
    found = [_measured_photo(a, media[_medium_pk(a)], said) for a in rows]
    picked = {(p.side, p.medium.pk) for p in found}
    found += [Photo(media[at[1]], about) for at, about in laid.items() if at not in picked and at[1] in media]
    return tuple(sorted(found, key=lambda p: (p.side, p.label == "", _number(p.label))))


def _place(key: str) -> tuple[str, int]:
    """Side and medium of `hang left 12`."""
    _, side, pk = key.split(" ")
    return side, int(pk)


def _medium_pk(row: Analysis) -> int:
    return int(row.medium_id)  # type: ignore[attr-defined]


def _measured_photo(row: Analysis, medium: Medium, said: Mapping[str, Any]) -> Photo:
    about = {name: str(row.inputs[name]) for name in CHOICES}
    points = {name: row.inputs["points"][name] for name in POINTS}
    origins = {name: Origin.from_json(o) for name, o in row.inputs.get("origins", {}).items()}
    return Photo(
        medium, about, row.label, HangingPhoto.from_json(row.result), points, origins,
        said.get(f"aside {row.label}") is True,
    )  # fmt: skip


def _next_label(visit: Visit, side: str) -> str:
    taken = [
        _number(label) for kind, label in analyses(visit) if kind == KIND and label.startswith(f"{side} ")
    ]
    return f"{side} {max(taken, default=0) + 1}"


def _number(label: str) -> int:
    return int(label.rpartition(" ")[2] or 0)
