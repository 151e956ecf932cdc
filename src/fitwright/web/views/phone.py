"""Filming with a phone: the code at the bench, and the one page that the phone sees."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, BinaryIO, cast

import segno
from django.conf import settings
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.utils import timezone
from django.views.decorators.http import require_http_methods

from fitwright.errors import InputError
from fitwright.records.models import PhoneLink, Upload, Visit
from fitwright.studio import incoming, phone
from fitwright.studio.entry import read_number, sentence
from fitwright.studio.ride import CAMERA
from fitwright.studio.visits import answers
from fitwright.web.views import phone_form
from fitwright.web.views.acting import answering, unknown_action
from fitwright.web.views.boxes import key_of
from fitwright.web.views.phone_door import OVER, behind_token, refused
from fitwright.web.views.shell import show, the_studio

ACCEPTED = {"film": "video/*", "photo": "image/*"}
SHOWN_RECEIVED = 8


@dataclass(frozen=True)
class Code:
    """An open link as the bench shows it."""

    pk: int
    words: str
    address: str
    qr_svg: str
    minutes: int
    paired: bool


@dataclass(frozen=True)
class Arrival:
    """A file that came, and whether it lies at its place now; photographs of hanging feet and of a
    rider held still are all kept."""

    pk: int
    words: str
    name: str
    used: bool


def bench(request: HttpRequest, pk: int, station: str) -> HttpResponse:
    """The codes of a station, as a page or (for htmx) as a panel of the station's own page."""
    if station not in phone.OFFERED:
        raise Http404("no phone is used at this station")

    def shown(
        request: HttpRequest, visit: Visit, extra: dict[str, Any] | None = None, status: int = 200
    ) -> HttpResponse:
        context = {"visit": visit, "station": station, **_context(visit, station), **(extra or {})}
        if getattr(request, "htmx", False):
            response = render(request, "phone/panel.html", context, status=status)
        else:
            response = show(request, visit, station, context, template="phone/bench.html", status=status)
        response["Cache-Control"] = "no-store"  # it holds tokens, and is a page or a part of one
        return response

    def act(request: HttpRequest, visit: Visit, typed: dict[str, str]) -> HttpResponse:
        _act(visit, typed)
        if not getattr(request, "htmx", False):
            return redirect("phone_bench", visit.pk, station)
        response = shown(request, visit)
        if typed.get("action") == "use":
            response["HX-Trigger"] = "work-ended"
        return response

    return answering(request, pk, shown, act)


@require_http_methods(["GET", "HEAD", "POST"])
@behind_token
def page(request: HttpRequest, link: PhoneLink) -> HttpResponse:
    """What to film and how, and the way to send it; POST takes files without a script."""
    if not phone.is_open(link):
        return refused(request, 410, OVER)
    if phone.purpose_of(link.purpose).kind == "form":
        return phone_form.page(request, link)
    problem = ""
    if request.method == "POST":
        try:
            _take(request, link)
            return redirect("phone", phone.token_of(link))
        except InputError as error:
            problem = sentence(error)
    purpose = phone.purpose_of(link.purpose)
    context = {
        "studio": the_studio(), "purpose": purpose, "problem": problem, "accepted": ACCEPTED[purpose.kind],
        "drawing": f"phone/{purpose.shot}.html", "minutes": _minutes(link), "piece": incoming.PIECE_BYTES,
        "taken": incoming.TAKEN_WORDS[purpose.kind], "most_bytes": settings.MAX_MEDIUM_BYTES,
        "files": reverse("phone_files", args=[phone.token_of(link)]),
        "sent": Upload.objects.filter(link=link, state__in=("receiving", "done", "failed")),
    }  # fmt: skip
    return render(request, "phone/page.html", context, status=422 if problem else 200)


def _take(request: HttpRequest, link: PhoneLink) -> None:
    """Files of a plain form, in the same pieces; one that was begun goes on."""
    files = [f for f in request.FILES.getlist("file") if f.name]
    if not files:
        raise InputError("file", "none was chosen")
    for file in files:
        upload = incoming.begin(link, str(file.name), int(file.size or 0))
        stream = cast(BinaryIO, file)
        stream.seek(upload.received_bytes)
        while upload.state == "receiving" and (data := stream.read(incoming.PIECE_BYTES)):
            upload = incoming.receive(link, upload.pk, upload.received_bytes, data)
        if upload.state == "failed":
            raise InputError(upload.name, upload.error.removeprefix(f"{upload.name}: "))


def _act(visit: Visit, typed: dict[str, str]) -> None:
    action, number = typed.get("action"), key_of(typed.get("pk"))
    if action == "open":
        text = typed.get("camera_mm", "").strip()
        about = {"camera_mm": read_number(CAMERA, text)} if text else {}
        phone.open_link(visit, typed.get("purpose", ""), about)
    elif action == "close":
        phone.close_link(visit, number)
    elif action == "release":
        phone.release(visit, number)
    elif action == "use":
        incoming.lay_again(visit, number)
    else:
        raise unknown_action(typed)


def _context(visit: Visit, station: str) -> dict[str, Any]:
    purposes = phone.offered(station)
    came = Upload.objects.filter(link__visit=visit, link__purpose__in=[p.key for p in purposes], state="done")
    latest = came.select_related("link", "medium").order_by("-pk")[:SHOWN_RECEIVED]
    codes = [_code(link) for link in phone.open_links(visit, station)] if settings.PHONE_ADDRESS else []
    return {
        "codes": codes, "purposes": purposes, "reachable": bool(settings.PHONE_ADDRESS),
        "next": _next(visit, station, purposes), "camera_allowed": CAMERA.allowed, "films": station == "ride",
        "received": [_arrival(visit, u) for u in latest],
    }  # fmt: skip


def _next(visit: Visit, station: str, purposes: tuple[phone.Purpose, ...]) -> str:
    """The first place of the station that is still empty: what is chosen already when the panel opens."""
    said = answers(visit, "ride" if station == "ride" else "feet")
    laid = {key.replace("photo ", "sole ", 1) for key, value in said.items() if value}
    return next((p.key for p in purposes if p.key not in laid), purposes[0].key)


def _arrival(visit: Visit, upload: Upload) -> Arrival:
    purpose = phone.purpose_of(upload.link.purpose)
    laid = [v.get("sha256") for v in answers(visit, purpose.station).values() if isinstance(v, dict)]
    used = purpose.shot in ("hang", "still") or (upload.medium is not None and upload.medium.sha256 in laid)
    return Arrival(upload.pk, purpose.words, upload.name, used)


def _code(link: PhoneLink) -> Code:
    address = settings.PHONE_ADDRESS.rstrip("/") + reverse("phone", args=[phone.token_of(link)])
    symbol = segno.make(address, error="m", micro=False)
    svg = symbol.svg_inline(scale=6, border=4, svgclass="qr", lineclass=None, omitsize=True)
    return Code(
        link.pk, phone.purpose_of(link.purpose).words, address, svg, _minutes(link), phone.is_paired(link)
    )


def _minutes(link: PhoneLink) -> int:
    left_s: float = (link.expires_at - timezone.now()).total_seconds()
    return max(1, round(left_s / 60))
