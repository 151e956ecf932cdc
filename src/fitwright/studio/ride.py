"""Ride: films and marker files of a visit → what the body does by crank angle, kept with its film and marks."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import datetime
from functools import lru_cache
from pathlib import Path
from typing import Any

from django.db import transaction

from fitwright.errors import InputError, check_range
from fitwright.motion.ride import RideResult
from fitwright.quantity import Measured
from fitwright.records.media import path_of, refer_to
from fitwright.records.models import Analysis, Answer, Medium, Visit
from fitwright.studio import bike, film_cameras, mend, surroundings
from fitwright.studio.entry import Field
from fitwright.studio.feet.film_points import shoe_line
from fitwright.studio.film import FilmResult, Marks, analyse_clip, read_tracks, scene_and_followed, with_card
from fitwright.studio.film_weak import in_page_words
from fitwright.studio.markers import MarkerResult, analyse_markers
from fitwright.studio.visits import analyse, analyses, analysis, answer, answers
from fitwright.vision.tracks import Tracks
from fitwright.vision.video import probe

STATION = "ride"
VIEWS = {"side right": ("side", "right"), "side left": ("side", "left"), "front": ("front", None)}
MOMENTS = ("before", "after")
VIEW_WORDS = {"side right": "from the right", "side left": "from the left", "front": "from the front"}
WHEN_WORDS = {"before": "as it came", "after": "after the change"}
MARKERS = "markers"
CAMERA = Field("camera_mm", "Lens to bottom bracket", unit="mm", low=800, high=20000)
Progress = Callable[[float, str], None]


@dataclass(frozen=True)
class Clip:
    """One film of the visit with what is known of it; `ride` is None until its points are marked and followed.

    `marks` were picked in this very film; `others_marks` in another one that lay at its place: a start at best.
    """

    view: str
    when: str
    medium: Medium
    marks: Mapping[str, Any] | None
    ride: RideResult | None
    analysed: Analysis | None
    others_marks: Mapping[str, Any] | None = None

    @property
    def label(self) -> str:
        """`side right, before`."""
        return f"{self.view}, {self.when}"


def check_place(view: str, when: str) -> None:
    """Raise InputError unless this is a view and a moment of the station."""
    if view not in VIEWS:
        raise InputError("view", "unknown", value=view, allowed=", ".join(VIEWS))
    if when not in MOMENTS:
        raise InputError("when", "unknown", value=when, allowed=", ".join(MOMENTS))


def save_film(visit: Visit, medium: Medium, view: str, when: str, camera_mm: float | None = None) -> None:
    """Lay a film at its place; `camera_mm` is the tape's distance from the lens to the bottom bracket."""
    check_place(view, when)
    if camera_mm is not None:
        check_range(CAMERA.name, camera_mm, CAMERA.low, CAMERA.high, CAMERA.unit, f"{CAMERA.label}, by tape")
    answer(visit, STATION, f"film {view} {when}", {"sha256": medium.sha256, "camera_mm": camera_mm})


def save_marks(
    visit: Visit, view: str, when: str, marks: Mapping[str, Any], medium: Medium | None = None
) -> None:
    """Keep the points that were marked in a film (checked for names and numbers), and in which one.

    Args:
        medium: the film they were picked in; the one that lies at the place when not given.
    """
    check_place(view, when)
    Marks.from_json(marks)
    laid = answers(visit, STATION).get(f"film {view} {when}") or {}
    picked_in = medium.sha256 if medium is not None else laid.get("sha256")
    answer(visit, STATION, f"marks {view} {when}", {**marks, "sha256": picked_in})


def marks_in(visit: Visit, view: str, when: str, sha256: str) -> Mapping[str, Any] | None:
    """The points that were picked in the film with this digest, the latest; those of any other film never."""
    key = f"marks {view} {when}"
    said = answers(visit, STATION).get(key)
    if said is None or said.get("sha256") == sha256:
        return said
    earlier = Answer.objects.filter(visit=visit, station=STATION, key=key, value__sha256=sha256)
    found = earlier.order_by("created_at", "pk").last()
    return found.value if found else None


