"""Points that are picked in a picture: what each place expects, and reading what was picked.

Each point keeps how it came about: picked by hand, proposed by the finder and accepted, or snapped to something
near; a found point brings its own standard uncertainty, a hand's pick the usual one.
"""

from __future__ import annotations

import re
from collections.abc import Container, Iterable, Mapping
from dataclasses import dataclass, replace
from itertools import groupby
from typing import Any

from fitwright.errors import InputError
from fitwright.studio.entry import Field, plain, read_number, sentence
from fitwright.studio.point_origins import CONFIRMED, EARLIER, GUESSED, PROPOSED, SNAPPED, UNKNOWN, Origin

MOST_GUESS_PX = 500.0
U_PX = (0.02, 50.0)
"""What a standard uncertainty of a picked coordinate can be, px."""


@dataclass(frozen=True)
class Expected:
    """A point to pick.

    `at` is its place on the small diagram (0–100, 0–100); `group` the heading it stands under; `snap` what it usually
    snaps to ("dot", "edge", "corner"); `short` its name in the picture. What was picked: x, y as typed; `how` it came
    about and `u` (px) where that is not a hand's; `error` is said beside it.
    """

    name: str
    label: str
    hint: str = ""
    needed: bool = False
    at: tuple[float, float] = (0.0, 0.0)
    x: str = ""
    y: str = ""
    error: str = ""
    group: str = ""
    snap: str = "dot"
    short: str = ""
    how: str = ""
    u: str = ""


def _group(words: str, snap: str, *points: Expected) -> tuple[Expected, ...]:
    return tuple(replace(p, group=words, snap=snap) for p in points)


SOLE = (
    *_group(
        "Sole", "edge",
        Expected("heel_centre", "Heel", "rearmost point of the sole, on its middle line", True, (50, 95)),
        Expected("toe", "Toe", "foremost point of the sole, on its middle line", True, (50, 5)),
    ),
    *_group(
        "Sole", "dot",
        Expected("m1", "M1", "mark under the ball of the big toe", False, (74, 33)),
        Expected("m5", "M5", "mark under the ball of the little toe", False, (24, 42)),
    ),
    *_group(
        "Cleat", "edge",
        Expected("cleat_nose", "Cleat, front end", "on the cleat’s long axis", False, (49, 25), short="nose"),
        Expected("cleat_tail", "Cleat, rear end", "on the cleat’s long axis", False, (51, 50), short="tail"),
    ),
    *_group(
        "Cleat", "corner",
        Expected("axle_inner", "Axle mark, inner", "where the cleat shows its axle", False, (64, 38), short="axle"),
        Expected("axle_outer", "Axle mark, outer", "where the cleat shows its axle", False, (36, 38), short="axle"),
    ),
    *_group(
        "Datum dots", "dot",
        Expected("datum_1", "Datum dot 1", "first dot on the cleat’s edge", False, (60, 29), short="dot 1"),
        Expected("datum_2", "Datum dot 2", "second dot, far from the first", False, (39, 31), short="dot 2"),
        Expected("datum_3", "Datum dot 3", "third dot, off their line", False, (58, 47), short="dot 3"),
        Expected("datum_4", "Datum dot 4", "one more makes it surer", False, (41, 46), short="dot 4"),
    ),
    *_group(
        "Bolts and old imprint", "dot",
        Expected("bolt_1", "Bolt 1", "the front one, or the inner one of two", False, (50, 33), short="b1"),
        Expected("bolt_2", "Bolt 2", "the rear inner one, or the outer one of two", False, (56, 43), short="b2"),
        Expected("bolt_3", "Bolt 3", "the rear outer one", False, (44, 43), short="b3"),
    ),
    *_group(
        "Bolts and old imprint", "edge",
        Expected("imprint_nose", "Imprint, front end", "of an older cleat’s print", False, (49, 20), short="imprint"),
        Expected("imprint_tail", "Imprint, rear end", "of an older cleat’s print", False, (51, 56), short="imprint"),
    ),
    *_group(
        "Heel’s width", "edge",
        Expected("heel_inner", "Heel, inner edge", "where the heel is widest", False, (68, 84), short="inner"),
        Expected("heel_outer", "Heel, outer edge", "where the heel is widest", False, (32, 84), short="outer"),
    ),
)  # fmt: skip

SOLE_RARE = ("Bolts and old imprint", "Heel’s width")

