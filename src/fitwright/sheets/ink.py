"""Ink and pen: the palette, the line weights and the writing of every drawing.

Two themes share one set of drawings. "page" colours are CSS custom properties with a fallback, so light, dark
and print follow the page that embeds the drawing; "paper" colours are fixed, for PDF. A page may set

    --ink --ink-soft --hair --paper --band --wash --left --right --left-wash --right-wash

Left is a circle in blue, right a triangle in vermilion, both sides together a diamond in ink. Before is hollow,
now is solid, predicted is dashed. Colours stand in presentation attributes only: no style element and no style
attribute, so a strict content security policy may stay on.
"""

from __future__ import annotations

import math
import xml.etree.ElementTree as ET
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike

from fitwright.told import told

Theme = Literal["page", "paper"]
State = Literal["now", "before", "predicted"]
XY = tuple[float, float]


@dataclass(frozen=True)
class Ink:
    """Colours of one theme, and its typeface.

    `ink` for what was measured, `soft` for words and the bike, `hair` for guides and ghosts, `paper` fills hollow
    marks, `band` targets, `wash` the rider's body.
    """

    ink: str
    soft: str
    hair: str
    paper: str
    band: str
    wash: str
    left: str
    right: str
    left_wash: str
    right_wash: str
    font: str

    def side(self, side: str) -> str:
        """Line colour of a side; "both" is plain ink."""
        return {"left": self.left, "right": self.right}.get(side, self.ink)

    def side_wash(self, side: str) -> str:
        """Pale fill of a side, for ribbons and areas."""
        return {"left": self.left_wash, "right": self.right_wash}.get(side, self.band)


_FIXED = {
    "ink": "#23272b", "soft": "#6b675f", "hair": "#cfc7b6", "paper": "#fbf8f1", "band": "#ece4d1",
    "wash": "#f3ecdd", "left": "#0072B2", "right": "#D55E00", "left-wash": "#cfe0ea", "right-wash": "#f3d3bf",
}  # fmt: skip
_NAMES = {"soft": "ink-soft"}


def ink(theme: Theme) -> Ink:
    """The palette of "page" (CSS custom properties with fallbacks) or "paper" (fixed, white ground)."""
    if theme == "paper":
        fixed = _FIXED | {"paper": "#ffffff", "wash": "#f6f1e6"}
        return Ink(**{k.replace("-", "_"): v for k, v in fixed.items()}, font="DejaVu Sans")
    themed = {k.replace("-", "_"): f"var(--{_NAMES.get(k, k)}, {v})" for k, v in _FIXED.items()}
    return Ink(**themed, font="system-ui, 'Segoe UI', 'DejaVu Sans', sans-serif")


HAIRLINE, THIN, LINE, BOLD = 0.8, 1.1, 1.5, 2.2
SMALL, TEXT, VALUE = 11.0, 12.5, 15.0
DASH_PREDICTED, DASH_AXIS = "4 2.8", "9 3 1.5 3"


def num(value: float, decimals: int = 2) -> str:
    """A coordinate, short and free of "-0"."""
    words = f"{value:.{decimals}f}".rstrip("0").rstrip(".")
    return "0" if words in ("-0", "") else words


def text_width(words: str, size: float) -> float:
    """Advance of a line, em widths of DejaVu Sans by class of letter (a generous bound for other sans faces)."""
    words = told(words)
    wide, narrow = "mwMW—@%…", "iljftrI.,:;'|!()[] "
    em = (
        1.0 if ord(c) > 0x2E80 else 0.92 if c in wide else 0.38 if c in narrow else 0.7 if c.isupper()
        else 0.84 if c in "±+−=" else 0.62 for c in words
    )  # fmt: skip
    return sum(em) * size


def shorten(words: str, most: int) -> str:
    """The words, cut with an ellipsis when longer than `most` characters; line breaks become spaces."""
    return cut(told(words), most)


def cut(words: str, most: int) -> str:
    """The same for what somebody typed: a name is never told in another language."""
    flat = " ".join(words.split())
    return flat if len(flat) <= most else flat[: most - 1].rstrip() + "…"


