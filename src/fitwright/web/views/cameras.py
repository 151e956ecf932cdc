"""A studio's measuring tools: the printed card's check bar, and cameras calibrated from several pictures."""

from __future__ import annotations

from typing import Any

from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse

from fitwright.errors import InputError
from fitwright.quantity import Z95, Measured
from fitwright.records.models import CameraProfile, Work
from fitwright.sheets.lens_drawing import residuals_svg
from fitwright.studio import cameras, film_cameras, jobs
from fitwright.studio.entry import Field, read_number, sentence
from fitwright.studio.work import ask_to_stop
from fitwright.vision.calibration import ADVISED, FEWEST
from fitwright.web.views.acting import acted, unknown_action
from fitwright.web.views.boxes import key_of, typed_of
from fitwright.web.views.shell import left_words, the_studio
from fitwright.web.views.uploads import take_all

BAR = Field("check_bar_mm", "Check bar", unit="mm", low=90, high=110)
SQUARE = Field("square_mm", "Side of a square", unit="mm", low=1, high=500)
BOARDS = {
    "card": "our scale card, both strips", "chessboard": "a chessboard", "charuco": "a ChArUco board",
}  # fmt: skip


def page(request: HttpRequest) -> HttpResponse:
    """Card and cameras; POST takes a check bar or pictures to calibrate from."""
    return acted(request, _page, _act)


def camera(request: HttpRequest, pk: int) -> HttpResponse:
    """One calibrated camera; POST leaves pictures out, takes them in again, or forgets it."""
    try:
        known = cameras.known_camera(pk)
    except CameraProfile.DoesNotExist:
        raise Http404("this camera was calibrated again or forgotten") from None
    problem = ""
    if request.method == "POST":
        action = request.POST.get("action", "")
        try:
            if action == "forget":
                cameras.forget(known)
                return redirect("cameras")
            if action != "leave_out":
                raise unknown_action(typed_of(request.POST))
            return redirect("camera", cameras.without(known, request.POST.getlist("out")).pk)
        except InputError as error:
            problem = sentence(error)
    found = known.calibration
    marked = found.outlier or found.worst
    out = {v.picture for v in found.left_out}
    pictures = {v.picture: v for v in (*found.views, *found.left_out)}
    rows = [
        {"name": n, "rms": found.by_picture.get(n), "tilt": v.tilt_deg, "out": n in out,
         "proposed": n == found.outlier}
        for n, v in pictures.items()
    ]  # fmt: skip
    context = {
        "studio": the_studio(), "known": known, "found": found, "rows": rows, "problem": problem,
        "drawing_svg": residuals_svg(found, marked),
        "terms": [(n, f"{m.value:.4f} ± {Z95 * m.u:.4f}".replace("-", "−")) for n, m in found.terms.items()],
    }  # fmt: skip
    return render(request, "cameras/camera.html", context, status=422 if problem else 200)


def _page(request: HttpRequest, extra: dict[str, Any] | None = None, status: int = 200) -> HttpResponse:
    work = Work.objects.filter(kind="camera")
    running = list(work.filter(state__in=("waiting", "running")))
    for one in running:
        one.left_words = left_words(one)  # type: ignore[attr-defined]
    newest = work.last()
    context = {
        "studio": the_studio(), "card": cameras.card_of_studio(), "bars": cameras.check_bars(),
        "known": cameras.known_cameras(), "running": running, "boards": BOARDS, "fewest": FEWEST, "advised": ADVISED,
        "films": [{"camera": c, "readout": _in_ms(c.readout())} for c in film_cameras.known()],
        "ended": newest if newest is not None and newest.state in ("failed", "stopped") else None,
    }  # fmt: skip
    return render(request, "cameras/page.html", context | (extra or {}), status=status)


def _act(request: HttpRequest, typed: dict[str, str]) -> HttpResponse:
    action = typed.get("action")
    if action == "bar":
        cameras.save_check_bar(read_number(BAR, typed.get("check_bar_mm", "")), typed.get("print_name", ""))
    elif action == "calibrate":
        board = _board(typed)
        jobs.start_calibration(take_all(request, "pictures", "photo"), board)
    elif action == "readout":
        text = typed.get("readout_ms", "").strip()
        film_cameras.state(typed.get("camera", ""), read_number(film_cameras.READOUT, text) if text else None)
    elif action == "stop":
        ask_to_stop(key_of(typed.get("work")), kind="camera")
    else:
        raise unknown_action(typed)
    place = {"bar": "card", "readout": "readouts"}.get(str(action), "cameras")
    return redirect(f"{reverse('cameras')}#{place}")


def _in_ms(readout: Measured | None) -> Measured | None:
    return None if readout is None else Measured(1e3 * readout.value, 1e3 * readout.u, "ms", readout.method)


def _board(typed: dict[str, str]) -> dict[str, Any]:
    """The board as stated, checked before pictures are kept."""
    board: dict[str, Any] = {"kind": typed.get("board", "card")}
    if board["kind"] != "card":
        board["squares"] = typed.get("squares", "")[:20]
        board["square_mm"] = read_number(SQUARE, typed.get("square_mm", ""))
    if board["kind"] == "charuco":
        board["dictionary"] = typed.get("dictionary", "").strip()[:40]
        board["marker_mm"] = (
            read_number(Field("marker_mm", "Side of a marker", unit="mm", low=0.5, high=500), typed["marker_mm"])
            if typed.get("marker_mm", "").strip() else None
        )  # fmt: skip
    cameras.described(board)
    return board
