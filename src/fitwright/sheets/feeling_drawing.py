"""How it felt from step to step: one line per site over the moments at which the rider was asked, 0 to 10."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from fitwright.sheets.ink import LINE, SMALL, THIN, XY, Pen, Theme, shorten, text_width
from fitwright.told import told

LEFT, TOP, DEEP = 30.0, 14.0, 150.0


@dataclass(frozen=True)
class FeelingLine:
    """One site: words, side for its sign ("left", "right", "both"), a rating or None for each moment."""

    words: str
    side: str
    ratings: tuple[int | None, ...]


def feeling_svg(
    title: str,
    moments: Sequence[str],
    lines: Sequence[FeelingLine],
    theme: Theme = "page",
    width: float = 380.0,
) -> str:
    """The lines as SVG; the words stand at the end of each line that reaches the last moment,
    moved apart where they would lie on each other."""
    words = "; ".join(
        f"{told(x.words)} {' → '.join('–' if r is None else str(r) for r in x.ratings)}" for x in lines
    )
    pen = Pen(width, TOP + DEEP + 30.0, title, words, theme)
    room = max((text_width(shorten(x.words, 26), SMALL) for x in lines), default=0.0) + 18.0
    right = width - min(room, width * 0.45)
    across = [LEFT + (right - LEFT) * k / max(len(moments) - 1, 1) for k in range(len(moments))]
    for rating in (0, 5, 10):
        y = _y(rating)
        pen.line((LEFT - 6, y), (right, y), pen.ink.hair, THIN)
        pen.text((LEFT - 10, y + 4), str(rating), SMALL, pen.ink.soft, "end")
    crowded = len(moments) > 5
    for k, (x, moment) in enumerate(zip(across, moments, strict=True)):
        anchor = "start" if k == 0 else "end" if k == len(moments) - 1 and k else "middle"
        said = moment.split()[-1] if crowded and k else moment
        pen.text((x, TOP + DEEP + 22), said, SMALL, pen.ink.soft, "middle" if crowded and k else anchor)
    ends = []
    for line in lines:
        points: list[XY] = [(x, _y(r)) for x, r in zip(across, line.ratings, strict=True) if r is not None]
        with pen.group(line.words):
            if len(points) > 1:
                pen.path(points, pen.ink.side(line.side), LINE)
            for at in points:
                pen.mark(at, line.side)
        if line.ratings and line.ratings[-1] is not None:
            ends.append((points[-1][1], line))
    for y, (_, line) in zip(_apart([y for y, _ in ends]), ends, strict=True):
        pen.text((right + 12, y + 4), shorten(line.words, 26), SMALL, pen.ink.ink)
    return pen.svg()


def _y(rating: float) -> float:
    return TOP + DEEP * (1 - rating / 10)


def _apart(ys: Sequence[float], gap: float = 14.0) -> list[float]:
    """Heights for the words, `gap` from each other where there is room for it, in the order of the lines' ends;
    none above the scale and none below it."""
    gap = min(gap, DEEP / max(len(ys) - 1, 1))
    order = sorted(range(len(ys)), key=lambda k: ys[k])
    placed = list(ys)
    last = TOP - gap
    for k in order:
        last = placed[k] = max(placed[k], last + gap)
    last = TOP + DEEP + gap
    for k in reversed(order):
        last = placed[k] = min(placed[k], last - gap)
    return placed
