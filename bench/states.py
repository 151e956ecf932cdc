"""The workbench in every state, filled by code with invented riders: what `make shots` looks at besides the demo.

Django must be set up, and its database made, before `fill` is called.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from datetime import timedelta

import numpy as np
from django.utils import timezone
from playwright.sync_api import Page

from bench.large_studio import ride
from bench.shots import Screen
from fitwright.linkage.leg import solve
from fitwright.motion.ride import CycleCurve, RideResult
from fitwright.quantity import Floats, Measured
from fitwright.records.models import Bike, PhoneLink, Rider, Studio, Visit, Work
from fitwright.studio import bike, body, followups, intake, phone, plan
from fitwright.studio.visits import analyse, new_rider, open_visit
from fitwright.web.urls import urlpatterns

HOUSE = {
    "front": "/", "new rider": "/riders/new", "found nobody": "/?q=zzz", "meet again": "/follow-ups",
    "studio": "/studio/", "people": "/studio/people", "bands": "/studio/bands", "own band": "/studio/bands?new=1",
    "cameras": "/studio/cameras", "hardware": "/studio/hardware", "landmarks": "/studio/landmarks",
    "cautions": "/studio/cautions", "words": "/words", "printers": "/printers",
}  # fmt: skip
"""Pages that belong to no visit, by name."""
NO_PAGES = {"work", "undo", "bolt_room", "phone_bench", "visit_data"}
"""Parts of a page, data, or what is only posted."""
NAMES = {
    "sixty letters": "Maximiliane Konstantia von Hohenstein-Wallerstätten-Unterfeld",
    "right to left": "فاطمة بنت عبد الله بن يوسف الحسيني",
    "chinese": "欧阳慧敏",
}
REFUSED = {
    "intake": ("hours_per_week", "17 km"), "body": ("height_mm", "17 m"), "bike": ("saddle_height_mm", "70 kg"),
    "feet/marks": ("m1_x", "17 kg"), "plan/bolt": ("saddle_height_mm", "9999"),
    "handover": ("follow_up", "31.02.2026"),
}  # fmt: skip
SAID = {"goal": "Ride four hours without a sore back", "hours_per_week": "6", "consent": "yes"}
BODY = {"height_mm": "1720", "inseam_mm": "805", "hanging_foot_left": "7", "hanging_foot_right": "11"}
BIKE = {
    "saddle_height_mm": "705", "saddle_setback_mm": "198", "hood_x_mm": "470", "hood_y_mm": "610",
    "crank_mm": "172.5", "q_factor_mm": "148", "pedal_offset_mm": "53",
}  # fmt: skip
DEEPER = ("", "body", "feet", "feet/marks", "feet/check", "ride", "handover")
LEADS_TO = (
    r"/(feet|marks)/pick/|/body/hang/|/ride/(mark|still|film|map)/|/documents/[\w-]+$|^/riders/\d"
    r"|/value/(saddle_height|knee_flexion|sole)"
)
TIMES = 12
"""Visits of the rider who has come most often."""


def visit_pages(pk: int) -> Iterator[tuple[str, str]]:
    """Name and address of every page of a visit that needs nothing but the visit."""
    for pattern in urlpatterns:
        route = str(pattern.pattern)
        of_visit = route.startswith("visits/<int:pk>/") and route.count("<") == 1
        leads_on = route.endswith("/") and pattern.name != "visit"
        if of_visit and not leads_on and pattern.name and pattern.name not in NO_PAGES:
            yield pattern.name.replace("_", " "), "/" + route.replace("<int:pk>", str(pk))


def empty() -> list[Screen]:
    """A studio in which nobody has ever been."""
    return [
        *(Screen("empty", name, address) for name, address in HOUSE.items()),
        Screen("error", "not there", "/nothing-here", status=404),
        Screen("error", "code that ended", "/phone/none", status=404),
        Screen("error", "new rider", "/riders/new", ("born_year", "1066")),
    ]


def fill() -> list[Screen]:
    """Fill the studio, and say which of its pages to look at."""
    Studio.objects.update_or_create(pk=1, defaults={"name": "A bench by the canal", "simulated": True})
    begun = open_visit(new_rider("Rosa Lind", simulated=True))
    screens = [Screen("begun", *page) for page in visit_pages(begun.pk)]
    screens += _with_long_names()
    often = _often()
    last = often[-1]
    screens += [Screen("twelve visits", *page) for page in visit_pages(last.pk)]
    rider, first = f"/riders/{last.rider_id}", often[0].pk
    screens += [
        Screen("twelve visits", "rider", rider),
        Screen("twelve visits", "compare", f"{rider}/compare?a={first}&b={last.pk}"),
        Screen("twelve visits", "one value", f"/visits/{last.pk}/value/saddle_height_mm"),
        Screen("twelve visits", "front", "/"), Screen("twelve visits", "meet again", "/follow-ups"),
    ]  # fmt: skip
    screens += [
        Screen("error", page, f"/visits/{last.pk}/{page}", spoilt) for page, spoilt in REFUSED.items()
    ]
    return screens + _from_a_phone(last)


def _with_long_names() -> list[Screen]:
    found = []
    for kind, name in NAMES.items():
        visit = typed(new_rider(name, simulated=True), title=name, bike_name=f"{name} {name}"[:120])
        pages = {
            "overview": "", "intake": "intake", "handover": "handover", "paper": "documents/position-sheet",
            "second screen": "second-screen",
        }  # fmt: skip
        found += [Screen(kind, page, f"/visits/{visit.pk}/{place}") for page, place in pages.items()]
        found.append(Screen(kind, "rider", f"/riders/{visit.rider_id}"))
    return [*found, Screen("sixty letters", "found", f"/?q={NAMES['sixty letters'][:8]}")]


def _often() -> list[Visit]:
    """A rider who came twelve times in three years, and was filmed, measured and rated each time."""
    rider, rng, visits = (
        new_rider("Ilse Varga", born_year=1984, sex="F", simulated=True),
        np.random.default_rng(5),
        [],
    )
    for k in range(TIMES):
        back = timedelta(days=90 * (TIMES - 1 - k))
        visit = typed(
            rider, f"visit {k + 1}", "grey bike", {"saddle_height_mm": str(695 + 2 * k)},
            {"pain.knee_left": str(max(0, 7 - k // 2)), "pain.lower_back": str(3 + k % 3), "comfort.saddle": "4"},
        )  # fmt: skip
        Visit.objects.filter(pk=visit.pk).update(opened_at=timezone.now() - back)
        if k < TIMES - 1:
            for view in ("side right", "front"):
                analyse(
                    visit, "ride", f"{view} before", ride("front" if view == "front" else "side right", rng)
                )
        visits.append(visit)
    last = visits[-1]
    analyse(last, "ride", "side right before", {"ride": ridden(last).to_json(), "tracks": {}})
    analyse(last, "ride", "front before", ride("front", rng))
    plan.make(last)
    followups.set_day(last, timezone.localdate() - timedelta(days=3))
    return [Visit.objects.get(pk=v.pk) for v in visits]


def typed(
    rider: Rider, title: str, bike_name: str, bike_typed: dict[str, str] | None = None,
    said: dict[str, str] | None = None,
) -> Visit:  # fmt: skip
    """A visit with Intake (no red flag), Body and Bike filled in."""
    own = Bike.objects.filter(rider=rider).first() or Bike.objects.create(rider=rider, name=bike_name)
    visit = open_visit(rider, title=title, bike=own)
    no_flag = {f.name: "no" for f in intake.flag_fields()}
    intake.save_intake(visit, SAID | no_flag | (said or {}))
    body.save_body(visit, BODY)
    bike.save_bike(visit, BIKE | (bike_typed or {}))
    return visit


def ridden(visit: Visit) -> RideResult:
    """What a film from the right would tell of the visit's own first guess, pedalled with a straighter knee."""
    leg = plan.guessed_twin(visit, "right", "before").leg
    pose = solve(leg)
    turn = pose.knee_x * 0
    means = {
        "hip_x": turn + pose.hip_x, "hip_y": turn + pose.hip_y, "knee_x": pose.knee_x, "knee_y": pose.knee_y,
        "malleolus_x": pose.malleolus_x, "malleolus_y": pose.malleolus_y, "axle_x": pose.axle_x,
        "axle_y": pose.axle_y,
    }  # fmt: skip
    curves = {n: _curve(n, "mm", m) for n, m in means.items()}
    curves["knee_flexion"] = _curve("knee_flexion", "deg", pose.knee_flexion_deg)
    curves["sole_pitch"] = _curve("sole_pitch", "deg", turn + pose.pitch_deg)
    flexion = pose.knee_flexion_deg
    values = {"min": flexion.min(), "max": flexion.max(), "bdc": flexion[180]}
    quantities = {
        "right": {"knee_flexion_deg": {e: Measured(float(v), 1.5, "deg") for e, v in values.items()}}
    }
    return RideResult(
        "side", Measured(88.0, 0.1, "rpm"), {"right": 30}, quantities, {"right": curves},
        {"dimension": "2-D", "state": "dynamic"},
    )  # fmt: skip


