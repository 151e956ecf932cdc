"""A studio with an empty and a filled visit, and a browser that is already installed."""

from __future__ import annotations

import os
from typing import Any

import pytest

from browser import QUIET, find_browser
from fitwright.records.models import Bike, Studio, Visit
from fitwright.studio import bike, body, intake
from fitwright.studio.visits import new_rider, open_visit

os.environ.setdefault("DJANGO_ALLOW_ASYNC_UNSAFE", "true")  # the browser's test runs beside an event loop

BIKE = {
    "saddle_height_mm": "705", "saddle_setback_mm": "198", "hood_x_mm": "470", "hood_y_mm": "610",
    "crank_mm": "172,5", "q_factor_mm": "148", "pedal_offset_mm": "53",
}  # fmt: skip
BODY = {
    "hanging_foot_left": "6 7,5 7", "hanging_foot_right": "11 12 10.5", "height_mm": "172 cm",
    "inseam_mm": "805", "thigh_mm": "395",
}  # fmt: skip


@pytest.fixture(scope="session")
def browser_type_launch_args(browser_type_launch_args: dict[str, Any]) -> dict[str, Any]:
    """Start the browser that `tests/browser.py` finds, without anything that calls home."""
    path = find_browser()
    if path is None:
        pytest.fail("no browser: run python tests/browser.py")
    return {**browser_type_launch_args, "executable_path": path, "args": list(QUIET)}


@pytest.fixture
def studio(db) -> Studio:
    return Studio.objects.create(pk=1, name="Werkstatt am Kanal")


@pytest.fixture
def visit(studio) -> Visit:
    """An empty visit."""
    return open_visit(new_rider("Rosa Lind"))


@pytest.fixture
def filled(studio) -> Visit:
    """A visit of an invented rider with Intake, Body and Bike done."""
    rider = new_rider("Ilse Varga", born_year=1984, sex="F", simulated=True)
    full = open_visit(
        rider, use="gravel", title="second visit", bike=Bike.objects.create(rider=rider, name="grey bike")
    )
    said = {"goal": "Ride four hours", "hours_per_week": "6", "consent": "yes", "pain.knee_left": "4"}
    said |= {f.name: "no" for f in intake.flag_fields()}
    for save, typed in ((intake.save_intake, said), (body.save_body, BODY), (bike.save_bike, BIKE)):
        assert not save(full, typed).errors
    return full
