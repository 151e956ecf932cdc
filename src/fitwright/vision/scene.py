"""What else is known around a film: points that stand still in the picture, and lengths that a tape told.

Everything here is optional. What is missing is replaced by what is usual, less surely.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from fitwright.errors import check_range
from fitwright.quantity import Floats, combine
from fitwright.vision.level import LEVEL_POINTS
from fitwright.vision.wheels import LENGTH_POINTS, RIM_POINTS, KnownSize

STEADY_POINTS = ("bottom_bracket", "rear_axle", "front_axle", "fixed_1", "fixed_2", "fixed_3")
"""Still points that are followed through the film: they show whether the camera moved."""
STILL_POINTS = tuple(dict.fromkeys(
    (*STEADY_POINTS, *LEVEL_POINTS, *(n for _, rim in RIM_POINTS.values() for n in rim), *LENGTH_POINTS)
))  # fmt: skip
"""All points that do not move with the rider. Those that are not followed count where they were marked: along an edge
there is nothing to follow."""

OTHER_DEPTH_MM = (170.0, 30.0)
DEPTH_MM: dict[str, tuple[float, float]] = {
    "pedal_axle": (180.0, 6.0), "heel": (152.0, 8.0), "fifth_metatarsal": (175.0, 8.0),
    "lateral_malleolus": (154.0, 7.0), "lateral_femoral_condyle": (168.0, 14.0),
    "greater_trochanter": (170.0, 10.0), "acromion": (205.0, 25.0), "elbow": (240.0, 40.0), "wrist": (235.0, 40.0),
}  # fmt: skip
"""Distance of each sticker from the bike's mid-plane, mm, and what of its standard uncertainty is its own: where it
sits, how the knee is carried (our choice).

The foot's middle stands over the pedal's. From there malleolus, heel and M5 lie half a breadth out (bimalleolar 71,
heel 70, ball 97 mm, means of women's and men's means, Gordon et al. 2014, NATICK/TR-15/007), the heel with some
millimetres of shoe; the turned foot (`TOE_OUT_DEG`) brings in what is behind the axle."""
TOE_OUT_DEG, TOE_OUT_U_DEG = 5.0, 4.0
"""Of a foot on its pedal: between straight and the 7.5 ± 5° of walking ("The angle of gait", J Bone Joint Surg
14(4), 1932); our choice."""
BEHIND_AXLE_MM = {"lateral_malleolus": 120.0, "heel": 170.0}
"""How far these lie behind the pedal's axle, along the sole (our choice: a foot of 260 mm)."""
USUAL_MM = {"stance": 128.0, "hips": 165.0}
"""Pedal's middle to mid-plane (common practice, no source), and half the breadth over both trochanters."""
USUAL_U_MM = {"stance": 10.0, "hips": 12.5}
"""How much these differ between bikes (common practice, no source) and riders (half the SD of hip breadth: 24 mm in
men, 27 mm in women, Gordon et al. 2014, NATICK/TR-15/007)."""
MEASURED_U_MM = {"stance": 1.0, "hips": 5.0}
"""How well each is known once somebody measured it; flesh and a seat off the middle count in (our choice)."""
HANGS_FROM: dict[str, dict[str, float]] = {
    "stance": {"pedal_axle": 1.0, "heel": 1.0, "fifth_metatarsal": 1.0, "lateral_malleolus": 1.0,
               "lateral_femoral_condyle": 0.5},
    "hips": {"greater_trochanter": 1.0, "lateral_femoral_condyle": 0.5},
}  # fmt: skip
"""Share by which a point goes out with the pedal, and with the hip (our choice: the knee half with each)."""


def sticker_shifts(names: Sequence[str]) -> tuple[dict[str, float], ...]:
    """What may be wrong about the depths on a bike and a rider of known widths, one independent thing at a time, each
    by its standard uncertainty: name → mm. A foot turned out more brings heel and malleolus in together."""
    turned = {n: -mm * math.radians(TOE_OUT_U_DEG) for n, mm in BEHIND_AXLE_MM.items() if n in names}
    return (*([turned] if turned else []), *({n: DEPTH_MM.get(n, OTHER_DEPTH_MM)[1]} for n in names))


@dataclass(frozen=True)
class Scene:
    """Still points and lengths around a side film.

    Attributes:
        still_px: name → (2,) pixels of the upright picture, of `STILL_POINTS` that are not followed, marked in the
            frame at marked_s.
        front_higher_mm: by how much the front axle (or front contact place) is higher than the rear one.
        wheel_mm: diameter of the circle on which the rim points lie. length_mm: between the points length_1 and
            length_2, which lie length_depth_mm beside the mid-plane (toward the camera).
        stance_mm: pedal's middle to mid-plane. hip_breadth_mm: over both trochanters.
        cards: boards found in the picture, pixels from the picture's centre, u forward.
    """

    still_px: Mapping[str, Floats] = field(default_factory=dict)
    marked_s: float | None = None
    front_higher_mm: float = 0.0
    wheel_mm: float | None = None
    length_mm: float | None = None
    length_depth_mm: float = 0.0
    stance_mm: float | None = None
    hip_breadth_mm: float | None = None
    cards: tuple[KnownSize, ...] = ()

    def __post_init__(self) -> None:
        for name, low, high in (("front_higher_mm", -300, 300), ("wheel_mm", 250, 900), ("length_mm", 100, 3000),
                                ("length_depth_mm", -1000, 1000), ("stance_mm", 90, 200),
                                ("hip_breadth_mm", 220, 520)):  # fmt: skip
            value = getattr(self, name)
            if value is not None:
                check_range(name, value, low, high, "mm")

    def depth(self, name: str) -> tuple[float, float]:
        """Distance of a point from the mid-plane and its u, mm: as usual, moved by what was measured."""
        usual = DEPTH_MM.get(name, OTHER_DEPTH_MM)[0]
        for width, half_mm in self._half_mm.items():
            if half_mm is not None:
                usual += HANGS_FROM[width].get(name, 0.0) * (half_mm - USUAL_MM[width])
        return usual, combine(*(shift.get(name, 0.0) for shift in self.depth_shifts((name,))))

    def depth_shifts(self, names: Sequence[str]) -> tuple[dict[str, float], ...]:
        """What may be wrong about the depths of these points, one independent thing at a time, each by its standard
        uncertainty: name → mm. A bike wider than thought moves all points of the foot together."""
        out = []
        for width, half_mm in self._half_mm.items():
            u = (USUAL_U_MM if half_mm is None else MEASURED_U_MM)[width]
            out.append({n: share * u for n, share in HANGS_FROM[width].items() if n in names})
        return tuple(shift for shift in (*out, *sticker_shifts(names)) if shift)

    @property
    def _half_mm(self) -> dict[str, float | None]:
        return {
            "stance": self.stance_mm,
            "hips": None if self.hip_breadth_mm is None else self.hip_breadth_mm / 2,
        }
