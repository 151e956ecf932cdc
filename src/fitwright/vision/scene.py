"""What else is known around a film: points that stand still in the picture, and lengths that a tape told.

Everything here is optional. What is missing is replaced by what is usual, less surely.
"""

from __future__ import annotations

from collections.abc import Mapping
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

DEPTH_MM: dict[str, tuple[float, float]] = {
    "pedal_axle": (180.0, 20.0), "heel": (150.0, 20.0), "fifth_metatarsal": (172.0, 20.0),
    "lateral_malleolus": (162.0, 20.0), "lateral_femoral_condyle": (168.0, 22.0),
    "greater_trochanter": (170.0, 20.0), "acromion": (205.0, 25.0), "elbow": (240.0, 40.0), "wrist": (235.0, 40.0),
}  # fmt: skip
"""Distance of each sticker from the bike's mid-plane, mm, and its standard uncertainty (our choice; the hip from half
the hip breadth of adults, the foot from usual stance widths)."""
USUAL_STANCE_MM, USUAL_HIP_BREADTH_MM = 128.0, 330.0
KNOWN_U_MM = 9.0
"""What is left of a depth's uncertainty when the length it hangs from was measured (our choice)."""
FROM_STANCE = {"pedal_axle": 1.0, "heel": 1.0, "fifth_metatarsal": 1.0, "lateral_malleolus": 1.0,
               "lateral_femoral_condyle": 0.5}  # fmt: skip
FROM_HIPS = {"greater_trochanter": 1.0, "lateral_femoral_condyle": 0.5}
"""Share by which a point goes out with the pedal, and with the hip (our choice: the knee half with each)."""


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
        usual, u = DEPTH_MM.get(name, (170.0, 30.0))
        stance, hips = FROM_STANCE.get(name, 0.0), FROM_HIPS.get(name, 0.0)
        known = 0.0
        if self.stance_mm is not None:
            usual, known = usual + stance * (self.stance_mm - USUAL_STANCE_MM), known + stance
        if self.hip_breadth_mm is not None:
            usual, known = usual + hips * (self.hip_breadth_mm - USUAL_HIP_BREADTH_MM) / 2, known + hips
        return usual, combine(known * KNOWN_U_MM, (1.0 - known) * u)
