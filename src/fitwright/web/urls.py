"""Addresses of the workbench."""

from __future__ import annotations

from django.urls import path, register_converter

from fitwright.web import errors
from fitwright.web.views import bike, body, front, intake, media, visit


class Digest:
    """A SHA-256 in lower-case hex."""

    regex = "[0-9a-f]{64}"

    def to_python(self, value: str) -> str:
        """As it is."""
        return value

    def to_url(self, value: str) -> str:
        """As it is."""
        return value


register_converter(Digest, "digest")

urlpatterns = [
    path("", front.front, name="front"),
    path("riders/new", front.rider_new, name="rider_new"),
    path("riders/<int:pk>", front.rider, name="rider"),
    path("riders/<int:pk>/visits", front.visit_new, name="visit_new"),
    path("visits/<int:pk>/", visit.page, name="visit"),
    path("visits/<int:pk>/work", visit.work, name="work"),
    path("visits/<int:pk>/work/<int:work_pk>/stop", visit.stop, name="work_stop"),
    path("visits/<int:pk>/intake", intake.page, name="intake"),
    path("visits/<int:pk>/body", body.page, name="body"),
    path("visits/<int:pk>/bike", bike.page, name="bike"),
    path("media/<digest:sha256>", media.medium, name="medium"),
]
for station in ("feet", "ride", "plan", "handover"):
    urlpatterns.append(path(f"visits/<int:pk>/{station}", visit.page, name=station))

handler400 = errors.bad_request
handler403 = errors.forbidden
handler404 = errors.not_found
handler500 = errors.failed
