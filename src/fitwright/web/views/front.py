"""The first page, riders, and opening a visit."""

from __future__ import annotations

from django.db import transaction
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.utils import timezone
from django.utils.cache import patch_vary_headers
from django.views.decorators.http import require_POST, require_safe
from django_htmx.middleware import HtmxDetails

from fitwright.errors import InputError
from fitwright.records.models import Bike, Rider, Visit
from fitwright.studio import rider_page, riders
from fitwright.studio.entry import sentence
from fitwright.studio.intake import USE_WORDS
from fitwright.studio.visits import EARLIEST_BIRTH, new_rider, open_visit, read_rider
from fitwright.web.views.boxes import key_of
from fitwright.web.views.shell import the_studio


@require_safe
def front(request: HttpRequest) -> HttpResponse:
    """Visits and riders, with search; a script that asks for them gets what was found, or the next riders, alone."""
    query, after = request.GET.get("q", ""), key_of(request.GET.get("after"))
    htmx: HtmxDetails | None = getattr(request, "htmx", None)
    part = bool(htmx) and not (htmx and htmx.history_restore_request)
    if part and after:
        response = render(request, "front/riders.html", {"found": riders.riders(query, after)})
    elif part:
        response = render(request, "front/found.html", {"page": riders.front(query)})
    else:
        context = {"studio": the_studio(), "page": riders.front(query, after)}
        response = render(request, "front/front.html", context)
    patch_vary_headers(response, ("HX-Request", "HX-History-Restore-Request"))
    return response


def rider_new(request: HttpRequest) -> HttpResponse:
    """A form for a new rider; after saving the first visit is opened."""
    sent = request.POST if request.method == "POST" else request.GET
    typed = {k: sent.get(k, "") for k in ("name", "born_year", "sex", "use", "bike")}
    context = {
        "studio": the_studio(), "typed": typed, "uses": USE_WORDS.items(),
        "years": (EARLIEST_BIRTH, timezone.localdate().year),
    }  # fmt: skip
    if request.method != "POST":
        return render(request, "front/rider_new.html", context)
    said, wrong = read_rider(typed["name"], typed["born_year"], typed["sex"])
    if wrong:
        told = {name: sentence(error) for name, error in wrong.items()}
        return render(request, "front/rider_new.html", context | {"wrong": told}, status=422)
    with transaction.atomic():  # no rider without the visit
        visit = _first_visit(new_rider(**said), typed)
    return redirect("visit", visit.pk)


def rider(request: HttpRequest, pk: int) -> HttpResponse:
    """A rider: each visit in a few lines, the main numbers over the visits, and a form to open the next."""
    person = get_object_or_404(Rider, pk=pk)
    told = rider_page.page(person, key_of(request.GET.get("before")))
    context = {"studio": the_studio(), "rider": person, "page": told, "uses": USE_WORDS.items()}
    return render(request, "front/rider.html", context)


@require_safe
def compare(request: HttpRequest, pk: int) -> HttpResponse:
    """Two visits of a rider beside each other; `?a=` and `?b=` name them."""
    person = get_object_or_404(Rider, pk=pk)
    keys = key_of(request.GET.get("a")), key_of(request.GET.get("b"))
    picks = (("a", "One visit", keys[0]), ("b", "and another", keys[1]))
    visits = person.visits.select_related("bike")[:200]
    context = {"studio": the_studio(), "rider": person, "visits": visits, "picks": picks}
    try:
        first, second, rows = rider_page.compare(person, *keys)
    except InputError as error:
        asked = "a" in request.GET or "b" in request.GET
        wrong = {"problem": sentence(error)} if asked else {}
        return render(request, "front/compare.html", context | wrong, status=422 if asked else 200)
    return render(request, "front/compare.html", context | {"first": first, "second": second, "rows": rows})


@require_POST
def visit_new(request: HttpRequest, pk: int) -> HttpResponse:
    """Open a visit for a rider."""
    person = get_object_or_404(Rider, pk=pk)
    return redirect(
        "visit", _first_visit(person, {k: v for k, v in request.POST.items() if isinstance(v, str)}).pk
    )


def _first_visit(person: Rider, typed: dict[str, str]) -> Visit:
    name = typed.get("bike", "").strip()[:120]
    bike = None
    if name:
        bike = person.bikes.filter(name=name).first() or Bike.objects.create(rider=person, name=name)
    return open_visit(person, use=typed.get("use") or "road", title=typed.get("title", ""), bike=bike)