SIDE_FILM = (
    Expected("acromion", "Shoulder", "tip of the shoulder", False, (69, 16)),
    Expected("elbow", "Elbow", "outer side", False, (76, 35)),
    Expected("wrist", "Wrist", "outer side", False, (88, 50)),
    Expected("greater_trochanter", "Hip", "bony point at the side of the hip", True, (36, 45)),
    Expected("lateral_femoral_condyle", "Knee", "outer side, on the joint’s axis", True, (54, 62)),
    Expected("lateral_malleolus", "Ankle", "outer ankle bone", True, (43, 82)),
    Expected("heel", "Heel", "of the shoe", False, (37, 89)),
    Expected("fifth_metatarsal", "Ball of the foot", "outer side of the shoe", False, (52, 93)),
    Expected("pedal_axle", "Pedal axle", "outer end", True, (50, 97)),
    Expected(
        "bottom_bracket", "Bottom bracket", "middle of the crank’s axle, if it is seen", False, (48, 77)
    ),
    *_group(
        "Level and still", "dot",
        Expected("rear_axle", "Rear axle", "middle of the rear wheel; both axles tell level", False, (22, 84)),
        Expected("front_axle", "Front axle", "middle of the front wheel, as high as the rear one", False, (88, 84)),
        Expected("plumb_top", "Upright edge, top", "a door frame or plumb line, as long as possible", False, (8, 10)),
        Expected("plumb_bottom", "Upright edge, bottom", "the same edge, lower down", False, (8, 70)),
        Expected("fixed_1", "Fixed point 1", "on frame or floor: shows whether the camera moves", False, (15, 96)),
        Expected("fixed_2", "Fixed point 2", "far from the first", False, (95, 96)),
    ),
    *_group(
        "Other signs of level", "dot",
        Expected("rear_contact", "Rear tyre on the floor", "where it touches", False, (22, 98)),
        Expected("front_contact", "Front tyre on the floor", "where it touches", False, (88, 98)),
        Expected("floor_rear", "Floor line, rear", "a line on floor or wall along the bike", False, (5, 92)),
        Expected("floor_front", "Floor line, front", "the same line, ahead", False, (97, 92)),
        Expected("fixed_3", "Fixed point 3", "off the line of the other two", False, (95, 30)),
    ),
    *_group(
        "Wheels and a known length", "edge",
        *(
            Expected(f"{wheel}_rim_{k}", f"{wheel.capitalize()} rim {k}", "on the rim’s edge, well apart", False,
                     (x + 10 * dx, 84 + 10 * dy), short=f"rim {k}")
            for wheel, x in (("rear", 22), ("front", 88))
            for k, (dx, dy) in enumerate(((0, -1), (1, 0), (0, 1), (-1, 0)), start=1)
        ),
        Expected("length_1", "Known length, one end", "of anything whose length you say", False, (40, 30)),
        Expected("length_2", "Known length, other end", "as long as possible", False, (60, 30)),
    ),
)  # fmt: skip

FILM_RARE = ("Other signs of level", "Wheels and a known length")

FRONT_FILM = tuple(
    Expected(f"{name}_{side}", f"{label}, {side}", hint, needed, (50 + (out if side == "left" else -out), y))
    for side in ("left", "right")
    for name, label, hint, needed, out, y in (
        ("asis", "Hip point", "bony point at the front of the hip", False, 12, 25),
        ("patella", "Knee", "middle of the knee cap", True, 14, 50),
        ("foot", "Shoe", "middle of the shoe’s tip", False, 13, 84),
        (
            "foot_rear",
            "Shoe, farther back",
            "on its middle line, above the tongue: tells the yaw",
            False,
            13,
            76,
        ),
        ("pedal", "Pedal", "front end of the axle", True, 13, 94),
    )
)


@dataclass(frozen=True)
class Part:
    """Expected points that stand under one heading, and whether it is shown open."""

    words: str
    points: tuple[Expected, ...]
    open: bool

    @property
    def picked(self) -> int:
        """How many of them are picked."""
        return sum(bool(p.x and p.y) for p in self.points)


def parts(shown: Iterable[Expected], rare: Container[str] = ()) -> tuple[Part, ...]:
    """The points by heading, in the order of the list; `rare` headings wait closed until something stands there."""
    found = []
    for words, group in groupby(shown, key=lambda p: p.group):
        points = tuple(group)
        open_ = words not in rare or any(p.x or p.y or p.error for p in points)
        found.append(Part(words or "Rider", points, open_))
    return tuple(found)


def filled(
    expected: Iterable[Expected], points: Mapping[str, object], origins: Mapping[str, Origin] | None = None
) -> tuple[Expected, ...]:
    """The expected points with what is on record put in."""
    found = []
    for e in expected:
        xy, origin = points.get(e.name), (origins or {}).get(e.name, Origin())
        known = isinstance(xy, list | tuple)
        x, y = (plain(float(xy[0])), plain(float(xy[1]))) if isinstance(xy, list | tuple) else ("", "")
        u = plain(origin.u_px) if known and origin.u_px is not None else ""
        found.append(replace(e, x=x, y=y, error="", how=origin.how if known else "", u=u))
    return tuple(found)


