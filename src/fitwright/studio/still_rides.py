"""Still pictures of the rider on the bike: photographs, or frames of a film in which the rider holds still.

A picture is laid down (`Answer` "still <medium>@<time>": side, moment, where the crank stands), its points are picked
and read (`Analysis` "still", label "still 1", ...), and a reading may be set aside and put back; nothing is ever
overwritten. What it tells is static, stands apart from what a ride tells, and no plan is made from it.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from fitwright.errors import InputError
from fitwright.plan.targets import band_for
from fitwright.quantity import Measured, difference, distinguishable
from fitwright.records.models import Analysis, Medium, Visit
from fitwright.sheets.strip import Reading, Strip, strip_svg
from fitwright.studio import picks, surroundings
from fitwright.studio.feet.photo import picture_of
from fitwright.studio.point_origins import Origin
from fitwright.studio.ride import MOMENTS, STATION, WHEN_WORDS
from fitwright.studio.ride_bands import band_words, bands_of
from fitwright.studio.stills import upright_grey
from fitwright.studio.visits import analyse, analyses, answer, answers, measured, once
from fitwright.vision.picture import Grey
from fitwright.vision.scene import Scene
from fitwright.vision.still_ride import EVENTS, METHOD, POINTS, StillRide, read_still
from fitwright.vision.stillness import moving

KIND, SIDES = "still", ("right", "left")
CHOICES: Mapping[str, tuple[str, ...]] = {"side": SIDES, "when": MOMENTS, "at": tuple(EVENTS)}
LEVEL = ("rear_axle", "front_axle", "plumb_top", "plumb_bottom")
EXPECTED = tuple(p for p in picks.SIDE_FILM if p.name in (*POINTS, *LEVEL))
QUANTITIES = (
    ("knee_flexion_deg", "knee flexion"), ("hip_flexion_deg", "hip flexion"),
    ("ankle_plantarflexion_deg", "ankle, toes down positive"), ("sole_pitch_deg", "sole, heel up positive"),
    ("trunk_inclination_deg", "trunk to horizontal"), ("shoulder_flexion_deg", "upper arm to trunk"),
    ("elbow_flexion_deg", "elbow flexion"), ("thigh_to_horizontal_deg", "thigh to horizontal"),
)  # fmt: skip
LATER_S = 0.2
"""So long after a film's frame the rider must still be where they were."""


@dataclass(frozen=True)
class StillPicture:
    """A picture of the rider held still: what it shows, and its reading once the points are picked.

    `at_s` is the time of the frame, s; 0 of a photograph. `about`: side, when, at, camera_mm.
    """

    medium: Medium
    at_s: float
    about: Mapping[str, Any]
    label: str = ""
    still: StillRide | None = None
    points: Mapping[str, Any] = field(default_factory=dict)
    origins: Mapping[str, Origin] = field(default_factory=dict)
    aside: bool = False

    @property
    def ident(self) -> str:
        """`12@0.000`: the medium and the time."""
        return _ident(self.medium, self.at_s)

    @property
    def words(self) -> str:
        """`pedal at its lowest, as it came`."""
        return f"{EVENTS[self.about['at']]}, {WHEN_WORDS[self.about['when']]}"


@dataclass(frozen=True)
class StaticRow:
    """One static angle of one side with the crank at one place: as it came, now, and the change of two pictures."""

    label: str
    side: str
    before: Measured | None
    now: Measured | None
    change: Measured | None
    clear: bool
    svg: str
    band: str


def about_of(typed: Mapping[str, Any]) -> dict[str, Any]:
    """Side, moment and place of the crank as chosen; InputError names what is not a choice."""
    about = {name: str(typed.get(name) or choices[0]) for name, choices in CHOICES.items()}
    for name, choices in CHOICES.items():
        if about[name] not in choices:
            raise InputError(name, "unknown", value=about[name][:20], allowed=", ".join(choices))
    return about


def lay(visit: Visit, medium: Medium, about: Mapping[str, Any], at_s: float = 0.0) -> None:
    """Lay a picture down with what it shows, so that it stays though its points are not picked yet."""
    answer(visit, STATION, f"still {_ident(medium, at_s)}", about_of(about))


