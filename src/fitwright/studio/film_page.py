"""One film as its page shows it: frames, points with their confidence, weak places, curves, and a film beside it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from functools import lru_cache
from typing import Any

import numpy as np

from fitwright.errors import InputError
from fitwright.motion import weak
from fitwright.quantity import Z95, Floats, listed
from fitwright.records.models import Analysis, Visit
from fitwright.sheets.curve import Chart, CurveLine, curve_svg, plot_of
from fitwright.sheets.ink import State
from fitwright.studio import drawings, mend, ride
from fitwright.studio.film_weak import LABELS, advice_on, floats, size_of, spells_in
from fitwright.studio.point_origins import UNKNOWN, Origin, origins_of
from fitwright.studio.proxies import Proxy, proxy_of
from fitwright.studio.ride_bands import curve_target
from fitwright.vision.scene import STILL_POINTS

LINES = {
    "side": (
        ("acromion", "greater_trochanter"), ("greater_trochanter", "lateral_femoral_condyle"),
        ("lateral_femoral_condyle", "lateral_malleolus"), ("heel", "fifth_metatarsal"),
        ("acromion", "elbow"), ("elbow", "wrist"), ("bottom_bracket", "pedal_axle"),
    ),
    "front": tuple((f"{a}_{s}", f"{b}_{s}") for s in ("left", "right") for a, b in (
        ("asis", "patella"), ("patella", "foot"), ("foot", "pedal"),
    )),
}  # fmt: skip
"""Which points are joined by a line on the picture."""
CURVES = {
    "side": (*(c for c in drawings.CURVES if c[0] != "knee_path"),
             ("trunk_inclination", "Trunk to horizontal", "more upright", "flatter")),
    "front": tuple(c for c in drawings.CURVES if c[0] == "knee_path"),
}  # fmt: skip
CHART_PX = (420.0, 230.0)
MOST_SPELLS = 6
"""Weak places of one point that its line on the page names; the rest is counted."""


@dataclass(frozen=True)
class Place:
    """A weak place: from, to (s) and why, in words."""

    since_s: float
    until_s: float
    words: str


@dataclass(frozen=True)
class PointLine:
    """One named point: how well it was followed, in words, where it is weak, and where it came from."""

    name: str
    label: str
    side: str
    words: str
    places: tuple[Place, ...]
    more: int
    origin: Origin


@dataclass(frozen=True)
class Drawn:
    """A chart, and what a mark moving over it needs."""

    svg: str
    data: Mapping[str, Any]


def kind_of(view: str) -> str:
    """ "side" or "front"."""
    return ride.VIEWS[view][0]


def clip_at(visit: Visit, view: str, when: str) -> ride.Clip:
    """The film at this place; InputError when there is none."""
    ride.check_place(view, when)
    for clip in ride.clips(visit):
        if (clip.view, clip.when) == (view, when):
            return clip
    raise InputError("film", f"there is none for {view}, {when}", hint="Add it at the Ride station")


def beside_of(visit: Visit, clip: ride.Clip) -> tuple[ride.Clip, ...]:
    """Films that can be shown beside this one, at the same crank angle: those of the same kind that were read."""
    return tuple(
        other for other in ride.clips(visit)
        if other.ride is not None and kind_of(other.view) == kind_of(clip.view) and other.label != clip.label
    )  # fmt: skip


def points(clip: ride.Clip) -> tuple[PointLine, ...]:
    """The followed points with what is weak in each; none before following."""
    tracks = _tracks(clip.analysed)
    if clip.analysed is None or tracks is None:
        return ()
    times, came = tracks["time_s"], origins(clip)
    out = []
    for name in tracks["points"]:
        still = name in STILL_POINTS
        own = [] if still else [s for s in spells(clip.analysed) if s.name == name]
        places = tuple(Place(times[s.first], times[s.last], weak.KINDS[s.kind]) for s in own)
        quality = tracks["quality"][name]
        words = weak.words_of_quality(quality["seen"], quality["u_px"] or np.nan, quality["kind"], still)
        out.append(PointLine(name, LABELS.get(name, name.replace("_", " ")), _side(name, clip.view), words,
                             places[:MOST_SPELLS], max(0, len(places) - MOST_SPELLS),
                             came.get(name, Origin(UNKNOWN))))  # fmt: skip
    return tuple(out)


def origins(clip: ride.Clip) -> dict[str, Origin]:
    """name → where each marked point of a film came from, with what was put right in it; none before marking."""
    marks = (clip.analysed.inputs.get("marks") if clip.analysed else None) or clip.marks
    return origins_of(marks or {}, mend.of(clip.analysed))


def advice(clip: ride.Clip) -> tuple[str, ...]:
    """What is weak in this film and what to do, in words: the ride's own notes, then what the picture shows."""
    if clip.ride is None or clip.analysed is None:
        return ()
    tracks = _tracks(clip.analysed)
    if tracks is None:
        return clip.ride.notes
    proxy = proxy_of(clip.medium)
    burnt = proxy.table.burnt if proxy else None
    return advice_on(
        clip.ride, _read(clip.analysed.pk, clip.analysed.created_at), spells(clip.analysed), burnt
    )


