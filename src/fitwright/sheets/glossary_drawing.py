"""Small drawings that explain a word: one angle, length or sign each, in the ink of all other drawings."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping

import numpy as np

from fitwright.sheets.dimensions import dimension_line
from fitwright.sheets.ink import BOLD, DASH_AXIS, DASH_PREDICTED, HAIRLINE, LINE, SMALL, THIN, XY, Pen
from fitwright.sheets.sole_shapes import cleat_outline, sole_outline

WIDTH, HEIGHT = 290.0, 170.0
HIP, KNEE, ANKLE, HEEL, TOE = (62.0, 34.0), (142.0, 70.0), (104.0, 132.0), (92.0, 146.0), (146.0, 156.0)
SHOULDER = (104.0, -40.0)


def word_svg(name: str, title: str) -> str:
    """The drawing of one word of `DRAWN`; KeyError for another."""
    pen = Pen(WIDTH, HEIGHT, title, f"A small drawing of: {title}.", ident=f"word-{name.replace('_', '-')}")
    DRAWN[name](pen)
    return pen.svg()


def toward(a: XY, b: XY) -> float:
    """Direction from a to b in the drawing, deg, anticlockwise from the right."""
    return math.degrees(math.atan2(a[1] - b[1], b[0] - a[0]))


def arc(
    pen: Pen, at: XY, radius: float, from_deg: float, to_deg: float, words: str = "", color: str = ""
) -> None:
    """An arc around `at` (anticlockwise angles, deg), its words outside the middle of it."""
    turn = np.radians(np.linspace(from_deg, to_deg, 32))
    pen.path(
        np.column_stack([at[0] + radius * np.cos(turn), at[1] - radius * np.sin(turn)]),
        color or pen.ink.ink,
        LINE,
    )
    if words:
        middle = math.radians((from_deg + to_deg) / 2)
        x, y = at[0] + (radius + 9) * math.cos(middle), at[1] - (radius + 9) * math.sin(middle)
        anchor = "middle" if abs(math.cos(middle)) < 0.5 else "start" if math.cos(middle) > 0 else "end"
        pen.text((x, y + 4), words, SMALL, color or pen.ink.ink, anchor)


def limb(pen: Pen, *points: XY) -> None:
    """A leg or an arm: lines with open joints."""
    pen.path(np.array(points), pen.ink.ink, LINE)
    for p in points:
        pen.circle(p, 3.2, pen.ink.ink, pen.ink.paper, THIN)


def beyond(pen: Pen, a: XY, b: XY, by: float) -> None:
    """The line from a to b carried on past b."""
    length = math.dist(a, b)
    end = (b[0] + by * (b[0] - a[0]) / length, b[1] + by * (b[1] - a[1]) / length)
    pen.line(b, end, pen.ink.soft, HAIRLINE, DASH_PREDICTED)


def _knee_flexion(pen: Pen) -> None:
    beyond(pen, HIP, KNEE, 46)
    limb(pen, HIP, KNEE, ANKLE)
    arc(pen, KNEE, 30, toward(HIP, KNEE), toward(KNEE, ANKLE), "flexion")
    pen.text((HIP[0] - 8, HIP[1] + 4), "hip", SMALL, pen.ink.soft, "end")
    pen.text((ANKLE[0] - 8, ANKLE[1] + 4), "ankle", SMALL, pen.ink.soft, "end")


def _hip_flexion(pen: Pen) -> None:
    shoulder, hip, knee = (168.0, 28.0), (84.0, 92.0), (168.0, 132.0)
    beyond(pen, shoulder, hip, 46)
    limb(pen, shoulder, hip, knee)
    arc(pen, hip, 30, toward(shoulder, hip), toward(hip, knee))
    pen.text((hip[0] + 2, hip[1] + 48), "flexion", SMALL, pen.ink.ink, "middle")
    pen.text((shoulder[0] + 8, shoulder[1] + 4), "shoulder", SMALL, pen.ink.soft)
    pen.text((knee[0] + 8, knee[1] + 4), "knee", SMALL, pen.ink.soft)


def _ankle(pen: Pen) -> None:
    knee, ankle = (128.0, 18.0), (100.0, 102.0)
    heel, toe = (80.0, 120.0), (190.0, 146.0)
    limb(pen, knee, ankle)
    pen.path(np.array([ankle, heel, toe]), pen.ink.ink, LINE)
    direction = toward(heel, toe)
    way = math.radians(direction)
    along = (ankle[0] + 84 * math.cos(way), ankle[1] - 84 * math.sin(way))
    pen.line(ankle, along, pen.ink.soft, HAIRLINE, DASH_PREDICTED)
    arc(pen, ankle, 34, direction, toward(ankle, knee), "90° + pointed")
    pen.text((knee[0] + 8, knee[1] + 6), "shank", SMALL, pen.ink.soft)


def _trunk(pen: Pen) -> None:
    hip, shoulder = (56.0, 132.0), (164.0, 44.0)
    pen.line(hip, (hip[0] + 132, hip[1]), pen.ink.soft, HAIRLINE, DASH_PREDICTED)
    limb(pen, hip, shoulder)
    arc(pen, hip, 60, 0, toward(hip, shoulder), "trunk")
    pen.text((hip[0] + 96, hip[1] + 16), "level", SMALL, pen.ink.soft)


def _crank(pen: Pen) -> None:
    middle, r = (120.0, 84.0), 52.0
    pen.circle(middle, r, pen.ink.hair, width=THIN)
    pedal = (middle[0] + r * math.sin(math.radians(50)), middle[1] - r * math.cos(math.radians(50)))
    pen.line(middle, (middle[0], middle[1] - r - 6), pen.ink.soft, HAIRLINE, DASH_AXIS)
    pen.line(middle, pedal, pen.ink.ink, BOLD)
    arc(pen, middle, 28, 90, 40, "θ")
    for words, (dx, dy), anchor in (
        ("0° top", (0, -r - 9), "middle"), ("90° in front", (r + 8, 4), "start"),
        ("180° bottom", (0, r + 18), "middle"), ("270°", (-r - 8, 4), "end"),
    ):  # fmt: skip
        pen.text((middle[0] + dx, middle[1] + dy), words, SMALL, pen.ink.soft, anchor)


def _sole_pitch(pen: Pen) -> None:
    heel, ball = (62.0, 84.0), (184.0, 124.0)
    pen.path(np.array([(50, 70), heel, ball, (204, 118)]), pen.ink.ink, LINE)
    pen.line(ball, (ball[0] - 150, ball[1]), pen.ink.soft, HAIRLINE, DASH_PREDICTED)
    arc(pen, ball, 70, 180, toward(ball, heel), "heel up")
    pen.text((40, ball[1] + 16), "level", SMALL, pen.ink.soft)


def _saddle(pen: Pen) -> None:
    crank, saddle = (148.0, 140.0), (92.0, 34.0)
    pen.path(np.array([(62, 30), (92, 34), (136, 36)]), pen.ink.ink, BOLD)
    pen.line(crank, saddle, pen.ink.hair, HAIRLINE, DASH_AXIS)
    pen.circle(crank, 5, pen.ink.ink, pen.ink.paper, LINE)
    dimension_line(pen, (crank[0] + 30, crank[1] - 16), (saddle[0] + 30, saddle[1] - 16))
    pen.text((158, 78), "height", SMALL, pen.ink.ink)
    pen.line(crank, (crank[0], 160), pen.ink.hair, HAIRLINE, DASH_AXIS)
    pen.line(saddle, (saddle[0], 160), pen.ink.hair, HAIRLINE, DASH_AXIS)
    dimension_line(pen, (saddle[0], 158), (crank[0], 158))
    pen.text((84, 162), "setback", SMALL, pen.ink.ink, "end")


def _foot(pen: Pen, turned_deg: float = 0.0) -> Callable[[float, float], XY]:
    """A right sole with its mid-line, toes up; returns the way from sole to drawing."""
    c, s = math.cos(math.radians(turned_deg)), math.sin(math.radians(turned_deg))

    def place(x: float, z: float) -> XY:
        along, out = (x - 140.0) * 0.54, z * 0.54
        return 120.0 + out * c + along * s, 86.0 - along * c + out * s

    pen.path(np.array([place(x, z) for x, z in sole_outline(280.0)]), pen.ink.soft, THIN, close=True)
    pen.line(place(-4, 0), place(290, 0), pen.ink.hair, HAIRLINE, DASH_AXIS)
    return place


def _heads(pen: Pen) -> None:
    place = _foot(pen)
    m1, m5 = place(203, -36), place(174, 44)
    pen.line(m1, m5, pen.ink.right, THIN)
    for at, words, anchor, dx in ((m1, "M1", "end", -24), (m5, "M5", "start", 8)):
        pen.cross(at, 4, pen.ink.ink)
        pen.text((at[0] + dx, at[1] + 4), words, SMALL, pen.ink.ink, anchor)
    pen.line((78, place(190, 0)[1]), (168, place(190, 0)[1]), pen.ink.ink, LINE, DASH_AXIS)
    pen.text((172, place(190, 0)[1] - 12), "axle: λ 0 at M1", SMALL, pen.ink.ink)
    pen.text((172, place(190, 0)[1] + 2), "to 1 at M5", SMALL, pen.ink.ink)


def _rotation(pen: Pen) -> None:
    place = _foot(pen, 14.0)
    corners = cleat_outline("three-bolt")
    pen.path(
        np.array([place(188 + x, z) for x, z in corners]),
        pen.ink.right,
        THIN,
        fill=pen.ink.right_wash,
        close=True,
    )
    pen.line((120, 168), (120, 4), pen.ink.soft, HAIRLINE, DASH_AXIS)
    arc(pen, (120.0, 86.0), 68, 90, 76)
    pen.text((160, 18), "toe-out", SMALL)


def _stance(pen: Pen) -> None:
    middle, y = 120.0, 96.0
    pen.line((middle, 20), (middle, 150), pen.ink.soft, HAIRLINE, DASH_AXIS)
    pen.line((middle - 46, y), (middle + 46, y), pen.ink.ink, BOLD)
    for way in (-1, 1):
        pen.line((middle + way * 46, y), (middle + way * 46, y + way * 34), pen.ink.ink, BOLD)
        pen.line((middle + way * 46, y + way * 34), (middle + way * 84, y + way * 34), pen.ink.ink, LINE)
    dimension_line(pen, (middle - 46, 32), (middle + 46, 32))
    pen.text((middle + 4, 26), "Q factor", SMALL, pen.ink.ink)
    dimension_line(pen, (middle, 152), (middle + 84, 152))
    pen.text((middle + 88, 150), "stance", SMALL, pen.ink.ink)


def _knee_path(pen: Pen) -> None:
    hip, foot = (108.0, 14.0), (124.0, 150.0)
    turn = np.radians(np.arange(0, 361, 6))
    loop = np.column_stack([146 + 9 * np.cos(turn + 0.5), 74 + 26 * np.sin(turn)])
    limb(pen, hip, (146.0, 74.0), foot)
    pen.path(loop, pen.ink.right, THIN, close=True)
    pen.line(foot, (foot[0], 40), pen.ink.soft, HAIRLINE, DASH_AXIS)
    dimension_line(pen, (foot[0], 112), (146, 112))
    pen.text((152, 116), "outward of the pedal", SMALL, pen.ink.ink)


def _whisker(pen: Pen) -> None:
    y = 74.0
    pen.path(
        np.array([(112, y - 14), (184, y - 14), (184, y + 14), (112, y + 14)]), fill=pen.ink.band, close=True
    )
    pen.line((70, y), (150, y), pen.ink.right, LINE)
    pen.mark((110, y), "right", "now", 6)
    pen.text((148, y - 22), "band", SMALL, pen.ink.soft, "middle")
    pen.text((110, y + 34), "95 of 100 times the true", SMALL, pen.ink.ink, "middle")
    pen.text((110, y + 48), "value lies on the line", SMALL, pen.ink.ink, "middle")


def _signs(pen: Pen) -> None:
    for row, (words, state) in enumerate((("before", "before"), ("predicted", "predicted"), ("now", "now"))):
        y = 44.0 + 40 * row
        pen.mark((70, y), "left", state, 7)  # type: ignore[arg-type]
        pen.mark((110, y), "right", state, 7)  # type: ignore[arg-type]
        pen.text((140, y + 4), words, SMALL, pen.ink.ink)
    pen.text((70, 20), "left", SMALL, pen.ink.left, "middle")
    pen.text((110, 20), "right", SMALL, pen.ink.right, "middle")


DRAWN: Mapping[str, Callable[[Pen], None]] = {
    "crank_angle": _crank, "knee_flexion": _knee_flexion, "hip_flexion": _hip_flexion, "ankle": _ankle,
    "trunk": _trunk, "sole_pitch": _sole_pitch, "knee_path": _knee_path, "saddle": _saddle, "heads": _heads,
    "rotation": _rotation, "stance": _stance, "whisker": _whisker, "signs": _signs,
}  # fmt: skip
