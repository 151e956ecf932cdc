"""The glossary."""

from __future__ import annotations

from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.views.decorators.http import require_safe

from fitwright.studio.glossary import CHAPTERS
from fitwright.web.views.shell import the_studio


@require_safe
def page(request: HttpRequest) -> HttpResponse:
    """All words by chapter."""
    return render(request, "glossary/page.html", {"studio": the_studio(), "chapters": CHAPTERS})