def missing(found: tuple[ride.Clip, ...]) -> tuple[str, ...]:
    """What no film of the visit shows yet, in words with what it would tell."""
    sides = {c.view for c in found if kind_of(c.view) == "side"}
    out = []
    if not found:
        return ()
    if not sides:
        out.append("No film from the side: knee, hip, ankle and trunk angles are not known. Film one side.")
    elif len(sides) == 1:
        (only,) = sides
        out.append(f"Filmed {ride.VIEW_WORDS[only]} only: a difference "
                   "between the legs does not show. Film the other side the same way.")  # fmt: skip
    if all(kind_of(c.view) == "side" for c in found):
        out.append(
            "No film from the front: the knees’ paths beside the pedals are not known. Film from the front."
        )
    return tuple(out)


def charts(visit: Visit, clip: ride.Clip, beside: ride.Clip | None) -> tuple[Drawn, ...]:
    """Curves of this film and, hollow and solid, of the same view at the other moment or of the film beside it."""
    shown = [
        c for c in ride.clips(visit)
        if c.ride is not None and (c.view == clip.view or (beside is not None and c.label == beside.label))
    ]  # fmt: skip
    later = any(c.when == "after" for c in shown)
    out: list[Drawn] = []
    for name, label, up, down in CURVES[kind_of(clip.view)]:
        lines = [
            CurveLine(curves[name], side, _state(c.when, later))
            for c in shown if c.ride is not None for side, curves in c.ride.curves.items() if name in curves
        ]  # fmt: skip
        if lines:
            target = curve_target(visit, name, [c.ride for c in shown if c.ride is not None])
            out.append(_drawn(Chart(label, tuple(lines), lines[0].curve.unit, target, up, down), len(out)))
    return tuple(out)


def _drawn(chart: Chart, number: int) -> Drawn:
    plot = plot_of(chart, *CHART_PX)
    lines = [
        {"side": line.side, "state": line.state, "mean": listed(line.curve.mean, 2),
         "half": listed(Z95 * line.curve.u, 1)} for line in chart.lines
    ]  # fmt: skip
    data = {
        "plot": [plot.x0, plot.x1, plot.y0, plot.y1, plot.low, plot.high],
        "unit": chart.unit,
        "lines": lines,
    }
    return Drawn(curve_svg(chart, "page", *CHART_PX, ident=f"turn-{number}"), data)


def data(clip: ride.Clip) -> dict[str, Any]:
    """What the script needs of one film: times of the frames, crank angle and points in each, scale."""
    proxy = proxy_of(clip.medium)
    read = _read(clip.analysed.pk, clip.analysed.created_at) if clip.analysed else None
    tracks = _tracks(clip.analysed)
    if proxy is None and tracks is None:
        return {"time_s": [], "theta_deg": [], "points": [], "lines": [], "size_px": [0, 0], "scale": None}
    time_s = np.array(proxy.table.time_s if proxy else tracks["time_s"])  # type: ignore[index]
    out: dict[str, Any] = {
        "time_s": listed(time_s, 6), "size_px": _size(proxy, tracks), "theta_deg": [None] * time_s.size,
        "points": [], "lines": [], "scale": None, "other_leg_deg": 180 if kind_of(clip.view) == "front" else 0,
    }  # fmt: skip
    if read is None or tracks is None:
        return out
    at = _rows(time_s, np.array(tracks["time_s"]))
    names = list(tracks["points"])
    if read.get("theta_deg"):
        out["theta_deg"] = _picked(read["theta_deg"], at)
    out["points"] = [
        {
            "name": n, "side": _side(n, clip.view), "u_px": _picked(p["u_px"], at),
            **{k: listed(_bridged(time_s, floats(_picked(p[k], at))), 2) for k in "uv"},
        }
        for n, p in tracks["points"].items()
    ]  # fmt: skip
    lines = LINES[kind_of(clip.view)]
    out["lines"] = [[names.index(a), names.index(b)] for a, b in lines if a in names and b in names]
    out["scale"] = _scale(clip, tracks)
    return out


