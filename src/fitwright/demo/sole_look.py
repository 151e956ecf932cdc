"""How a simulated sole and its photograph look: tones, tread, mat, light, blur, what lies out of the card's plane."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from fitwright.demo.riders import SimRider

RGB = tuple[float, float, float]
LIGHT: RGB = (238.0, 238.0, 234.0)
PEN: RGB = (30.0, 30.0, 36.0)


@dataclass(frozen=True)
class SoleStyle:
    """Tones of an invented sole and cleat; `stroke` is the pen for the mid-line (it must show on the sole)."""

    rim: RGB
    face: RGB
    rubber: RGB
    groove: RGB
    plate: RGB
    stroke: RGB = LIGHT
    twill: float = 3.0
    lugs: bool = False


STYLES = {
    "woven": SoleStyle((58, 59, 62), (80, 82, 86), (46, 46, 48), (30, 30, 32), (142, 154, 150)),
    "pale": SoleStyle((206, 207, 205), (224, 224, 220), (72, 72, 74), (44, 44, 46), (96, 104, 112), PEN, 1.2),
    "lugged": SoleStyle(
        (50, 49, 47), (66, 64, 61), (40, 39, 38), (26, 26, 26), (158, 150, 132), LIGHT, 1.5, True
    ),
}
MATS = {
    "cloth": (134.0, 140.0, 136.0), "board": (178.0, 160.0, 132.0), "rubber": (88.0, 92.0, 96.0),
}  # fmt: skip


@dataclass(frozen=True)
class Look:
    """One photograph.

    Attributes:
        style, mat: names above. shadow: darkness 0 to 1; shadow_mm: where it falls, and how soft it is. uneven: how
        much the light falls off, as a share. blur_px: standard deviation in a picture 4032 px wide. noise: grey
        levels. quality: of the JPEG. lift_mm: of the sole above the card's plane; roll_deg: outer edge up;
        plate_mm: of the cleat's face above the sole. strokes, tape, dots, axle: which marks are there.
    """

    style: str = "woven"
    mat: str = "cloth"
    shadow: float = 0.55
    shadow_mm: tuple[float, float, float] = (3.0, 5.0, 3.0)
    uneven: float = 0.10
    blur_px: float = 0.65
    noise: float = 2.2
    quality: int = 92
    lift_mm: float = 0.0
    roll_deg: float = 0.0
    plate_mm: float = 0.0
    strokes: bool = True
    tape: bool = True
    dots: bool = True
    axle: bool = False


def demo_look(rider: SimRider) -> Look:
    """What the demo's two riders have under their feet: a sole level with the card, the cleat's face above it."""
    height = rider.cleat_height_mm
    if rider.cleat_key != "two_bolt":
        return Look(uneven=0.16, plate_mm=height)
    return Look(
        style="lugged", mat="board", shadow_mm=(-4.0, 4.0, 4.0), uneven=0.20, blur_px=0.8, plate_mm=height
    )


def hard_look(seed: int, *, flat: bool = False) -> Look:
    """A photograph as it comes: any sole on a mat that differs, any light, soft, noisy, and not quite in one plane.

    `flat` leaves out what lies out of the plane.
    """
    rng = np.random.default_rng([seed, 77])
    style, mat = (("woven", "cloth"), ("woven", "board"), ("pale", "cloth"), ("pale", "rubber"), ("lugged", "board"),
                  ("lugged", "cloth"))[int(rng.integers(6))]  # fmt: skip
    angle, far = rng.uniform(0, 2 * np.pi), rng.uniform(2.0, 6.0)
    off = 0.0 if flat else 1.0
    return Look(
        style, mat, float(rng.uniform(0.25, 0.7)),
        (float(far * np.cos(angle)), float(far * np.sin(angle)), float(rng.uniform(2.0, 5.0))),
        float(rng.uniform(0.05, 0.30)), float(rng.uniform(0.5, 1.4)), float(rng.uniform(1.5, 4.5)),
        int(rng.integers(80, 95)), off * float(rng.normal(0, 0.7)), off * float(rng.normal(0, 0.3)),
        off * float(rng.uniform(3.0, 7.0)),
    )  # fmt: skip
