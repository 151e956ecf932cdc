"""A point put right in one frame: followed again from there both ways, the ride read anew, the older result kept.

A guess that is put right is confirmed by it; taken back, it is a guess again.
"""

from __future__ import annotations

from functools import lru_cache
from threading import Thread

from fitwright.errors import InputError
from fitwright.records.media import path_of
from fitwright.records.models import Analysis, Visit
from fitwright.studio import mend, ride
from fitwright.studio.mend import of
from fitwright.studio.visits import analyse, analysis, hold
from fitwright.studio.work import working
from fitwright.vision.repair import rehearse
from fitwright.vision.tracks import Tracks


@lru_cache(maxsize=1)
def get_ready() -> Thread:
    """Load what following needs, once in a process and beside other work: a film's page was opened."""
    thread = Thread(target=rehearse, name="rehearsal", daemon=True)
    thread.start()
    return thread


def correct(
    visit: Visit, view: str, when: str, name: str, time_s: float, uv_px: tuple[float, float], analysed: int
) -> str:
    """Follow the point again from here, both ways, as far as it was not well followed; says what changed.

    Args:
        name: of the point. time_s: of the frame. uv_px: where it is there, pixels of the upright picture.
        analysed: key of the result that the correction was made on.

    Raises:
        InputError: no such point or place, or the film was read anew meanwhile. Stopped: stopped by the user.
    """
    hold(visit)
    row = _current(visit, view, when, analysed)
    old = Tracks.from_json(row.result["tracks"])
    if name not in old.names:
        raise InputError("name", "is not a point of this film", value=name[:40], allowed=", ".join(old.names))
    width, height = old.info.upright_size_px
    if not (0 <= uv_px[0] <= width - 1 and 0 <= uv_px[1] <= height - 1):
        raise InputError(name, "outside the picture", value=f"{uv_px[0]:g}, {uv_px[1]:g}",
                         allowed=f"across 0 to {width - 1}, down 0 to {height - 1} px")  # fmt: skip
    guessed = name in row.inputs["marks"].get("guessed", ()) and not any(c["name"] == name for c in of(row))
    assert row.medium is not None
    done = {"name": name, "time_s": time_s, "uv_px": list(uv_px)}
    with working("repair", f"Following {name.replace('_', ' ')} again, {view}, {when}", visit) as tell:
        new = mend.put_right(
            path_of(row.medium), old, done, lambda share: tell(0.6 * share, "following it again"),
            row.inputs["marks"].get("guessed", ()),
        )  # fmt: skip
        tell(0.6, "reading the turns")
        given = ride.read_with(visit, view, when, row.inputs["marks"], row.inputs.get("camera_mm"))
        result = ride.read(visit, view, when, given, new)
        _same(_newest(visit, row.label), analysed)  # nobody was faster
        analyse(visit, "ride", row.label, result.to_json(), medium=row.medium,
                inputs=row.inputs | given | {mend.DONE: [*of(row), done], mend.TAKEN_BACK: []})  # fmt: skip
    return f"{new.notes[-1]} {_beneath(new.kind[new.names.index(name)])}" if guessed else new.notes[-1]


def _beneath(kind: str) -> str:
    """What was found where a hand put a point that had only been guessed."""
    if kind == "disc":
        return "A disc was found under it and is followed."
    return "No disc was found under it: the cloth or skin there is followed, which is less sure."


def take_back(visit: Visit, view: str, when: str, analysed: int) -> str:
    """Go back to the result before the last correction; both stay on record."""
    row = _current(visit, view, when, analysed)
    wanted = of(row)[:-1]
    if not of(row):
        raise InputError("correction", "there is none to take back")
    older: Analysis | None = row
    while older is not None and (of(older) != wanted or older.medium != row.medium):
        older = older.replaces
    if older is None:
        raise InputError(
            "correction", "the result before it is not on record", hint="Follow the points again"
        )
    undone = [*row.inputs.get(mend.TAKEN_BACK, []), row.pk]
    inputs = older.inputs | {mend.TAKEN_BACK: undone}
    analyse(visit, "ride", row.label, older.result, medium=row.medium, inputs=inputs)
    return f"The correction of {of(row)[-1]['name']} is taken back."


def do_again(visit: Visit, view: str, when: str, analysed: int) -> str:
    """Go forward to the result that was taken back last, until something else was corrected or followed."""
    row = _current(visit, view, when, analysed)
    undone = row.inputs.get(mend.TAKEN_BACK, [])
    if not undone:
        raise InputError("correction", "there is none to do again")
    newer = Analysis.objects.get(pk=undone[-1], visit=visit, kind="ride", label=row.label)
    inputs = newer.inputs | {mend.TAKEN_BACK: undone[:-1]}
    analyse(visit, "ride", row.label, newer.result, medium=row.medium, inputs=inputs)
    return f"The correction of {of(newer)[-1]['name']} is done again."


def _current(visit: Visit, view: str, when: str, analysed: int) -> Analysis:
    ride.check_place(view, when)
    row = analysis(visit, "ride", f"{view} {when}")
    if row is None or not row.result.get("tracks", {}).get("time_s"):
        raise InputError("film", "its points have not been followed yet", hint="Mark them and follow them")
    _same(row.pk, analysed)
    return row


def _newest(visit: Visit, label: str) -> int | None:
    """Key of the film's current result, whatever was read before."""
    rows = Analysis.objects.current().filter(visit=visit, kind="ride", label=label)
    newest: int | None = rows.values_list("pk", flat=True).last()
    return newest


def _same(pk: int | None, analysed: int) -> None:
    """Refuse to build on a result that is no longer the current one."""
    if pk != analysed:
        raise InputError("film", "was read anew since this page was shown",
                         hint="Nothing of yours was lost: reload the page and correct it again")  # fmt: skip
