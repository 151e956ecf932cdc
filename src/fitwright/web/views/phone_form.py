"""Pain, comfort and the reasons to refer, answered by the rider on a phone: sent once, to this visit's Intake."""

from __future__ import annotations

from django.http import HttpRequest, HttpResponse
from django.shortcuts import render

from fitwright.records.models import PhoneLink
from fitwright.studio import intake, phone
from fitwright.studio.entry import sentence
from fitwright.web.views.boxes import typed_of
from fitwright.web.views.shell import the_studio

SENT = "Thank you. Your answers are at the bench."


def page(request: HttpRequest, link: PhoneLink) -> HttpResponse:
    """The form, always blank: what was said before would pull the answers, and is nobody's business on a phone."""
    if request.method != "POST":
        return _page(request, link)
    typed = typed_of(request.POST)
    errors = intake.save_felt(link.visit, typed)
    if errors:
        return _page(request, link, typed, {k: sentence(e) for k, e in errors.items()}, 422)
    phone.close_link(link.visit, link.pk)
    return render(request, "phone/ended.html", {"studio": the_studio(), "words": SENT, "title": "Sent"})


def _page(
    request: HttpRequest, link: PhoneLink, typed: dict[str, str] | None = None,
    errors: dict[str, str] | None = None, status: int = 200,
) -> HttpResponse:  # fmt: skip
    said, wrong = typed or {}, errors or {}

    def shown(fields: tuple[intake.Field, ...]) -> list[dict[str, object]]:
        return [{"f": f, "said": said.get(f.name, ""), "wrong": wrong.get(f.name, "")} for f in fields]

    context = {
        "studio": the_studio(), "purpose": phone.purpose_of(link.purpose), "pain": shown(intake.PAIN),
        "comfort": shown(intake.COMFORT_ASKED), "flags": shown(intake.flag_fields()),
        "problem": wrong.get("", ""), "wrong": bool(wrong),
    }  # fmt: skip
    return render(request, "phone/felt.html", context, status=status)
