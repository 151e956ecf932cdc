"""Addresses of the workbench."""

from __future__ import annotations

from django.urls import path, register_converter
from django.views.generic import RedirectView
from django.views.i18n import set_language

from fitwright.records.models import STATIONS
from fitwright.web import errors, units
from fitwright.web.views import (
    bands,
    bike,
    body,
    bolt,
    cameras,
    care,
    film,
    followups,
    front,
    glossary,
    handover,
    house,
    intake,
    landmarks,
    media,
    people,
    phone,
    phone_files,
    plan,
    printers,
    ride,
    ride_files,
    rider_view,
    still,
    visit,
)
from fitwright.web.views import hardware as catalogue
from fitwright.web.views.feet import aid, check, clearance, hardware, marks, overview, pick, setting


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
    path("studio/cautions", care.page, name="care"),
    path("studio/people", people.page, name="people"),
    path("language", set_language, name="set_language"),
    path("lengths", units.choose, name="lengths"),
    path("", front.front, name="front"),
    path("riders/new", front.rider_new, name="rider_new"),
    path("riders/<int:pk>", front.rider, name="rider"),
    path("riders/<int:pk>/compare", front.compare, name="compare"),
    path("riders/<int:pk>/visits", front.visit_new, name="visit_new"),
    path("studio/", house.page, name="house"),
    path("words", glossary.page, name="glossary"),
    path("follow-ups", followups.page, name="follow_ups"),
    path("follow-ups.ics", followups.calendar, name="calendar"),
    path("studio/hardware", catalogue.page, name="catalogue"),
    path("studio/bands", bands.page, name="bands"),
    path("studio/landmarks", landmarks.page, name="landmarks"),
    path("visits/<int:pk>/", visit.page, name="visit"),
    path("visits/<int:pk>/value/<str:name>", visit.value, name="value"),
    path("visits/<int:pk>/undo", visit.again, name="undo"),
    path("visits/<int:pk>/work", visit.work, name="work"),
    path("visits/<int:pk>/stop/<int:work_pk>", visit.stop, name="work_stop"),
    path("visits/<int:pk>/intake", intake.page, name="intake"),
    path("visits/<int:pk>/body", body.page, name="body"),
    path("visits/<int:pk>/body/hang/<int:medium_pk>", body.pick, name="body_hang"),
    path("visits/<int:pk>/feet", overview.page, name="feet"),
    path("visits/<int:pk>/feet/pick/<int:medium_pk>", pick.page, name="feet_pick"),
    path("visits/<int:pk>/feet/proposals/<int:medium_pk>", pick.proposed, name="feet_proposals"),
    path("visits/<int:pk>/feet/snap/<int:medium_pk>", pick.snapped, name="feet_snap"),
    path("visits/<int:pk>/feet/marks", marks.page, name="feet_marks"),
    path("visits/<int:pk>/feet/marks/pick/<int:medium_pk>", marks.pick, name="feet_marks_pick"),
    path("visits/<int:pk>/feet/hardware", hardware.page, name="feet_hardware"),
    path("visits/<int:pk>/feet/setting", setting.page, name="feet_setting"),
    path("visits/<int:pk>/feet/clearance", clearance.page, name="feet_clearance"),
    path("visits/<int:pk>/feet/aid", aid.page, name="feet_aid"),
    path("visits/<int:pk>/feet/check", check.page, name="feet_check"),
    path("visits/<int:pk>/bike", bike.page, name="bike"),
    path("visits/<int:pk>/ride", ride.page, name="ride"),
    path("visits/<int:pk>/ride/mark/<int:medium_pk>", ride.mark, name="ride_mark"),
    path("visits/<int:pk>/ride/found/<int:medium_pk>", ride.found, name="ride_found"),
    path("visits/<int:pk>/ride/box/<int:medium_pk>", ride.box, name="ride_box"),
    path("visits/<int:pk>/ride/guessed/<int:medium_pk>", ride.guessed, name="ride_guessed"),
    path("visits/<int:pk>/ride/still/<int:medium_pk>", still.page, name="ride_still"),
    path("visits/<int:pk>/ride/still/<int:medium_pk>/found", still.found, name="ride_still_found"),
    path("visits/<int:pk>/ride/map/<int:medium_pk>", ride_files.columns, name="ride_map"),
    path("visits/<int:pk>/ride/export", ride_files.export, name="ride_export"),
    path("visits/<int:pk>/ride/smoothing", ride_files.smoothing, name="ride_smoothing"),
    path("visits/<int:pk>/ride/film/<slug:view>/<slug:when>", film.page, name="film"),
    path("visits/<int:pk>/ride/film/<slug:view>/<slug:when>/data", film.data, name="film_data"),
    path("visits/<int:pk>/ride/film/<slug:view>/<slug:when>/correct", film.correct, name="film_correct"),
    path("visits/<int:pk>/plan", plan.page, name="plan"),
    path("visits/<int:pk>/plan/bolt", bolt.page, name="bolt"),
    path("visits/<int:pk>/plan/bolt/room", bolt.room, name="bolt_room"),
    path("visits/<int:pk>/handover", handover.page, name="handover"),
    path("visits/<int:pk>/second-screen", rider_view.page, name="second_screen"),
    path("visits/<int:pk>/documents/<slug:name>.pdf", handover.document, name="document"),
    path("visits/<int:pk>/documents/<slug:name>", handover.preview, name="preview"),
    path("visits/<int:pk>/data/<str:name>", handover.data, name="visit_data"),
    path("printers", printers.page, name="printers"),
    path("printers/check.pdf", printers.check_page, name="printer_check"),
    path("scale-card.pdf", overview.scale_card, name="scale_card"),
    path("studio/cameras", cameras.page, name="cameras"),
    path("studio/cameras/<int:pk>", cameras.camera, name="camera"),
    path("visits/<int:pk>/phone/<slug:station>", phone.bench, name="phone_bench"),
    path("phone/<str:token>", phone.page, name="phone"),
    path("phone/<str:token>/files", phone_files.announce, name="phone_files"),
    path("phone/<str:token>/files/<int:pk>", phone_files.piece, name="phone_file"),
    path("phone/<str:token>/files/<int:pk>/cancel", phone_files.cancel, name="phone_cancel"),
    path("media/<digest:sha256>", media.medium, name="medium"),
    path("media/<digest:sha256>/copy", media.film_copy, name="film_copy"),
    path("media/<digest:sha256>/frame", media.still, name="still"),
]
# A station's address with a slash at its end leads to the one without.
urlpatterns += [
    path(f"visits/<int:pk>/{name}/", RedirectView.as_view(pattern_name=name)) for name in STATIONS
]

handler400 = errors.bad_request
handler403 = errors.forbidden
handler404 = errors.not_found
handler500 = errors.failed
