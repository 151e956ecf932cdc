"""What is weak in a film that was followed, and what to do: the same words on the page and from the command."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np

from fitwright.errors import InputError
from fitwright.motion import weak
from fitwright.motion.ride import RideResult
from fitwright.quantity import Floats
from fitwright.studio import picks
from fitwright.vision.proxy import burnt_share
from fitwright.vision.video import pictures

LABELS = {p.name: p.label for p in (*picks.SIDE_FILM, *picks.FRONT_FILM)}


def spells_in(read: Mapping[str, Any]) -> tuple[weak.Spell, ...]:
    """Weak spells of a film; `read` is the record of its analysis (`FilmResult.to_json`)."""
    tracks = read["tracks"]
    count = len(tracks["time_s"])
    uv = {n: np.column_stack([floats(p["u"]), floats(p["v"])]) for n, p in tracks["points"].items()}
    u_px = {n: floats(p["u_px"]) for n, p in tracks["points"].items()}
    theta = floats(read.get("theta_deg") or [None] * count)
    return weak.weak_spells(weak.Followed(np.array(tracks["time_s"]), uv, u_px, theta, size_of(tracks)))


def advice_on(
    ride: RideResult, read: Mapping[str, Any], spells: tuple[weak.Spell, ...], burnt: float | None
) -> tuple[str, ...]:
    """The ride's own notes, then what the picture shows, with the points called as the page calls them.

    Args:
        read: the record of its analysis. burnt: share of the picture that is burnt out, where it is known.
    """
    tracks, theta = read["tracks"], read.get("theta_deg")
    times = np.array(tracks["time_s"])
    rate = 1.0 / float(np.median(np.diff(times)))
    turned = floats(theta) if theta else None
    seen = weak.advice(spells, times, ride.cadence_rpm.value, rate, burnt, turned)
    names = sorted(tracks["points"], key=len, reverse=True)
    told = (labelled(words, names) for words in (*ride.notes, *seen))
    return tuple(words[:1].upper() + words[1:] for words in told)


def advice_in(video: Path, at_s: float, ride: RideResult, read: Mapping[str, Any]) -> tuple[str, ...]:
    """The same straight from a film: the light is looked at in the frame at `at_s`."""
    _, frame = next(pictures(video, at_s), (0.0, None))
    burnt = None if frame is None else burnt_share(frame)
    return advice_on(ride, read, spells_in(read), burnt)


def labelled(words: str, names: Sequence[str]) -> str:
    """A note with the points called as the page calls them; longer names first."""
    for name in names:
        said = LABELS.get(name, name.replace("_", " "))
        words = words.replace(name, said) if "_" in name else words.replace(f"{name}: ", f"{said}: ")
    return words


def in_page_words(error: InputError) -> InputError:
    """The same with the points called as the page calls them."""
    names = sorted(LABELS, key=len, reverse=True)
    field, problem = LABELS.get(error.field, error.field), labelled(error.problem, names)
    hint = labelled(error.hint, names)
    return InputError(
        field, problem, value=error.value, allowed=error.allowed, hint=hint[:1].upper() + hint[1:]
    )


def size_of(tracks: Mapping[str, Any]) -> tuple[int, int]:
    """Upright picture of the film, px."""
    clip = tracks["clip"]
    w, h = int(clip["width_px"]), int(clip["height_px"])
    return (h, w) if clip["rotation_deg"] in (90, 270) else (w, h)


def floats(values: Sequence[float | None]) -> Floats:
    """Numbers of a record; NaN where there is none."""
    return np.array([np.nan if v is None else v for v in values], dtype=np.float64)
