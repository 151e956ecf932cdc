"""A point put right in one frame: followed again from there both ways, the ride read anew, the older result kept."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np

from fitwright.errors import InputError
from fitwright.records.media import path_of
from fitwright.records.models import Analysis, Visit
from fitwright.studio import ride
from fitwright.studio.film import Marks, read_tracks, scene_and_followed
from fitwright.studio.visits import analyse, analysis
from fitwright.studio.work import working
from fitwright.vision.repair import repair
from fitwright.vision.scene import Scene
from fitwright.vision.tracks import SELDOM, Tracks, seldom_seen
from fitwright.vision.video import to_sensor


def of(row: Analysis | None) -> list[dict[str, Any]]:
    """The corrections that went into an analysis, oldest first: name, time_s, uv_px (upright)."""
    return list((row.inputs if row else {}).get("corrections", []))


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
    row = _current(visit, view, when, analysed)
    old = Tracks.from_json(row.result["tracks"])
    if name not in old.names:
        raise InputError("name", "is not a point of this film", value=name[:40], allowed=", ".join(old.names))
    width, height = old.info.upright_size_px
    if not (0 <= uv_px[0] <= width - 1 and 0 <= uv_px[1] <= height - 1):
        raise InputError(name, "outside the picture", value=f"{uv_px[0]:g}, {uv_px[1]:g}",
                         allowed=f"across 0 to {width - 1}, down 0 to {height - 1} px")  # fmt: skip
    assert row.medium is not None
    with working("repair", f"Following {name.replace('_', ' ')} again, {view}, {when}", visit) as tell:
        place = to_sensor(np.array(uv_px, dtype=np.float64), old.info)
        new = repair(
            path_of(row.medium),
            old,
            name,
            time_s,
            place,
            lambda share: tell(0.6 * share, "following it again"),
        )
        followed = new.notes[-1]
        lasting = (n for n in new.notes if SELDOM not in n)
        new = replace(new, notes=(*seldom_seen(new.quality), *lasting))
        tell(0.6, "reading the turns")
        known = ride.how_read(visit, view, when, row.inputs.get("camera_mm"))
        scene, _ = scene_and_followed(Marks.from_json(row.inputs["marks"]), Scene())
        result = read_tracks(new, **known, scene=scene)
        done = {"name": name, "time_s": time_s, "uv_px": list(uv_px)}
        analyse(visit, "ride", row.label, result.to_json(), medium=row.medium,
                inputs=row.inputs | {"corrections": [*of(row), done]})  # fmt: skip
    return followed


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
    analyse(visit, "ride", row.label, older.result, medium=row.medium, inputs=older.inputs)
    return f"The correction of {of(row)[-1]['name'].replace('_', ' ')} is taken back."


def _current(visit: Visit, view: str, when: str, analysed: int) -> Analysis:
    ride.check_place(view, when)
    row = analysis(visit, "ride", f"{view} {when}")
    if row is None or not row.result.get("tracks", {}).get("time_s"):
        raise InputError("film", "its points have not been followed yet", hint="Mark them and follow them")
    if row.pk != analysed:
        raise InputError("film", "was read anew since this page was shown",
                         hint="Nothing of yours was lost: reload the page and correct it again")  # fmt: skip
    return row