def upright_size(clip: ride.Clip) -> tuple[int, int]:
    """Size of the film's upright picture, px; that of a usual film while it is not known."""
    tracks = _tracks(clip.analysed)
    return _size(None, tracks) if tracks else (960, 540)


def spells(row: Analysis) -> tuple[weak.Spell, ...]:
    """Weak spells of an analysed film."""
    return _spells(row.pk, row.created_at)


def _tracks(row: Analysis | None) -> dict[str, Any] | None:
    """The followed points of an analysed film; None when its record has none."""
    tracks = _read(row.pk, row.created_at).get("tracks") if row else None
    return tracks if tracks and tracks.get("time_s") else None


@lru_cache(maxsize=16)
def _read(pk: int, created_at: datetime) -> dict[str, Any]:
    """What an analysis gave: such rows are never overwritten."""
    return dict(Analysis.objects.get(pk=pk, created_at=created_at).result)


@lru_cache(maxsize=64)
def _spells(pk: int, created_at: datetime) -> tuple[weak.Spell, ...]:
    return spells_in(_read(pk, created_at))


def _size(proxy: Proxy | None, tracks: Mapping[str, Any] | None) -> tuple[int, int]:
    """Size of the upright picture, px."""
    if proxy is not None or tracks is None:
        return proxy.table.film_px if proxy else (0, 0)
    return size_of(tracks)


def _scale(clip: ride.Clip, tracks: Mapping[str, Any]) -> dict[str, Any] | None:
    """Where the crank's centre is (px) and how many mm a pixel is there, from the pedals' ways up and down."""
    crank_mm = (clip.analysed.inputs if clip.analysed else {}).get("crank_mm")
    paths = [p for n, p in tracks["points"].items() if n.startswith("pedal")]
    if not paths or not crank_mm:
        return None
    low = [np.nanpercentile(floats(p[a]), 0.5) for p in paths for a in "uv"]
    high = [np.nanpercentile(floats(p[a]), 99.5) for p in paths for a in "uv"]
    middle = (np.array(low) + high).reshape(-1, 2).mean(axis=0) / 2
    radius = float(np.mean((np.array(high) - low)[1::2])) / 2
    return {"centre": listed(middle, 1), "mm_per_px": round(crank_mm / radius, 5)} if radius > 1 else None


def _rows(time_s: Floats, known_s: Floats) -> list[int | None]:
    """For each frame the row of the tracks with the same time, or None."""
    after = np.clip(np.searchsorted(known_s, time_s), 1, known_s.size - 1)
    best = np.where(time_s - known_s[after - 1] < known_s[after] - time_s, after - 1, after)
    near = np.abs(known_s[best] - time_s) < 1e-3
    return [int(k) if ok else None for k, ok in zip(best, near, strict=True)]


def _picked(values: list[float | None], at: list[int | None]) -> list[float | None]:
    return [None if k is None else values[k] for k in at]


def _bridged(time_s: Floats, values: Floats) -> Floats:
    """(T,) values with straight lines over what was not seen, so that one sees where the point should be."""
    seen = np.isfinite(values)
    return np.interp(time_s, time_s[seen], values[seen]) if seen.any() else values


def _side(name: str, view: str) -> str:
    own = name.rpartition("_")[2]
    return own if own in ("left", "right") else view.rpartition(" ")[2]


def _state(when: str, later: bool) -> State:
    return "now" if when == "after" or not later else "before"
