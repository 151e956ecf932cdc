"""First setting: fore-aft, lateral and rotation solved together, and what other rules would give."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render

from fitwright.errors import InputError
from fitwright.foot.start import LATERAL_RANGE_MM, YAW_RANGE_DEG, Place
from fitwright.records.models import Visit
from fitwright.studio.entry import Field, plain, read_number, read_text
from fitwright.studio.feet import setting, start_rules
from fitwright.studio.feet.clearance import turn_words
from fitwright.studio.feet.soles import FEET
from fitwright.studio.feet.start_rules import FootSetting
from fitwright.web import examples
from fitwright.web.views.acting import answering, unknown_action
from fitwright.web.views.feet.benches import show_bench
from fitwright.web.views.shell import the_visit

LAMBDA = Field("wanted_lambda", "Axle between M1 and M5", unit="1", low=-0.5, high=1.5)
YAW = Field("yaw", "Yaw by hand", unit="deg", low=YAW_RANGE_DEG[0], high=YAW_RANGE_DEG[1])
LATERAL = Field("lateral", "Outward", unit="mm", low=LATERAL_RANGE_MM[0], high=LATERAL_RANGE_MM[1])
WHY = Field("why", "Why", "text")
BEHIND_MM = Field("behind_mm", "Behind M1", unit="mm", low=0, high=60)
BEHIND_PERCENT = Field("behind_percent", "Behind M1, of the foot’s length", unit="%", low=0, high=25)


def page(request: HttpRequest, pk: int) -> HttpResponse:
    """Show the page; POST sets; `?foot=left&slide=0.45` tries λ without keeping it."""
    if request.method == "GET" and "slide" in request.GET:
        return _try(request, the_visit(pk))
    return answering(request, pk, _page, _act)


def _context(
    visit: Visit, tried: dict[str, setting.Wished] | None = None, wrong: dict[str, Any] | None = None
) -> dict[str, Any]:
    feet = [start_rules.foot_setting(visit, s, (tried or {}).get(s), with_ride=not tried) for s in FEET]
    mm, share = start_rules.behind(visit)
    soles_svg = start_rules.drawing(visit, feet)
    return {
        "feet": [
            {"f": f, "boxes": _boxes(f, wrong or {}), "float_svg": start_rules.float_drawing(f),
             "heel": turn_words(visit, f.side, f.start.cleat.psi_deg) if f.start and not tried else ()}
            for f in feet
        ],
        "soles_svg": soles_svg, "narrow": start_rules.narrow_drawings(visit, feet),
        "example_svg": "" if soles_svg else examples.sole_example(),
        "behind": {"mm": plain(mm), "percent": plain(100 * share)},
    }  # fmt: skip


def _boxes(f: FootSetting, wrong: dict[str, Any]) -> dict[str, str]:
    """What stands in the boxes: what was typed when it could not be taken, else the wish."""
    typed = wrong.get("typed", {})
    if wrong.get("wrong_action") == "set" and typed.get("foot") == f.side:
        return {k: typed.get(k, "") for k in ("wanted_lambda", "yaw", "why", "lateral")}
    fraction, w = f.wished.place.fraction, f.wished
    return {
        "wanted_lambda": "" if fraction is None else plain(fraction),
        "yaw": "" if w.yaw_deg is None else plain(w.yaw_deg), "why": w.why,
        "lateral": "" if w.z_mm is None else plain(w.z_mm),
    }  # fmt: skip


def _page(
    request: HttpRequest, visit: Visit, extra: dict[str, Any] | None = None, status: int = 200
) -> HttpResponse:
    context = _context(visit, wrong=extra) | (extra or {})
    if getattr(request, "htmx", False):
        return render(request, "feet/setting_feet.html", {"visit": visit} | context, status=status)
    return show_bench(request, visit, "feet_setting", context, status=status)


def _try(request: HttpRequest, visit: Visit) -> HttpResponse:
    """The page's inner part with λ as the slider has it, nothing kept."""
    side = request.GET.get("foot", "")
    if side not in FEET:
        raise InputError("foot", "unknown", value=side[:20], allowed="left, right")
    fraction = read_number(LAMBDA, request.GET["slide"])
    tried = replace(setting.wished_of(visit, side), place=Place.between(fraction), rule="")
    return render(request, "feet/setting_feet.html", {"visit": visit} | _context(visit, {side: tried}))


def _act(request: HttpRequest, visit: Visit, typed: dict[str, str]) -> HttpResponse:
    action, side = typed.get("action"), typed.get("foot", "")
    if action == "set":
        setting.save_wished(visit, side, _read(visit, side, typed))
    elif action == "slide":
        setting.save_wish(visit, side, read_number(LAMBDA, typed.get("slide", "")))
    elif action == "rule":
        start_rules.choose(visit, side, typed.get("rule", ""))
    elif action == "undo":
        setting.undo(visit, side)
    elif action == "behind":
        mm = read_number(BEHIND_MM, typed.get("behind_mm", ""))
        start_rules.save_behind(visit, mm, read_number(BEHIND_PERCENT, typed.get("behind_percent", "")) / 100)
    else:
        raise unknown_action(typed)
    if getattr(request, "htmx", False):
        return _page(request, visit)
    return redirect("feet_setting", visit.pk)


def _read(visit: Visit, side: str, typed: dict[str, str]) -> setting.Wished:
    """The wish as typed; an empty box leaves λ as it is, yaw and lateral setting to what was measured."""
    before = setting.wished_of(visit, side)
    place, rule, yaw, u, why, z = before.place, before.rule, None, 0.0, "", None
    if typed.get("wanted_lambda", "").strip():
        fraction = read_number(LAMBDA, typed["wanted_lambda"])
        if before.place.fraction is None or abs(fraction - before.place.fraction) > 5e-4:
            place, rule = Place.between(fraction), ""
    if typed.get("yaw", "").strip():
        yaw, why = read_number(YAW, typed["yaw"]), read_text(WHY, typed.get("why", ""))[:200]
        if not why:
            raise InputError(
                "Why", "a yaw by hand needs its reason", hint="A few words, for whoever reads it later"
            )
        kept = before.yaw_deg is not None and abs(yaw - before.yaw_deg) < 5e-4 and why == before.why
        u = before.u_deg if kept else 0.0
    if typed.get("lateral", "").strip():
        z = read_number(LATERAL, typed["lateral"])
    return setting.Wished(place, rule, yaw, u, why, z)