class Pen:
    """Writes one SVG: well-formed by construction, with role (img; group once it holds a link), title, description.

    Coordinates are user units, y down. `width`, `height` make the viewBox; the embedding page or document decides
    the size on screen or paper.
    """

    def __init__(
        self, width: float, height: float, title: str, desc: str, theme: Theme = "page", ident: str = "",
        decimals: int = 2,
    ) -> None:  # fmt: skip
        self.theme, self.ink = theme, ink(theme)
        self.title, self.decimals = title, decimals
        self.root = ET.Element(
            "svg", {
                "xmlns": "http://www.w3.org/2000/svg", "viewBox": f"0 0 {num(width)} {num(height)}",
                "role": "img", "font-family": self.ink.font, "stroke-linecap": "round",
                "stroke-linejoin": "round",
            },
        )  # fmt: skip
        self.width, self.height = width, height
        for tag, words in (("title", title), ("desc", desc)):
            ET.SubElement(self.root, tag).text = printable(told(words))
        if ident:
            self.root.set("aria-labelledby", f"{ident}-t {ident}-d")
            self.root[0].set("id", f"{ident}-t")
            self.root[1].set("id", f"{ident}-d")
        else:
            self.root.set("aria-label", printable(told(title)))
        self.at = self.root

    def svg(self) -> str:
        """The finished drawing."""
        return ET.tostring(self.root, encoding="unicode")

    def add(self, tag: str, **attributes: str | float | None) -> ET.Element:
        """One element; `_` in a name becomes `-`, None leaves the attribute out."""
        given = {
            k.rstrip("_").replace("_", "-"): v if isinstance(v, str) else num(v, self.decimals)
            for k, v in attributes.items() if v is not None and v != ""
        }  # fmt: skip
        return ET.SubElement(self.at, tag, given)

    def group(self, hint: str = "", href: str = "") -> Group:
        """Elements drawn inside `with pen.group(...)` share a hover hint and, where given, a link."""
        return Group(self, hint, href)

    def line(self, a: XY, b: XY, color: str, width: float = THIN, dash: str = "") -> None:
        """A straight line."""
        self.add(
            "line", x1=a[0], y1=a[1], x2=b[0], y2=b[1], stroke=color, stroke_width=width,
            stroke_dasharray=dash,
        )  # fmt: skip

    def path(
        self, points: ArrayLike, color: str = "none", width: float = THIN, *, fill: str = "none",
        close: bool = False, dash: str = "", opacity: float | None = None,
    ) -> None:  # fmt: skip
        """A polyline through (N, 2) points, closed on wish."""
        self.add(
            "path", d=polyline(points, close, self.decimals), stroke=color, fill=fill,
            stroke_width=None if color == "none" else width, stroke_dasharray=dash, opacity=opacity,
        )  # fmt: skip

    def circle(self, c: XY, r: float, color: str = "none", fill: str = "none", width: float = THIN,
               dash: str = "") -> None:  # fmt: skip
        """A circle."""
        self.add(
            "circle",
            cx=c[0],
            cy=c[1],
            r=r,
            stroke=color,
            fill=fill,
            stroke_width=width,
            stroke_dasharray=dash,
        )

    def text(
        self, at: XY, words: str, size: float = TEXT, color: str | None = None, anchor: str = "start",
        bold: bool = False, turn_deg: float = 0.0,
    ) -> None:  # fmt: skip
        """One line of text, its baseline at `at`."""
        self.add(
            "text", x=at[0], y=at[1], font_size=size, fill=color or self.ink.ink,
            text_anchor=None if anchor == "start" else anchor, font_weight="600" if bold else None,
            transform=f"rotate({num(turn_deg)} {num(at[0])} {num(at[1])})" if turn_deg else None,
        ).text = printable(told(words))  # fmt: skip

    def mark(self, at: XY, side: str, state: State = "now", size: float = 5.0) -> None:
        """The sign of a side in a state: circle, triangle or diamond; solid, hollow or dashed."""
        color, width = self.ink.side(side), 0.3 * size
        fill = color if state == "now" else self.ink.paper
        dash = f"{num(0.44 * size)} {num(0.36 * size)}" if state == "predicted" else ""
        if side == "left":
            self.circle(at, size * 0.92, color, fill, width, dash)
            return
        x, y = at
        triangle, diamond = (
            ((0.0, -1.0), (0.98, 0.76), (-0.98, 0.76)),
            ((0.0, -1.05), (1.05, 0.0), (0.0, 1.05), (-1.05, 0.0)),
        )
        points = [(x + size * a, y + size * b) for a, b in (triangle if side == "right" else diamond)]
        self.path(points, color, width, fill=fill, close=True, dash=dash)

    def cross(self, at: XY, size: float, color: str, width: float = THIN) -> None:
        """A diagonal cross, the sign of a mark made by hand."""
        x, y = at
        self.line((x - size, y - size), (x + size, y + size), color, width)
        self.line((x - size, y + size), (x + size, y - size), color, width)

    def legend(self, at: XY, entries: Sequence[tuple[str, str, State]], gap: float = 18.0) -> float:
        """A row of (words, side, state) with their signs; side "" is soft ink. Returns the x after it."""
        x, y = at
        for words, side, state in entries:
            if side:
                self.mark((x, y), side, state, 4.6)
            else:
                hollow, dash = state != "now", "2 1.7" if state == "predicted" else ""
                self.circle(
                    (x, y), 4.2, self.ink.soft, self.ink.paper if hollow else self.ink.soft, 1.4, dash
                )
            self.text((x + 10, y + 4), words, SMALL, self.ink.soft)
            x += 10 + text_width(words, SMALL) + gap
        return x


