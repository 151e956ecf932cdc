"""The door for phones: a token opens it, and what is behind it says nothing of the rider.

The first phone that opens a code is given a cookie for that code's address; other phones are sent back to the bench.

These views take no part in the CSRF check on purpose: there is no session, and the cookie alone opens nothing.
Whoever can form a request holds the token already, and without it a foreign page cannot name the address.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import wraps
from typing import Any, Concatenate, ParamSpec

from django.core.cache import cache
from django.http import HttpRequest, HttpResponse, JsonResponse
from django.shortcuts import render
from django.urls import reverse
from django.views.decorators.csrf import csrf_exempt

from fitwright.records.models import PhoneLink
from fitwright.studio import phone
from fitwright.told import told
from fitwright.web.views.shell import the_studio

P = ParamSpec("P")
WRONG_MOST, WRONG_WINDOW_S = 20, 600
"""Wrong tokens that one address may try, and for how long it then waits (our choice; a token has 128 bits)."""
UNKNOWN = "This address opens nothing here. Take the code from the bench again."
OVER = "This code has ended. Ask for a new one at the bench."
TAKEN = "Another phone has this code. Ask at the bench for a new one, or to let this phone in instead."
COOKIE_S = 13 * 3600
TOO_OFTEN = "Too many wrong addresses came from here. Wait ten minutes, then take the code again."


def behind_token(
    view: Callable[Concatenate[HttpRequest, PhoneLink, P], HttpResponse],
) -> Callable[..., HttpResponse]:
    """The view for the link that the token opens; closed or unknown ones get a sentence."""

    @csrf_exempt
    @wraps(view)
    def opened(request: HttpRequest, token: str, *args: P.args, **kwargs: P.kwargs) -> HttpResponse:
        link, status, words = _try(request, token)
        secret: str | None = ""
        if link is not None and request.method != "HEAD" and phone.is_open(link):
            secret = phone.meet(link, request.COOKIES.get(_cookie(link), ""))
            link, status, words = (None, 403, TAKEN) if secret is None else (link, status, words)
        response = refused(request, status, words) if link is None else view(request, link, *args, **kwargs)
        if link is not None and secret and secret != request.COOKIES.get(_cookie(link)):
            response.set_cookie(
                _cookie(link), secret, max_age=COOKIE_S, path=reverse("phone", args=[token]), httponly=True,
                samesite="Lax", secure=request.is_secure(),
            )  # fmt: skip
        response["Cache-Control"] = "no-store"
        response["Referrer-Policy"] = "no-referrer"
        response["X-Robots-Tag"] = "noindex"
        return response

    return opened


def refused(request: HttpRequest, status: int, words: str, **more: Any) -> HttpResponse:
    """A sentence, as a page or as JSON for the script of the page."""
    if request.path.rstrip("/").count("/") > 2:  # /phone/<token>/files…
        return JsonResponse({"error": told(words), **more}, status=status)
    return render(request, "phone/ended.html", {"studio": the_studio(), "words": words}, status=status)


def _cookie(link: PhoneLink) -> str:
    return f"phone-{link.pk}"


def _try(request: HttpRequest, token: str) -> tuple[PhoneLink | None, int, str]:
    """The link, or a status and a sentence; wrong tokens are counted by address."""
    key = f"wrong phone token from {request.META.get('REMOTE_ADDR', '')}".replace(" ", "-")
    if (cache.get(key) or 0) >= WRONG_MOST:
        return None, 429, TOO_OFTEN
    link = phone.link_of(token)
    if link is None:
        cache.set(key, (cache.get(key) or 0) + 1, WRONG_WINDOW_S)
        return None, 404, UNKNOWN
    return (None, 410, OVER) if link.closed else (link, 200, "")
