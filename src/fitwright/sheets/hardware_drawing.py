"""What is measured on a part: one small drawing for each number, the part in hair line, the number as a dimension."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping

from fitwright.sheets.dimensions import dimension_line
from fitwright.sheets.ink import DASH_AXIS, HAIRLINE, LINE, SMALL, THIN, XY, Pen, Theme

WIDTH, HEIGHT = 150.0, 118.0
AXLE_Y = 66.0
OUTLINE = ((52, 14), (98, 14), (122, AXLE_Y), (106, 108), (44, 108), (28, AXLE_Y))
FRONT, INNER, OUTER = (75.0, 30.0), (54.0, 84.0), (96.0, 84.0)
PAIR = ((60.0, 56.0), (90.0, 56.0))
Draw = Callable[[Pen], None]


def measure_svg(field: str, words: str, two_bolts: bool = False, theme: Theme = "page") -> str:
    """The drawing of one measured field of a part, or an empty text for a field that needs none."""
    draw = _DRAWINGS.get(field)
    if draw is None:
        return ""
    pen = Pen(WIDTH, HEIGHT, words, f"Drawing of what is measured: {words}", theme)
    if field in _PLAN_FIELDS:
        _cleat(pen, two_bolts)
        if two_bolts and field in _TWO_BOLT:
            _TWO_BOLT[field](pen)
            return pen.svg()
    draw(pen)
    return pen.svg()


def _cleat(pen: Pen, two_bolts: bool) -> None:
    """A cleat from below, nose up, with its slots and the axle line."""
    pen.path(OUTLINE, pen.ink.soft, HAIRLINE, fill=pen.ink.wash, close=True)
    pen.line((8, AXLE_Y), (142, AXLE_Y), pen.ink.soft, HAIRLINE, DASH_AXIS)
    for x, y in PAIR if two_bolts else (FRONT, INNER, OUTER):
        _slot(pen, (x, y))


def _slot(pen: Pen, at: XY) -> None:
    x, y = at
    pen.add("rect", x=x - 8, y=y - 11, width=16, height=22, rx=6, fill=pen.ink.paper, stroke=pen.ink.soft,
            stroke_width=HAIRLINE)  # fmt: skip
    pen.circle(at, 3.4, pen.ink.ink, pen.ink.ink)


def _between(a: XY, b: XY, of: tuple[XY, XY] | None = None) -> Draw:
    """A dimension from a to b in full ink, with thin lines from what it belongs to."""

    def draw(pen: Pen) -> None:
        for own, end in zip(of or (), (a, b), strict=False):
            pen.line(own, end, pen.ink.hair, HAIRLINE)
        dimension_line(pen, a, b)
        pen.line(a, b, pen.ink.ink, LINE)

    return draw


def _turned(inward: bool, outward: bool) -> Draw:
    """An arc about the cleat's centre from straight ahead to either side (outward to the right)."""

    def draw(pen: Pen) -> None:
        centre, radius = (75.0, AXLE_Y), 56.0
        pen.line(centre, (75, AXLE_Y - radius - 4), pen.ink.soft, HAIRLINE, DASH_AXIS)
        for wanted, sign in ((inward, -1.0), (outward, 1.0)):
            if wanted:
                angles = [math.radians(a) for a in range(0, 25, 3)]
                arc = [
                    (centre[0] + sign * radius * math.sin(a), centre[1] - radius * math.cos(a))
                    for a in angles
                ]
                pen.path(arc, pen.ink.ink, LINE)
                pen.line(centre, arc[-1], pen.ink.ink, THIN)

    return draw


def _side(pen: Pen) -> None:
    """Sole, plate, cleat and axle seen from the front of the pedal."""
    pen.path(
        ((16, 14), (134, 14), (134, 34), (16, 34)), pen.ink.soft, HAIRLINE, fill=pen.ink.wash, close=True
    )
    pen.path(((44, 34), (106, 34), (106, 42), (44, 42)), pen.ink.soft, HAIRLINE, close=True)
    pen.path(((50, 42), (100, 42), (94, 58), (56, 58)), pen.ink.soft, HAIRLINE, close=True)
    pen.path(((46, 60), (104, 60), (96, 96), (54, 96)), pen.ink.soft, HAIRLINE, close=True)
    pen.circle((75, 78), 7, pen.ink.soft, pen.ink.paper)
    pen.cross((75, 78), 3, pen.ink.soft)
    pen.text((18, 28), "sole", SMALL, pen.ink.soft)


def _stack(pen: Pen) -> None:
    _side(pen)
    _between((122, 34), (122, 78), ((106, 34), (75, 78)))(pen)


def _plate(pen: Pen) -> None:
    _side(pen)
    _between((122, 34), (122, 42), ((106, 34), (106, 42)))(pen)


def _face(pen: Pen) -> None:
    _side(pen)
    _between((122, 34), (122, 58), ((106, 34), (94, 58)))(pen)


