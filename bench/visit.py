"""Plan, paper and pages: how long a plan, a what-if, each document and the first look at each page take on the demo's
visit, and the whole demo."""

from __future__ import annotations

import json
import subprocess
import sys
from collections.abc import Sequence
from functools import lru_cache

import numpy as np

from bench.measurement import Measurement, Row, Unavailable, seconds
from bench.simulated import SECONDS, demo_studio, open_studio_here
from fitwright.plan.inputs import PlanInputs
from fitwright.plan.make import make_plan, whatif

DOCUMENTS = ("position-sheet", "tape-list", "cleat-card", "fitting-aid", "report", "felt-form")


@lru_cache(maxsize=1)
def first_visit():  # type: ignore[no-untyped-def]  # a Django model, known only once the studio is open
    """The demo's first visit."""
    open_studio_here()
    from fitwright.demo.riders import RIDERS
    from fitwright.records.models import Visit

    return Visit.objects.get(rider__name=RIDERS["first"].name)


@lru_cache(maxsize=1)
def inputs() -> PlanInputs:
    """What the plan of that visit is made from."""
    visit = first_visit()
    from fitwright.studio.plan import gather

    return gather(visit)


def planning() -> list[Row]:
    """Twin, plan, what-if."""
    given = inputs()
    from fitwright.linkage.calibrate import calibrate
    from fitwright.studio.plan import guessed_twin

    side = next(iter(given.twins))
    guess = guessed_twin(first_visit(), side, "before")
    plan = make_plan(given)
    changes = {"saddle_height_mm": -5.0, f"cleat_x_mm_{side}": -3.0}
    return [
        Row("twin fitted to the ride", seconds(lambda: calibrate(given.ride, side, guess), 3), "s", "≤ 1"),
        Row("plan", seconds(lambda: make_plan(given), 3), "s", "≤ 1",
            f"{len(plan.findings)} findings, {len(plan.changes)} changes"),
        Row("what-if of two changes", 1000 * seconds(lambda: whatif(given, changes), 5), "ms", "≤ 50"),
    ]  # fmt: skip


def paper() -> list[Row]:
    """Each document the first time in a fresh process, and again after something in it was changed."""
    visit = first_visit()
    from fitwright.studio.papers import document

    names = iter(f"Rider {k}" for k in range(1000))

    def changed(name: str) -> None:
        visit.rider.name = next(names)  # stands in every line of head and foot; nothing is written
        document(visit, name)

    rows = []
    for name in DOCUMENTS:
        first = _fresh_document(name)
        changed(name)
        again = 1000 * seconds(lambda n=name: changed(n), 5)
        rows.append(Row(f"{name.replace('-', ' ')}, first in a process", first, "ms", "≤ 300", "drawing, records and "
                        "typesetting; program already started"))  # fmt: skip
        rows.append(Row(f"{name.replace('-', ' ')}, changed", again, "ms", "≤ 50",
                        "another rider's name in it; records read anew"))  # fmt: skip
    return rows


FRESH = """
import sys, time
from bench.visit import first_visit
visit = first_visit()
from fitwright.studio.papers import document
start = time.perf_counter()
document(visit, sys.argv[1])
print(1000 * (time.perf_counter() - start))
"""


def _fresh_document(name: str) -> float:
    """ms of the first document made by a process; median of three."""
    spent: Sequence[float] = [
        float(subprocess.run([sys.executable, "-c", FRESH, name], capture_output=True, text=True, check=True).stdout)
        for _ in range(3)
    ]  # fmt: skip
    return float(np.median(spent))


FIRST_PAGES = {
    "visit": "", "intake": "intake", "body": "body", "feet": "feet", "feet: first setting": "feet/setting",
    "feet: clearance": "feet/clearance", "bike": "bike", "ride": "ride", "film": "ride/film/side-right/before",
    "plan": "plan", "handover": "handover",
}  # fmt: skip
FIRST_LOOK = """
import sys, time
from bench.visit import first_visit
visit = first_visit()
from fitwright.cli.serve import settle
from fitwright.web.ready import get_ready
from django.test import Client
settle()
get_ready()
client = Client(HTTP_HOST="localhost")
if sys.argv[1] == "marks":
    from fitwright.studio import ride
    from fitwright.studio.stills import frame_time
    medium = next(c.medium for c in ride.clips(visit) if (c.view, c.when) == ("side right", "before"))
    at = f"{medium.pk}?view=side+right&when=before&t={frame_time(medium, 1.0):.6f}"
    client.get(f"/visits/{visit.pk}/ride/mark/{at}")
    address = f"ride/found/{at}"
else:
    address = sys.argv[1]
start = time.perf_counter()
answer = client.get(f"/visits/{visit.pk}/{address}")
print(1000 * (time.perf_counter() - start), answer.status_code)
"""


def first_look() -> list[Row]:
    """Each page of a visit as the first that a server is asked for, once it got ready (`fitwright.web.ready`)."""
    first_visit()
    rows = [
        Row(f"page {name}", _first_look(address), "ms", "≤ 500", "the first page of its process; median of 3")
        for name, address in FIRST_PAGES.items()
    ]
    rows.append(Row("marks found in a frame that is shown", _first_look("marks"), "ms", "≤ 1000",
                    "the first search of its process"))  # fmt: skip
    return rows


def _first_look(address: str) -> float:
    spent = []
    for _ in range(3):
        done = subprocess.run(
            [sys.executable, "-c", FIRST_LOOK, address], capture_output=True, text=True, check=True
        )
        ms, status = done.stdout.split()
        if status != "200":
            raise RuntimeError(f"{address}: {status} in place of 200")
        spent.append(float(ms))
    return float(np.median(spent))


def demo() -> list[Row]:
    """How long the whole demo took when it was made for these measurements."""
    took = json.loads((demo_studio() / "bench.json").read_text("utf-8"))["demo_s"]
    if took is None:
        raise Unavailable("the demo was interrupted and went on later; remove bench/out to time it anew")
    return [Row("whole demo without serving", took, "s", "≤ 360", f"two riders, films of {SECONDS} s: rendered, "
                "measured, planned, filmed again, documents written")]  # fmt: skip


MEASUREMENTS = (
    Measurement("demo", "The whole demo", demo),
    Measurement("plan", "Plan: time", planning),
    Measurement("paper", "Paper: time", paper),
    Measurement("first-look", "Pages: the first look in a fresh server", first_look),
)
