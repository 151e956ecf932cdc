"""Check and restore: the cleat after fitting, found later, worn, and as ridden."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from typing import Any

from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect
from django.urls import reverse
from django.utils import timezone

from fitwright.errors import InputError
from fitwright.quantity import Measured
from fitwright.records.models import Visit
from fitwright.sheets.strip import Reading, Strip, strip_svg
from fitwright.studio import cameras
from fitwright.studio.entry import Field, read_date, read_number
from fitwright.studio.feet import check, cleats, film_points, restore, ridden, soles
from fitwright.studio.feet.setting import target_of
from fitwright.studio.feet.verdict import Check
from fitwright.web.views.acting import answering, unknown_action
from fitwright.web.views.feet.benches import show_bench
from fitwright.web.views.feet.pick import add_photo
from fitwright.web.views.uploads import take

PARTS = (("x", "fore-aft, + towards the toe"), ("z", "sideways, + outward"), ("psi", "toe-out"))
WORN = {
    part: Field(f"worn_{part}", f"Worn, {words}", unit="mm", low=0, high=15)
    for part, words in cleats.PARTS.items()
}
WEEKLY = Field("km_per_week", "Distance a week", unit="km", low=0, high=2000)
RULE = {
    name: Field(name, words, unit="1", low=cleats.RULE_LIMITS[name][0], high=cleats.RULE_LIMITS[name][1])
    for name, words in (("months", "Months"), ("km", "Kilometres"))
}  # fmt: skip


def page(request: HttpRequest, pk: int) -> HttpResponse:
    """Show the page; POST acts."""
    return answering(request, pk, _page, _act)


@dataclass(frozen=True)
class Line:
    """One part of a check on its strip."""

    words: str
    value: Measured
    svg: str


def lines_of(side: str, checks: list[Check]) -> list[Line]:
    """x, z and ψ of the newest check over the pale bracket of the goal, the earlier ones hollow beside it."""
    if not checks:
        return []
    newest, found = checks[-1], []
    for name, words in PARTS:
        value: Measured = getattr(newest, name)
        goal = newest.goal[1] if name == "psi" else newest.goal[0]
        shown = [Reading(side, getattr(c, name), "before") for c in checks[-3:-1]] + [Reading(side, value)]
        strip = Strip(f"{side} cleat, off by: {words}", tuple(shown), (-goal, goal), value.unit)
        found.append(Line(words, value, strip_svg(strip)))
    return found


def _page(
    request: HttpRequest, visit: Visit, extra: dict[str, Any] | None = None, status: int = 200
) -> HttpResponse:
    letter = soles.letter_of(visit)
    context: dict[str, Any] = {
        "feet": [_foot(visit, side) for side in soles.FEET], "ways": restore.WAYS, "card": cameras.card_of_studio(),
        "notes": cleats.notes_of(visit.rider, letter), "ages": cleats.ages(visit.rider, letter), "letter": letter,
        "rule": cleats.rule(), "rule_source": cleats.RULE_SOURCE, "kinds": cleats.KINDS, "sides": cleats.SIDES,
        "plays": cleats.PLAY, "worn": WORN.values(), "weekly": WEEKLY, "rule_fields": RULE.values(),
        "places": film_points.PLACES, "today": timezone.localdate().isoformat(),
    }  # fmt: skip
    wrong = extra or {}
    stray = bool(wrong) and not _has_its_place(wrong["typed"])
    return show_bench(request, visit, "feet_check", context | wrong | {"stray": stray}, status=status)


def _has_its_place(typed: dict[str, str]) -> bool:
    """Whether the form that was sent is on the page, so that what is wrong can stand beside it."""
    action, foot = typed.get("action"), typed.get("foot") in soles.FEET
    if action == "photo":
        return foot and typed.get("when") in ("after", "remount")
    return action in ("note", "withdraw", "rule") or (foot and action in ("recorded", "places"))


def _foot(visit: Visit, side: str) -> dict[str, Any]:
    after, later = check.shots(visit, side, "after"), check.shots(visit, side, "remount")
    put_back = restore.restored(visit, side)
    laid, rode = soles.photos_of(visit, side), ridden.ridden_of(visit, side)
    measured = {"after": after, "remount": later}
    return {
        "side": side, "target": target_of(visit, side), "after": after, "later": later,
        "newest": after[-1].check if after else None,
        "lines": lines_of(side, [s.check for s in after if s.check]),
        "back": put_back,
        "back_lines": lines_of(side, [s.check for s in later if s.check]) if put_back.check else [],
        "records": restore.records_of(visit, side),
        "unpicked": {
            when: medium for when, medium in laid.items()
            if when in measured and all(s.medium != medium for s in measured[when])
        },
        "ridden": rode, "yaw_svg": yaw_strip(rode) if rode else "", "places": film_points.places_of(visit, side),
    }  # fmt: skip


def yaw_strip(rode: ridden.Ridden) -> str:
    """Both ends of the yaw used over the float; empty when one of them is not known."""
    if rode.room is None or rode.yaw_low is None or rode.yaw_high is None:
        return ""
    ends = tuple(Reading(rode.side, m) for m in (rode.yaw_low, rode.yaw_high))
    return strip_svg(
        Strip(f"{rode.side} foot, yaw used", ends, rode.room.check.window_deg, note="The band is the float")
    )


def _act(request: HttpRequest, visit: Visit, typed: dict[str, str]) -> HttpResponse:
    action, side = typed.get("action", ""), typed.get("foot", "")
    if action == "photo":
        return add_photo(request, visit, typed)
    if action == "recorded":
        restore.choose(visit, side, typed.get("recorded", ""), typed.get("way", "auto"))
        anchor = side
    elif action == "note":
        _note(request, visit, typed)
        anchor = "cleats"
    elif action == "withdraw":
        cleats.withdraw(visit, int(typed["note"]) if typed.get("note", "").isdigit() else 0)
        anchor = "cleats"
    elif action == "rule":
        months, km = (read_number(RULE[name], typed.get(name, "")) for name in ("months", "km"))
        cleats.save_rule(months, km)
        anchor = "cleats"
    elif action == "places":
        film_points.save_places(visit, side, {name: typed.get(name, "") for name in film_points.PLACES})
        anchor = f"ridden-{side}"
    else:
        raise unknown_action(typed)
    return redirect(f"{reverse('feet_check', args=[visit.pk])}#{anchor}")


def _note(request: HttpRequest, visit: Visit, typed: dict[str, str]) -> None:
    """A note on the cleats as typed; a photograph may come with it."""
    day = date.fromisoformat(read_date(Field("on", "Day", "date"), typed.get("on", "")))
    worn = {p: read_number(f, text) for p, f in WORN.items() if (text := typed.get(f.name, "").strip())}
    weekly = typed.get("km_per_week", "").strip()
    kind = typed.get("kind", "")
    if kind not in cleats.KINDS:
        raise InputError("What happened", "is not chosen", allowed=", ".join(cleats.KINDS.values()))
    cleats.save_note(
        visit, typed.get("side", ""), kind, day, worn_mm=worn, play=typed.get("play", ""),
        words=typed.get("words", ""), another_system=typed.get("another_system") == "yes",
        km_per_week=read_number(WEEKLY, weekly) if weekly else None,
        medium=take(request, visit, "photo", "photo") if "photo" in request.FILES else None,
    )  # fmt: skip