def _pedal(pen: Pen) -> None:
    """Crank arm, axle and pedal seen from above; the cleat's middle dash-dotted."""
    pen.path(
        ((14, 16), (32, 16), (32, 104), (14, 104)), pen.ink.soft, HAIRLINE, fill=pen.ink.wash, close=True
    )
    pen.path(((32, 55), (126, 57), (126, 63), (32, 65)), pen.ink.soft, HAIRLINE, close=True)
    pen.path(((62, 40), (118, 40), (118, 80), (62, 80)), pen.ink.soft, HAIRLINE, close=True)
    pen.line((90, 20), (90, 100), pen.ink.soft, HAIRLINE, DASH_AXIS)


def _offset(pen: Pen) -> None:
    _pedal(pen)
    _between((32, 98), (90, 98))(pen)


def _axle(pen: Pen) -> None:
    _pedal(pen)
    _between((32, 26), (126, 26), ((32, 55), (126, 57)))(pen)


def _thickness(pen: Pen) -> None:
    """A plate between two bodies; the same picture serves a spacer and a shim."""
    pen.path(
        ((20, 14), (130, 14), (130, 44), (20, 44)), pen.ink.soft, HAIRLINE, fill=pen.ink.wash, close=True
    )
    pen.path(((40, 44), (110, 44), (110, 66), (40, 66)), pen.ink.soft, HAIRLINE, close=True)
    pen.path(
        ((30, 66), (120, 66), (120, 104), (30, 104)), pen.ink.soft, HAIRLINE, fill=pen.ink.wash, close=True
    )
    _between((128, 44), (128, 66), ((110, 44), (110, 66)))(pen)


def _tilt(pen: Pen) -> None:
    """A wedge from behind, thick on the inner edge."""
    pen.path(((22, 92), (128, 92), (22, 62)), pen.ink.soft, HAIRLINE, fill=pen.ink.wash, close=True)
    pen.line((22, 92), (128, 92), pen.ink.soft, THIN)
    arc = [
        (128 - 66 * math.cos(math.radians(a)), 92 - 66 * math.sin(math.radians(a))) for a in range(0, 17, 2)
    ]
    pen.path(arc, pen.ink.ink, LINE)
    pen.text((22, 110), "inner edge", SMALL, pen.ink.soft)


def _slide(pen: Pen) -> None:
    _between((16, 44), (16, 88), ((28, 44), (28, 88)))(pen)


def _in_slot(across: bool) -> Draw:
    x, y = FRONT
    end = (x + 8, y) if across else (x, y - 11)
    return _between((x, y), end)


_DRAWINGS: Mapping[str, Draw] = {
    "front_bolt_mm": _between((134, FRONT[1]), (134, AXLE_Y), (FRONT, (122, AXLE_Y))),
    "rear_bolts_mm": _between((134, AXLE_Y), (134, OUTER[1]), ((122, AXLE_Y), OUTER)),
    "apart_mm": _between((INNER[0], 113), (OUTER[0], 113), (INNER, OUTER)),
    "slot_half_x_mm": _in_slot(False), "slot_half_z_mm": _in_slot(True), "sole_slide_half_mm": _slide,
    "turn_limit_deg": _turned(True, True), "float_in_deg": _turned(True, False),
    "float_out_deg": _turned(False, True),
    "nose_mm": _between((134, 14), (134, AXLE_Y), ((98, 14), (122, AXLE_Y))),
    "tail_mm": _between((134, AXLE_Y), (134, 108), ((122, AXLE_Y), (106, 108))),
    "nose_width_mm": _between((52, 6), (98, 6), ((52, 14), (98, 14))),
    "width_mm": _between((28, AXLE_Y), (122, AXLE_Y)),
    "tail_width_mm": _between((44, 113), (106, 113), ((44, 108), (106, 108))),
    "stack_mm": _stack, "plate_mm": _plate, "cleat_height_mm": _face, "offset_mm": _offset, "axle_mm": _axle,
    "thickness_mm": _thickness, "tilt_deg": _tilt,
}  # fmt: skip
_TWO_BOLT: Mapping[str, Draw] = {
    "rear_bolts_mm": _between((134, AXLE_Y), (134, PAIR[1][1]), ((122, AXLE_Y), PAIR[1])),
    "apart_mm": _between((PAIR[0][0], 36), (PAIR[1][0], 36), PAIR),
    "slot_half_x_mm": _between(PAIR[1], (PAIR[1][0], PAIR[1][1] - 11)),
    "slot_half_z_mm": _between(PAIR[1], (PAIR[1][0] + 8, PAIR[1][1])),
}  # fmt: skip
_PLAN_FIELDS = frozenset(_DRAWINGS) - {
    "stack_mm",
    "plate_mm",
    "cleat_height_mm",
    "offset_mm",
    "axle_mm",
    "thickness_mm",
    "tilt_deg",
}
