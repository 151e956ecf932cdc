"""The pages of the Feet station, in the order of the work, and the frame they share."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, NamedTuple

from django.http import HttpRequest, HttpResponse

from fitwright.records.models import Visit
from fitwright.web.views.shell import show


class Bench(NamedTuple):
    """One page of the station: its address name and what its link says."""

    url: str
    label: str


BENCHES = (
    Bench("feet", "Both feet"),
    Bench("feet_marks", "M1 and M5"),
    Bench("feet_hardware", "Shoes and hardware"),
    Bench("feet_setting", "First setting"),
    Bench("feet_clearance", "Clearance and stance"),
    Bench("feet_aid", "Fitting aid"),
    Bench("feet_check", "Check and restore"),
)


def show_bench(
    request: HttpRequest, visit: Visit, bench: str, context: Mapping[str, Any], template: str = "",
    status: int = 200,
) -> HttpResponse:  # fmt: skip
    """Render one page of the station; `bench` is its address name ("feet_marks")."""
    own = template or f"feet/{bench.removeprefix('feet_')}.html"
    return show(request, visit, "feet", {"benches": BENCHES, "bench": bench} | dict(context), own, status)