def _curve(name: str, unit: str, mean: Floats) -> CycleCurve:
    return CycleCurve(name, unit, np.asarray(mean, float), np.full(360, 0.8), np.full(360, 0.6), 30)


def _from_a_phone(visit: Visit) -> list[Screen]:
    """Pages that a phone opens by a code, each anew as for a phone that has not been here."""
    found = []
    for purpose in ("film side right before", "film front before", "sole left before", "hang left", "felt"):
        link = phone.open_link(visit, purpose)
        found.append(
            Screen("phone", purpose, f"/phone/{phone.token_of(link)}", first=lambda pk=link.pk: _let_in(pk))
        )
    return found


def _let_in(pk: int) -> None:
    link = PhoneLink.objects.get(pk=pk)
    phone.release(link.visit, pk)


def under_way() -> list[Screen]:
    """A visit whose film is being followed and whose plan waits; served later, they count as broken off."""
    visit = typed(new_rider("Tove Halm", simulated=True), "first visit", "red bike")
    Work.objects.create(
        visit=visit, kind="ride", title="Following the points, side right, before", state="running", fraction=0.42,
        message="frame 420 of 1000", started_at=timezone.now() - timedelta(seconds=21),
    )  # fmt: skip
    Work.objects.create(visit=visit, kind="plan", title="Making the plan", state="waiting")
    pages = {"overview": "", "feet": "feet", "ride": "ride", "plan": "plan", "handover": "handover"}
    return [Screen("loading", page, f"/visits/{visit.pk}/{place}") for page, place in pages.items()]


def of_the_demo(page: Page, base: str) -> list[Screen]:
    """Every page of the demo: of the house, of its riders, of their visits, and what these lead to."""
    screens = [Screen("demo", name, address) for name, address in HOUSE.items()]
    for number, visit in enumerate(visit_numbers(page, base), 1):
        state = f"demo {number}"
        screens += [Screen(state, *told) for told in visit_pages(visit)]
        seen: set[str] = set()
        for station in DEEPER:
            page.goto(f"{base}/visits/{visit}/{station}")
            for link in page.eval_on_selector_all("a[href]", "all => all.map(a => a.getAttribute('href'))"):
                kind = re.sub(r"\d+", "N", link.split("?")[0])
                if re.search(LEADS_TO, link) and kind not in seen:
                    seen.add(kind)
                    screens.append(Screen(state, f"{station} {kind.split('/N/')[-1]}", link))
    return screens


def visit_numbers(page: Page, base: str) -> list[int]:
    """The visits that the first page lists, oldest first."""
    page.goto(base)
    links = page.eval_on_selector_all("a[href*='/visits/']", "all => all.map(a => a.getAttribute('href'))")
    return sorted({int(m.group(1)) for link in links if (m := re.match(r"/visits/(\d+)/", link))})