def check_picture(medium: Medium) -> None:
    """Raises InputError, by the name it came with, when a photograph cannot be read."""
    _grey(medium, 0.0)


def read_picks(
    visit: Visit, medium: Medium, about: Mapping[str, Any], points: Mapping[str, tuple[float, float]],
    origins: Mapping[str, Origin], at_s: float = 0.0, camera_mm: float | None = None,
) -> StillRide:  # fmt: skip
    """Read a picture and keep it with its points; the same picture again replaces its reading, never erases it.

    Raises:
        InputError: what was chosen or picked cannot be; or, of a film's frame, the rider moves in it.
    """
    about = about_of(about)
    grey = _grey(medium, at_s)
    stance = surroundings.stance(visit, about["side"])
    scene = Scene(stance_mm=stance.value if stance else None)
    size = (int(grey.shape[1]), int(grey.shape[0]))
    still = read_still(points, size, about["side"], about["at"], camera_mm, thigh_mm(visit), scene)
    if medium.kind == "film":
        _check_held(medium, at_s, grey, points)
    before = picture_at(visit, medium, at_s)
    label = before.label if before and before.label else _next_label(visit)
    lay(visit, medium, about, at_s)
    analyse(
        visit, KIND, label, still.to_json(), medium=medium,
        inputs={
            "points": {k: list(v) for k, v in points.items()}, "at_s": at_s, "camera_mm": camera_mm,
            "origins": {k: o.to_json() for k, o in origins.items()}, "about": about,
        },
    )  # fmt: skip
    return still


def thigh_mm(visit: Visit) -> float | None:
    """Hip to knee from the Body station, which tells how far the camera was."""
    row = measured(visit, "body").get(("thigh_mm", ""))
    return None if row is None else float(row.value)


def taken(visit: Visit, side: str) -> tuple[str, ...]:
    """In words, what of the visit a picture of this side is read with."""
    words = [w for w in surroundings.taken(visit, side) if not w.startswith("crank")]
    known = thigh_mm(visit)
    return tuple([*words, f"hip to knee {known:.0f} mm"] if known is not None else words)


def set_aside(visit: Visit, label: str, aside: bool = True) -> None:
    """Leave a reading out, or put it back; the record keeps both."""
    if (KIND, label) not in analyses(visit):
        raise InputError("reading", "is not one of this visit", value=label[:20])
    answer(visit, STATION, f"aside {label}", aside)


def take_away(visit: Visit, ident: str) -> None:
    """A picture that was never read is no longer laid down; the file stays in the store."""
    if not answers(visit, STATION).get(f"still {ident}"):
        raise InputError("picture", "is not one of this visit", value=ident[:20])
    answer(visit, STATION, f"still {ident}", None)


def pictures(visit: Visit) -> tuple[StillPicture, ...]:
    """Every still picture of the visit, in the order in which they were read, those without points last."""
    return once(visit, "still pictures", lambda: _pictures(visit))


def picture_at(visit: Visit, medium: Medium, at_s: float) -> StillPicture | None:
    """What is on record about one picture."""
    return next((p for p in pictures(visit) if p.ident == _ident(medium, at_s)), None)


def rows(visit: Visit) -> tuple[StaticRow, ...]:
    """Static angles by place of the crank and side; of several pictures of one place the last one counts."""
    latest: dict[tuple[str, str], dict[str, StillRide]] = {}
    for p in pictures(visit):
        if p.still is not None and not p.aside:
            latest.setdefault((p.about["at"], p.about["side"]), {})[p.about["when"]] = p.still
    places = [(at, side) for at in EVENTS for side in SIDES if (at, side) in latest]
    return tuple(
        row for at, side in places for quantity, label in QUANTITIES
        if (row := _row(visit, at, side, quantity, label, latest[at, side])) is not None
    )  # fmt: skip