def clips(visit: Visit) -> tuple[Clip, ...]:
    """All films of the visit, before first."""
    said = answers(visit, STATION)
    places = [(v, w) for w in MOMENTS for v in VIEWS if said.get(f"film {v} {w}") is not None]
    digests = {said[f"film {v} {w}"]["sha256"] for v, w in places}
    media = Medium.objects.in_bulk(digests, field_name="sha256") if digests else {}
    found = []
    for view, when in places:
        medium = media[said[f"film {view} {when}"]["sha256"]]
        row = analysis(visit, "ride", f"{view} {when}")
        fresh = row is not None and row.medium_id == medium.pk
        ride = ride_of(visit, view, when) if fresh else None
        marks = marks_in(visit, view, when, medium.sha256)
        others = said.get(f"marks {view} {when}") if marks is None else None
        found.append(Clip(view, when, medium, marks, ride, row if fresh else None, others))
    return tuple(found)


def ride_of(visit: Visit, view: str, when: str) -> RideResult | None:
    """The analysed ride of one view and moment."""
    return rides_by_label(visit).get(f"{view} {when}")


def rides_by_label(visit: Visit) -> dict[str, RideResult]:
    """The current rides on record, by label ("side right before", `MARKERS`)."""
    rows = {label: row for (kind, label), row in analyses(visit).items() if kind == "ride"}
    return {label: _parsed(row.pk, row.created_at) for label, row in rows.items()}


@lru_cache(maxsize=64)
def _parsed(pk: int, created_at: datetime) -> RideResult:
    """A ride from its row: such rows are never overwritten, so that one reading of the curves is enough."""
    return RideResult.from_json(Analysis.objects.get(pk=pk, created_at=created_at).result["ride"])


def film_and_marks(visit: Visit, view: str, when: str) -> tuple[Mapping[str, Any], Mapping[str, Any]]:
    """What is laid at a place and the points that were marked in it: what following needs.

    Raises InputError when there is no film, or none of its points are marked.
    """
    check_place(view, when)
    film = answers(visit, STATION).get(f"film {view} {when}")
    here = f"{VIEW_WORDS[view]}, {WHEN_WORDS[when]}"
    if film is None:
        raise InputError("Film", f"there is none {here}", hint="Add it at the Ride station")
    marks = marks_in(visit, view, when, film["sha256"])
    if marks is None:
        raise InputError("Points", f"none are marked in the film {here}", hint="Mark them once")
    return film, marks


def check_marks(medium: Medium, view: str, marks: Mapping[str, Any]) -> None:
    """Raise InputError unless these marks can be those of this film."""
    Marks.from_json(marks).checked(VIEWS[view][0], probe(path_of(medium)))


def analyse_film(visit: Visit, view: str, when: str, progress: Progress | None = None) -> RideResult:
    """Follow the marked points through the film and keep the ride.

    Raises InputError when film, marks or crank length are missing, or the film cannot be used.
    """
    film, marks = film_and_marks(visit, view, when)
    medium, camera_mm = Medium.objects.get(sha256=film["sha256"]), film.get("camera_mm")
    before = marks.get("around", {}).get("readout_ms", film_cameras.readout_for(medium))
    try:
        result = _follow(visit, medium, view, when, marks, camera_mm, progress)
    except InputError as error:
        raise in_page_words(error) from error
    film_cameras.learn(medium, result.ride.quality["camera"], before)
    given = read_with(visit, view, when, marks, camera_mm)
    wanted = mend.known_of(visit, f"{view} {when}", medium)
    followed = (
        Tracks.from_json(result.followed.to_json()) if wanted else result.followed
    )  # as it was put right
    mended = mend.lay_again(path_of(medium), followed, wanted, marks.get("guessed", ()))
    results = [result] if not wanted else [read(visit, view, when, given, tracks) for tracks in mended.tracks]
    with transaction.atomic():  # one row for each correction, so that each can be taken back
        for n, one in enumerate(results):
            inputs = given | {mend.DONE: list(mended.done[:n]), mend.WAITING: list(mended.waiting)}
            analyse(visit, "ride", f"{view} {when}", one.to_json(), medium=medium, inputs=inputs)
    return results[-1].ride


def _follow(
    visit: Visit, medium: Medium, view: str, when: str, marks: Mapping[str, Any],
    camera_mm: float | None, progress: Progress | None,
) -> FilmResult:  # fmt: skip
    around = marks.get("around", {})
    return analyse_clip(
        path_of(medium), marks=Marks.from_json(marks), progress=progress, card_depth_mm=around.get("card_depth_mm"),
        **how_read(visit, view, when, camera_mm, around),
    )  # fmt: skip


