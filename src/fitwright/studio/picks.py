"""Points that are picked in a picture: what each place expects, and reading what was picked."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from fitwright.errors import InputError
from fitwright.studio.entry import Field, plain, read_number


@dataclass(frozen=True)
class Expected:
    """A point to pick. `at` is its place on the small diagram (0–100, 0–100)."""

    name: str
    label: str
    hint: str = ""
    needed: bool = False
    at: tuple[float, float] = (0.0, 0.0)
    x: str = ""
    y: str = ""
    error: str = ""


SOLE = (
    Expected("heel_centre", "Heel", "rearmost point of the sole, on its middle line", True, (50, 95)),
    Expected("toe", "Toe", "foremost point of the sole, on its middle line", True, (50, 5)),
    Expected("m1", "M1", "mark under the ball of the big toe", True, (74, 33)),
    Expected("m5", "M5", "mark under the ball of the little toe", True, (24, 42)),
    Expected("cleat_nose", "Cleat, front end", "on the cleat’s long axis", False, (49, 27)),
    Expected("cleat_tail", "Cleat, rear end", "on the cleat’s long axis", False, (51, 48)),
    Expected("axle_inner", "Axle mark, inner", "where the cleat shows its axle line", False, (64, 38)),
    Expected("axle_outer", "Axle mark, outer", "where the cleat shows its axle line", False, (36, 38)),
    Expected("datum_1", "Datum dot 1", "first dot on the cleat’s edge", False, (60, 29)),
    Expected("datum_2", "Datum dot 2", "second dot, far from the first", False, (39, 31)),
    Expected("datum_3", "Datum dot 3", "third dot, off their line", False, (58, 47)),
)

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
)
FRONT_FILM = tuple(
    Expected(f"{name}_{side}", f"{label}, {side}", hint, needed, (50 + (out if side == "left" else -out), y))
    for side in ("left", "right")
    for name, label, hint, needed, out, y in (
        ("asis", "Hip point", "bony point at the front of the hip", False, 12, 25),
        ("patella", "Knee", "middle of the knee cap", True, 14, 50),
        ("foot", "Shoe", "middle of the shoe’s tip", False, 13, 84),
        ("pedal", "Pedal", "front end of the axle", True, 13, 94),
    )
)


def filled(expected: Iterable[Expected], points: Mapping[str, object]) -> tuple[Expected, ...]:
    """The expected points with what is on record put in."""
    found = []
    for e in expected:
        xy = points.get(e.name)
        x, y = (plain(float(xy[0])), plain(float(xy[1]))) if isinstance(xy, list | tuple) else ("", "")
        found.append(Expected(e.name, e.label, e.hint, e.needed, e.at, x, y))
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
        shown.append(Expected(e.name, e.label, e.hint, e.needed, e.at, x, y, problem))
    return points, tuple(shown)


def _pixel(e: Expected, way: str, text: str) -> float:
    return read_number(Field(e.name, f"{e.label}, {way}", unit="px", low=0, high=20000), text)