class Group:
    """Context manager behind `Pen.group`."""

    def __init__(self, pen: Pen, hint: str, href: str) -> None:
        self.pen, self.outer = pen, pen.at
        if href:
            self.node = ET.SubElement(self.outer, "a", {"href": safe_href(href)})
            pen.root.set("role", "group")  # what lies inside an img is hidden from a screen reader, links too
        else:
            self.node = ET.SubElement(self.outer, "g")
        if hint:
            ET.SubElement(self.node, "title").text = printable(told(hint))

    def __enter__(self) -> ET.Element:
        self.pen.at = self.node
        return self.node

    def __exit__(self, *_: object) -> None:
        self.pen.at = self.outer


def safe_href(href: str) -> str:
    """The address when it is a path, a fragment or http(s); anything else becomes "#"."""
    address = printable(href).strip()
    head = address.split(":", 1)
    schemed = len(head) == 2 and "/" not in head[0] and "#" not in head[0] and "?" not in head[0]
    return "#" if schemed and head[0].lower() not in ("http", "https") else address


def printable(words: str) -> str:
    """The words without the control characters and lone surrogates that XML does not allow."""
    if words.isprintable():
        return words
    return "".join(
        c for c in words
        if c in "\t\n\r" or (ord(c) >= 32 and not 0xD800 <= ord(c) <= 0xDFFF and ord(c) not in (0xFFFE, 0xFFFF))
    )  # fmt: skip


def polyline(points: ArrayLike, close: bool = False, decimals: int = 2) -> str:
    """The path data of a polyline; non-finite points break it into pieces."""
    parts: list[str] = []
    start = True
    for x, y in (np.round(np.asarray(points, dtype=np.float64), decimals) + 0.0).tolist():
        if not (math.isfinite(x) and math.isfinite(y)):
            start = True
            continue
        parts.append(f"{'M' if start else 'L'}{x:.12g} {y:.12g}")
        start = False
    return "".join(parts) + ("Z" if close and parts else "")


def nice_ticks(low: float, high: float, about: int = 4) -> list[float]:
    """Round tick values inside [low, high], roughly `about` of them."""
    span = max(high - low, 1e-9)
    raw = span / max(about, 1)
    scale = 10.0 ** math.floor(math.log10(raw))
    step = next(m * scale for m in (1.0, 2.0, 2.5, 5.0, 10.0) if m * scale >= raw * 0.999)
    first = math.ceil(low / step - 1e-9)
    return [round(k * step, 10) + 0.0 for k in range(first, math.floor(high / step + 1e-9) + 1)]


def span_of(values: Iterable[float], pad: float = 0.08) -> tuple[float, float]:
    """Smallest and largest finite value, widened by `pad` of the span; (0, 1) when there is none."""
    finite = [v for v in values if math.isfinite(v)]
    if not finite:
        return 0.0, 1.0
    low, high = min(finite), max(finite)
    margin = (high - low) * pad or max(abs(high) * 0.1, 1.0)
    return low - margin, high + margin