def read_picks(
    expected: Iterable[Expected], typed: Mapping[str, str]
) -> tuple[dict[str, tuple[float, float]], tuple[Expected, ...]]:
    """Points (px) by name, and the same list with what was typed and what is wrong with it.

    A point with both boxes empty is left out, unless it is needed.
    """
    points: dict[str, tuple[float, float]] = {}
    shown = []
    for e in expected:
        x, y = typed.get(f"x.{e.name}", "").strip(), typed.get(f"y.{e.name}", "").strip()
        problem = ""
        if x or y:
            try:
                points[e.name] = (_pixel(e, "across", x), _pixel(e, "down", y))
            except InputError as error:
                problem = f"{error.field}: {error.problem}. Allowed: {error.allowed}."
        elif e.needed:
            problem = f"{e.label}: is needed. Pick it in the picture."
        how, u = typed.get(f"how.{e.name}", ""), typed.get(f"u.{e.name}", "")
        shown.append(replace(e, x=x, y=y, error=problem, how=how[:40], u=u[:12]))
    return points, tuple(shown)


def origins(shown: Iterable[Expected]) -> dict[str, Origin]:
    """How each picked point came about, by name.

    A point that says it was found but not how sure it is counts as a hand's: the wider figure is the honest one.
    """
    return {e.name: _origin(e) for e in shown if e.x and e.y}


def _origin(e: Expected) -> Origin:
    if e.how.split(":")[0] not in (PROPOSED, SNAPPED) or not re.fullmatch(r"\d{1,3}(\.\d{1,6})?", e.u):
        return Origin()
    return Origin(e.how, min(max(float(e.u), U_PX[0]), U_PX[1]))


def guesses(shown: Iterable[Expected]) -> tuple[dict[str, float], list[str]]:
    """Points that a network put there: name → u px of those that nobody confirmed, and the names of those that a hand
    confirmed. Both are kept with the marks: a guess never passes for a marked point."""
    said = [e for e in shown if e.x and e.y]
    open_ = {e.name: _u_of(e.u) for e in said if e.how == GUESSED}
    return open_, [e.name for e in said if e.how == CONFIRMED]


def _u_of(text: str) -> float:
    """As it was proposed; the widest when it is not told."""
    return min(float(text), MOST_GUESS_PX) if re.fullmatch(r"\d{1,3}(\.\d{1,6})?", text) else MOST_GUESS_PX


def film_origins(shown: Iterable[Expected]) -> dict[str, Origin]:
    """The same as `origins` for the points of a film, where guesses and older marks count as what they are."""
    points = tuple(shown)
    as_said = {
        GUESSED: lambda e: Origin(GUESSED, _u_of(e.u)), CONFIRMED: lambda e: Origin(CONFIRMED),
        EARLIER: lambda e: Origin(EARLIER), UNKNOWN: lambda e: Origin(UNKNOWN),
    }  # fmt: skip
    return origins(points) | {e.name: as_said[e.how](e) for e in points if e.x and e.y and e.how in as_said}


def told_guesses(shown: Iterable[Expected], agreed: bool) -> dict[str, Any]:
    """What the marks keep of guesses: `{"guessed": {name: {"u_px"}}, "confirmed": [name]}`, each only where there is
    one.

    Raises:
        InputError: a guess that nobody confirmed, unless somebody `agreed` to follow it as a guess.
    """
    points = tuple(shown)
    guessed, confirmed = guesses(points)
    if guessed and not agreed:
        names = ", ".join(e.label for e in points if e.name in guessed)
        raise InputError("points", f"guessed, and confirmed by nobody: {names}",
                         hint="Put each right, or say that it sits right, or tick to follow guesses")  # fmt: skip
    told: dict[str, Any] = {"guessed": {n: {"u_px": u} for n, u in guessed.items()}} if guessed else {}
    return told | ({"confirmed": confirmed} if confirmed else {})


def beside(expected: Iterable[Expected], error: InputError) -> tuple[Expected, ...]:
    """The same points with a problem written beside those that it names."""
    points = tuple(expected)
    named = set(re.findall(r"\w+", f"{error.field} {error.problem}"))
    words = in_words(points, error)
    return tuple(replace(p, error=words) if p.name in named else p for p in points)


def in_words(expected: Iterable[Expected], error: InputError) -> str:
    """A problem in one line, with the points called as on the page."""
    labels = {p.name: p.label for p in expected}
    return re.sub(r"\w+", lambda m: labels.get(m[0], m[0]), sentence(error).removeprefix("points: "))


def _pixel(e: Expected, way: str, text: str) -> float:
    if not text:
        raise InputError(f"{e.label}, {way}", "is missing", allowed="a number in both boxes, or in neither")
    return read_number(Field(e.name, f"{e.label}, {way}", unit="px", low=0, high=20000), text)