def how_read(
    visit: Visit, view: str, when: str, camera_mm: float | None, around: Mapping[str, Any] | None = None
) -> dict[str, Any]:
    """What a film is read with: the arguments that `analyse_clip` and `read_tracks` share.

    `around`: the numbers of `surroundings.FIELDS` that were typed where the points were marked.
    """
    kind, side = VIEWS[view]
    row, typed = depth_from(visit, view, when), around or {}
    return {
        "view": kind, "side": side, "crank_mm": crank_mm(visit), "camera_mm": camera_mm,
        "twin": _parsed(row.pk, row.created_at) if row else None, "shoe_line": shoe_line(visit),
        "readout_ms": typed.get("readout_ms", _readout(visit, view, when)),
        "scene": surroundings.scene_of(visit, side, typed),
    }  # fmt: skip


def _readout(visit: Visit, view: str, when: str) -> Measured | float | None:
    """What the studio knows of the readout of the camera that filmed this."""
    laid = answers(visit, STATION).get(f"film {view} {when}")
    medium = Medium.objects.filter(sha256=laid["sha256"]).first() if laid else None
    return film_cameras.readout_for(medium) if medium is not None else None


def depth_from(visit: Visit, view: str, when: str) -> Analysis | None:
    """The side film's analysis that tells a front film how far back the knees are."""
    if VIEWS[view][0] != "front":
        return None
    return analysis(visit, "ride", f"side right {when}") or analysis(visit, "ride", f"side left {when}")


def read_with(
    visit: Visit, view: str, when: str, marks: Mapping[str, Any], camera_mm: float | None
) -> dict[str, Any]:
    """The same as the record keeps it with an analysis."""
    row = depth_from(visit, view, when)
    return {
        "marks": marks, "camera_mm": camera_mm, "crank_mm": crank_mm(visit), "depth_from": row.pk if row else None,
        "shoe_line_mm": {s: m.value for s, m in shoe_line(visit).items()},
    }  # fmt: skip


def read(visit: Visit, view: str, when: str, given: Mapping[str, Any], tracks: Tracks) -> FilmResult:
    """Points that were followed, read as the visit is now; `given`: marks and camera of `read_with`."""
    marks = given["marks"]
    around = marks.get("around", {})
    how = how_read(visit, view, when, given.get("camera_mm"), around)
    picked = Marks.from_json(marks)
    scene, _ = scene_and_followed(picked, how["scene"])
    depth_mm = around.get("card_depth_mm")
    if depth_mm is not None:
        film = path_of(Medium.objects.get(sha256=marks["sha256"]))
        scene = with_card(scene, film, marks["time_s"], tracks.info, how["side"], depth_mm)
    return read_tracks(
        tracks, **(how | {"scene": scene, "guessed": picked.guessed, "origins": picked.origins})
    )


def read_again(visit: Visit, view: str, when: str) -> bool:
    """Read a film's points anew, without following them, where the side film that it takes depth from is another by
    now; says whether it was needed."""
    row = analysis(visit, "ride", f"{view} {when}")
    if row is None or not outdated(visit, view, when, row):
        return False
    given = read_with(visit, view, when, row.inputs["marks"], row.inputs.get("camera_mm"))
    result = read(visit, view, when, given, Tracks.from_json(row.result["tracks"]))
    analyse(visit, "ride", row.label, result.to_json(), medium=row.medium, inputs=row.inputs | given)
    return True


def outdated(visit: Visit, view: str, when: str, row: Analysis) -> bool:
    """Whether a film was read with a side film as it is no longer."""
    side = depth_from(visit, view, when)
    if side is None or "marks" not in row.inputs:
        return False
    if "depth_from" not in row.inputs:  # an older record
        return bool(side.created_at > row.created_at)
    return bool(row.inputs["depth_from"] != side.pk)


def crank_mm(visit: Visit) -> float:
    """Crank length from the Bike station."""
    known = bike.contact_measured(visit).get("crank_mm")
    if known is None:
        raise InputError("Crank length", "is not known yet", hint="Enter it at the Bike station")
    return known.value


def import_markers(visit: Visit, path: Path, static: Path | None = None) -> MarkerResult:
    """Read a marker file that stays where it is; only its digest, address and results are kept."""
    result = analyse_markers(path, static)
    kept = result.to_json() | {"ride": result.ride.to_json()}
    analyse(visit, "ride", MARKERS, kept, medium=refer_to(path, "markers"))
    return result
