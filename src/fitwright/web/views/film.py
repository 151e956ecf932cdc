"""One film of the ride: played, stepped and scrubbed by crank angle, its points seen and mended; two films beside
each other at the same crank angle."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from django.http import HttpRequest, HttpResponse, JsonResponse
from django.shortcuts import redirect
from django.urls import reverse
from django.views.decorators.http import require_POST, require_safe

from fitwright.errors import InputError, Stopped
from fitwright.records.models import Visit
from fitwright.studio import corrections, film_page, film_weak, jobs, mend, ride
from fitwright.studio.entry import Field, read_number, sentence
from fitwright.studio.proxies import proxy_of
from fitwright.studio.ride import VIEW_WORDS, WHEN_WORDS
from fitwright.web.views.acting import spoken
from fitwright.web.views.boxes import key_of, typed_of
from fitwright.web.views.media import MOMENT
from fitwright.web.views.shell import show, the_visit

PIXEL = {axis: Field(axis, f"{words} in the picture", unit="px", low=-100, high=10000)
         for axis, words in (("u", "Across"), ("v", "Down"))}  # fmt: skip


@dataclass(frozen=True)
class Reel:
    """A film on the page: where its picture comes from."""

    clip: ride.Clip
    words: str
    data_url: str
    still_url: str
    copy_url: str
    size: tuple[int, int]


def page(request: HttpRequest, pk: int, view: str, when: str) -> HttpResponse:
    """The film; the first time its light copy is ordered. POST orders it again, or the reading anew of the film."""
    visit = the_visit(pk)
    clip = film_page.clip_at(visit, _spaced(view), when)
    others = film_page.beside_of(visit, clip)
    beside = next((o for o in others if _key(o) == request.GET.get("beside")), None)
    shown = [c for c in (clip, beside) if c is not None]
    if request.method == "POST" and request.POST.get("action") == "read":
        jobs.start_readings(visit)
        return redirect(request.get_full_path())
    broken = [c for c in shown if proxy_of(c.medium) is None and jobs.copy_ended(visit, c.medium)]
    for c in shown:
        if request.method == "POST" or c not in broken:
            jobs.start_copy(visit, c.medium)
    if request.method == "POST":
        return redirect(request.get_full_path())
    if clip.analysed is not None:
        corrections.get_ready()
    context = {
        "clip": clip, "reels": [_reel(visit, c) for c in shown], "beside": beside,
        "beside_key": _key(beside) if beside else "", "others": [(_key(o), _words(o)) for o in others],
        "title": f"Film {_words(clip)}", "films": _films(visit, clip), "points": film_page.points(clip),
        "advice": film_page.advice(clip), "charts": film_page.charts(visit, clip, beside),
        "ready": all(proxy_of(c.medium) for c in shown), "broken": broken,
        "corrections": len(mend.of(clip.analysed)), "undone": _undone(clip),
        "outdated": any(c.analysed and ride.outdated(visit, c.view, c.when, c.analysed) for c in shown),
    }  # fmt: skip
    return show(request, visit, "ride", context, template="film/page.html")


@require_safe
def data(request: HttpRequest, pk: int, view: str, when: str) -> JsonResponse:
    """What the script needs of one film."""
    visit = the_visit(pk)
    return JsonResponse(_data(visit, _spaced(view), when), headers={"Cache-Control": "no-store"})


@require_POST
def correct(request: HttpRequest, pk: int, view: str, when: str) -> HttpResponse:
    """Put a point right in one frame, take the last correction back or do it again; answers when that is done."""
    visit, typed = the_visit(pk), typed_of(request.POST)
    analysed = key_of(typed.get("analysed"))
    try:
        if typed.get("action") == "undo":
            told = corrections.take_back(visit, _spaced(view), when, analysed)
        elif typed.get("action") == "redo":
            told = corrections.do_again(visit, _spaced(view), when, analysed)
        else:
            told = corrections.correct(
                visit, _spaced(view), when, typed.get("name", ""), read_number(MOMENT, typed.get("t", "")),
                (read_number(PIXEL["u"], typed.get("u", "")), read_number(PIXEL["v"], typed.get("v", ""))),
                analysed,
            )  # fmt: skip
    except InputError as error:
        return JsonResponse(spoken({"problem": sentence(error)}), status=422)
    except Stopped:
        return JsonResponse(spoken({"problem": "Stopped. The points stay as they were."}), status=422)
    again = (f"The film {words}, is read again with it." for words in jobs.start_readings(visit))
    told = film_weak.labelled(told, sorted(film_weak.LABELS, key=len, reverse=True))
    return JsonResponse(spoken({"said": " ".join([told, *again])}))


def _data(visit: Visit, view: str, when: str) -> dict[str, Any]:
    clip = film_page.clip_at(visit, view, when)
    copied = proxy_of(clip.medium) is not None
    return film_page.data(clip) | {
        "copy": reverse("film_copy", args=[clip.medium.sha256]) if copied else None,
        "analysed": clip.analysed.pk if clip.analysed else 0, "corrections": len(mend.of(clip.analysed)),
        "undone": _undone(clip),
    }  # fmt: skip


def _undone(clip: ride.Clip) -> int:
    """How many corrections were taken back and can be done again."""
    return len(clip.analysed.inputs.get(mend.TAKEN_BACK, [])) if clip.analysed else 0


def _reel(visit: Visit, clip: ride.Clip) -> Reel:
    where = [visit.pk, clip.view.replace(" ", "-"), clip.when]
    sha = clip.medium.sha256
    proxy = proxy_of(clip.medium)
    size = proxy.table.size_px if proxy else film_page.upright_size(clip)
    return Reel(
        clip, _words(clip), reverse("film_data", args=where), reverse("still", args=[sha]),
        reverse("film_copy", args=[sha]) if proxy else "", size,
    )  # fmt: skip


def _films(visit: Visit, here: ride.Clip) -> list[dict[str, Any]]:
    return [
        {"words": _words(c), "here": c.label == here.label, "url": address(visit, c)}
        for c in ride.clips(visit)
    ]


def address(visit: Visit, clip: ride.Clip) -> str:
    """The film's page."""
    return reverse("film", args=[visit.pk, clip.view.replace(" ", "-"), clip.when])


def _words(clip: ride.Clip) -> str:
    return f"{VIEW_WORDS[clip.view]}, {WHEN_WORDS[clip.when]}"


def _key(clip: ride.Clip) -> str:
    return f"{clip.view.replace(' ', '-')}-{clip.when}"


def _spaced(view: str) -> str:
    """`side-right` of the address as the station says it."""
    return view.replace("-", " ")
