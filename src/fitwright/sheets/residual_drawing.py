"""Residual analysis as movement science draws it: what the filter takes away, by cut-off, and the noise under it."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np

from fitwright.sheets.ink import SMALL, TEXT, THIN, XY, Pen, Theme, nice_ticks

TOP = 6.0  # the axis ends at that many times the noise: the cut-off is read near the noise, not at the top


def residual_svg(
    label: str, facts: Mapping[str, Any], theme: Theme = "page", width: float = 340.0, height: float = 220.0,
    ident: str = "",
) -> str:  # fmt: skip
    """One point's residual curve (solid), the line of pure noise (dashed), and where the cut-off was set.

    Args:
        facts: of the point, from `smooth_trajectories`, with "residual", "cutoff_hz" and "noise_mm".
    """
    curve = facts["residual"]
    f, residual, line = (np.array(curve[k]) for k in ("frequencies_hz", "residual_mm", "line_mm"))
    found, used, noise = float(curve["found_hz"]), float(facts["cutoff_hz"]), float(facts["noise_mm"])
    words = f"Noise {noise:.2g} mm; residual equals it at {found:.1f} Hz; used {used:.1f} Hz."
    pen = Pen(width, height, f"Smoothing of {label}", words, theme, ident)
    x0, x1, y0, y1 = 46.0, width - 12.0, height - 36.0, 44.0
    top, end = TOP * noise, float(f[-1])

    def place(hz: float, mm: float) -> XY:
        return x0 + hz / end * (x1 - x0), y0 - mm / top * (y0 - y1)

    for tick in nice_ticks(0, top, about=4):
        (xa, y), (xb, _) = place(0, tick), place(end, tick)
        pen.line((xa, y), (xb, y), pen.ink.hair, 0.6)
        pen.text((xa - 7, y + 4), f"{tick:g}", SMALL, pen.ink.soft, "end")
    for tick in nice_ticks(0, end, about=5):
        pen.text((place(tick, 0)[0], y0 + 16), f"{tick:g}", SMALL, pen.ink.soft, "middle")
    pen.line(place(0, 0), place(end, 0), pen.ink.hair, THIN)
    pen.line(place(0, noise), place(found, noise), pen.ink.soft, THIN, "1.5 3")
    pen.line(place(used, 0), place(used, top), pen.ink.soft, THIN, "9 3 1.5 3")
    first = int(np.argmax(residual <= top))
    if first > 0:  # the curve comes in through the top of the drawing
        share = (residual[first - 1] - top) / (residual[first - 1] - residual[first])
        first -= 1
        f[first] += share * (f[first + 1] - f[first])
        residual[first] = top
    pen.path([place(a, b) for a, b in zip(np.r_[0.0, f], np.r_[noise, line], strict=True)], pen.ink.ink, 1.2,
             dash="4 2.8")  # fmt: skip
    pen.path([place(a, b) for a, b in zip(f[first:], residual[first:], strict=True)], pen.ink.ink, 2.0)
    pen.circle(place(min(found, end), noise), 4.2, pen.ink.ink, pen.ink.ink)
    pen.text((8, 16), label, TEXT, pen.ink.ink)
    pen.text((8, 32), f"residual, mm · used {used:.1f} Hz", SMALL, pen.ink.soft)
    pen.text((x1, y0 + 30), "cut-off, Hz", SMALL, pen.ink.soft, "end")
    return pen.svg()
