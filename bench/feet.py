"""Feet station: how long its pages and a measured photograph take on the demo's visit, server side."""

from __future__ import annotations

from collections.abc import Callable

from bench.measurement import Measurement, Row, seconds
from bench.visit import first_visit

PAGES = (
    "feet",
    "feet_marks",
    "feet_hardware",
    "feet_setting",
    "feet_clearance",
    "feet_aid",
    "feet_check",
    "body",
)
LIMIT_MS = "≤ 100"


def pages() -> list[Row]:
    """Each page, and the points of a photograph sent in again, from request to reply; nothing is kept."""
    visit = first_visit()
    from django.test import Client
    from django.urls import reverse

    client = Client(HTTP_HOST="localhost")

    def get(name: str) -> Callable[[], object]:
        return lambda: _ok(client.get(reverse(name, args=[visit.pk])), 200)

    rows = [
        Row(f"page {name.replace('_', ': ')}", 1000 * seconds(get(name), 7), "ms", LIMIT_MS, "median of 7")
        for name in PAGES
    ]
    rows.append(Row("points of a sole photograph measured", 1000 * seconds(lambda: _measured(client, visit), 5), "ms",
                    LIMIT_MS, "12 megapixels, opened before; from request to reply"))  # fmt: skip
    return rows


def _ok(response, status: int):  # type: ignore[no-untyped-def]
    if response.status_code != status:
        raise RuntimeError(f"{response.status_code} in place of {status}")
    return response


def _measured(client, visit) -> None:  # type: ignore[no-untyped-def]
    """Save the points on record of one photograph again; what that wrote is taken back."""
    from django.db import transaction
    from django.urls import reverse

    from fitwright.studio.visits import analysis

    row = analysis(visit, "sole", "left before")
    if row is None:
        raise RuntimeError("the demo's first visit holds no measured photograph of the left sole")
    sent = {f"{way}.{name}": f"{value:.2f}" for name, uv in row.inputs["points"].items()
            for way, value in zip("xy", uv, strict=True)}  # fmt: skip
    address = reverse("feet_pick", args=[visit.pk, row.medium_id])  # type: ignore[attr-defined]
    with transaction.atomic():
        _ok(client.post(address, sent | {"foot": "left", "when": "before"}), 302)
        transaction.set_rollback(True)


MEASUREMENTS = (Measurement("feet-pages", "Feet: time of a page", pages),)