def _row(
    visit: Visit, at: str, side: str, quantity: str, label: str, stills: Mapping[str, StillRide]
) -> StaticRow | None:
    values = {when: m for when, s in stills.items() if (m := s.quantities.get(quantity)) is not None}
    if not values:
        return None
    before, after = values.get("before"), values.get("after")
    now = after if "after" in stills else before
    first = before if "after" in stills else None
    change = difference(after, before) if after is not None and before is not None else None
    clear = after is not None and before is not None and distinguishable(after, before)
    shown = [Reading(side, m, state) for m, state in ((first, "before"), (now, "now")) if m is not None]  # type: ignore[arg-type]
    band, words = _band(visit, f"{quantity}.{at}")
    strip = Strip(f"static {label}, {EVENTS[at]}", tuple(shown), band, "deg", note=words)
    return StaticRow(f"{label}, {EVENTS[at]}", side, first, now, change, clear, strip_svg(strip), words)


def _band(visit: Visit, key: str) -> tuple[tuple[float, float] | None, str]:
    """A static band for this angle at this place of the crank, and its words; none where there is none."""
    own = [t for t in bands_of(visit) if t.key == key]
    matched = band_for(own, METHOD) if own else None
    if matched is None or matched.refused:
        return None, ""
    return (matched.target.low, matched.target.high), band_words(matched, METHOD)


def _pictures(visit: Visit) -> tuple[StillPicture, ...]:
    said = answers(visit, STATION)
    rows = [a for (kind, _), a in analyses(visit).items() if kind == KIND]
    laid = {
        key.removeprefix("still "): about for key, about in said.items() if key.startswith("still ") and about
    }
    pks = {int(ident.partition("@")[0]) for ident in laid} | {_medium_pk(a) for a in rows}
    media = Medium.objects.in_bulk(pks) if pks else {}
    found = [_read_picture(a, media[_medium_pk(a)], said) for a in rows]
    known = {p.ident for p in found}
    found += [
        StillPicture(media[int(pk)], float(at_s), about)
        for ident, about in laid.items() if ident not in known
        for pk, _, at_s in (ident.partition("@"),) if int(pk) in media
    ]  # fmt: skip
    return tuple(sorted(found, key=lambda p: (p.label == "", _number(p.label))))


def _read_picture(row: Analysis, medium: Medium, said: Mapping[str, Any]) -> StillPicture:
    given = row.inputs
    return StillPicture(
        medium, float(given["at_s"]), {**given["about"], "camera_mm": given.get("camera_mm")}, row.label,
        StillRide.from_json(row.result), given["points"],
        {n: Origin.from_json(o) for n, o in given.get("origins", {}).items()},
        said.get(f"aside {row.label}") is True,
    )  # fmt: skip


def _grey(medium: Medium, at_s: float) -> Grey:
    """The upright picture in grey: of a photograph, or the frame of a film at this time."""
    if medium.kind == "film":
        return upright_grey(medium, at_s)
    try:
        return picture_of(medium).grey
    except InputError as error:  # it speaks of the file by its place in the store
        raise InputError(medium.name, error.problem, allowed=error.allowed, hint=error.hint) from error


def _check_held(medium: Medium, at_s: float, grey: Grey, points: Mapping[str, tuple[float, float]]) -> None:
    """A frame of a ride is not static: a little later each point must still be where it was."""
    try:
        later = upright_grey(medium, at_s + LATER_S)
    except InputError:  # the film ends here
        later = upright_grey(medium, max(0.0, at_s - LATER_S))
    moved = moving(grey, later, {n: uv for n, uv in points.items() if n in POINTS})
    if moved:
        words = ", ".join(p.label.lower() for p in EXPECTED if p.name in moved)
        raise InputError(
            "picture", f"the rider does not hold still in this frame: {words} moved within {LATER_S:g} s",
            hint="Choose a moment in which the rider holds still; of a ride, follow the points instead",
        )  # fmt: skip


def _ident(medium: Medium, at_s: float) -> str:
    return f"{medium.pk}@{at_s:.3f}"


def _medium_pk(row: Analysis) -> int:
    return int(row.medium_id)  # type: ignore[attr-defined]


def _next_label(visit: Visit) -> str:
    return f"still {max((_number(label) for kind, label in analyses(visit) if kind == KIND), default=0) + 1}"


def _number(label: str) -> int:
    return int(label.rpartition(" ")[2] or 0)
