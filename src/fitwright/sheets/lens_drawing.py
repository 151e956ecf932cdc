"""Where the corners of a calibration lay in the picture, and how far each missed the fit (drawn much longer)."""

from __future__ import annotations

import numpy as np

from fitwright.sheets.ink import HAIRLINE, SMALL, THIN, Pen, Theme, num, polyline
from fitwright.vision.calibration import CameraCalibration

WIDTH, MARGIN, FOOT = 520.0, 10.0, 34.0
LONGEST = 26.0
"""Length of the largest ordinary residual on the drawing; beyond three times that it is cut."""


def residuals_svg(calibration: CameraCalibration, marked: str = "", theme: Theme = "page") -> str:
    """The picture's frame with every corner's residual; the pictures named `marked` in full ink, the others soft."""
    width_px, height_px = calibration.size_px
    scale = (WIDTH - 2 * MARGIN) / width_px
    height = 2 * MARGIN + height_px * scale + FOOT
    many = len(calibration.by_picture)
    pen = Pen(
        WIDTH, height, "Residuals of the calibration",
        f"{many} pictures; {calibration.rms_px:.2f} px rms. Each line runs from where a corner was expected towards "
        "where it was seen.", theme,
    )  # fmt: skip
    every = np.concatenate([np.linalg.norm(v.residuals_px, axis=1) for v in calibration.views])
    usual = max(float(np.quantile(every, 0.95)), 1e-6)
    stretch = LONGEST / usual
    pen.add(
        "rect", x=MARGIN, y=MARGIN, width=width_px * scale, height=height_px * scale, fill="none",
        stroke=pen.ink.hair, stroke_width=HAIRLINE,
    )  # fmt: skip
    middle = np.array([MARGIN, MARGIN]) + np.array([width_px, height_px]) * scale / 2
    pen.cross((float(middle[0]), float(middle[1])), 5, pen.ink.hair, HAIRLINE)
    for strong in (False, True):
        views = [v for v in calibration.views if (v.picture == marked) is strong]
        if not views:
            continue
        at = np.concatenate([v.points_px - v.residuals_px for v in views]) * scale + MARGIN
        long = np.concatenate([v.residuals_px for v in views]) * stretch
        size = np.linalg.norm(long, axis=1, keepdims=True)
        ends = at + long * np.minimum(1, 3 * LONGEST / np.maximum(size, 1e-9))
        lines = "".join(polyline([a, b], decimals=1) for a, b in zip(at, ends, strict=True))
        pen.add(
            "path", d=lines, fill="none", stroke=pen.ink.ink if strong else pen.ink.soft,
            stroke_width=1.4 if strong else THIN * 0.7, opacity=None if strong else 0.8,
        )  # fmt: skip
    y = height - FOOT + 14
    pen.line((MARGIN, y), (MARGIN + LONGEST, y), pen.ink.ink, THIN)
    words = f"{num(usual)} px, 95 % of corners miss by less" + (f"; in full ink: {marked}" if marked else "")
    pen.text((MARGIN + LONGEST + 8, y + 4), words, SMALL, pen.ink.soft)
    return pen.svg()
