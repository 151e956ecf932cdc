"""What is measured on the left and on the right: foot, shin, leg and joint ranges.

Each measure has hard limits, the uncertainty of one reading by hand and by tool, and the difference between the sides
from which one asks whether both were read right. Uncertainties and those differences are our assumptions, no source.
Published figures stand beside as text: a population's mean is no target.
"""

from __future__ import annotations

from dataclasses import dataclass

from fitwright.quantity import Measured, combine


@dataclass(frozen=True)
class Sided:
    """A measure of each side.

    Attributes:
        stem: of its name; label; unit; low, high: hard limits; u_hand, u_tool: standard uncertainty of one reading,
        what repeats average out and what they do not. apart: difference of the sides that is asked about. part:
        "foot", "leg" or "range". hint: how. sample: its name in the reference sample. norm: published, with source.
    """

    stem: str
    label: str
    unit: str
    low: float
    high: float
    u_hand: float
    u_tool: float
    apart: float
    part: str
    hint: str
    sample: str = ""
    norm: str = ""

    def name(self, side: str) -> str:
        """Of the field of one side: `ball_length_left_mm`."""
        return f"{self.stem}_{side}_{self.unit}"

    @property
    def key(self) -> str:
        """Without a side: `ball_length_mm`."""
        return f"{self.stem}_{self.unit}"


FOREFOOT_NORM = (
    "121 healthy adults of 20 to 50 years had on average 6° of varus, and none had the “ideal” foot with 0° "
    "everywhere (Åström & Arvidson 1995, J Orthop Sports Phys Ther 22:216)."
)
TORSION_NORM = (
    "On CT, people of 67 to 91 years without arthritis had a median of 28.5°, the right shin 1.5° further out than "
    "the left (2021, PMC7875943). A goniometer on the skin need not read what CT reads."
)
ARCH_NORM = (
    "Arch height over ball length is the arch height index; the definition is that of Williams & McClay 2000 "
    "(Phys Ther 80:864, from memory) and McPoil et al. 2008 (Foot 18:220)."
)

SIDED = (
    Sided("foot_length", "Foot length", "mm", 150, 350, 1.5, 1.0, 12, "foot", "heel to longest toe, standing",
          "foot_length_mm"),
    Sided("ball_length", "Ball length", "mm", 90, 280, 2.5, 1.0, 12, "foot",
          "heel to the bump of the big toe’s joint, along the foot", "ball_of_foot_length_mm"),
    Sided("foot_breadth", "Foot breadth", "mm", 50, 160, 1.5, 1.0, 10, "foot", "widest at the ball, standing",
          "foot_breadth_mm"),
    Sided("heel_breadth", "Heel breadth", "mm", 35, 120, 1.5, 1.0, 10, "foot", "widest at the heel, standing",
          "heel_breadth_mm"),
    Sided("arch_height", "Arch height", "mm", 30, 120, 1.5, 1.0, 12, "foot",
          "floor to the top of the foot at half its length, standing on both", norm=ARCH_NORM),
    Sided("malleolus_forward", "Heel to ankle bone", "mm", 15, 130, 3.0, 1.0, 15, "foot",
          "rear of the heel to the tip of the outer ankle bone, along the foot"),
    Sided("forefoot_angle", "Forefoot to rearfoot", "deg", -30, 35, 2.5, 1.0, 15, "foot",
          "lying face down, heel’s middle line vertical; big-toe side higher (varus) is positive",
          norm=FOREFOOT_NORM),
    Sided("leg_length", "Leg length", "mm", 450, 1250, 4.0, 2.0, 30, "leg",
          "bony point at the front of the hip to the inner ankle bone, lying"),
    Sided("tibial_torsion", "Shin torsion", "deg", -30, 75, 3.0, 1.0, 20, "leg",
          "line through both ankle bones against the knee’s axis, outward is positive", norm=TORSION_NORM),
    Sided("hip_internal", "Hip turned inward", "deg", 0, 90, 3.0, 1.0, 25, "range", "seated, knee bent"),
    Sided("hip_external", "Hip turned outward", "deg", 0, 90, 3.0, 1.0, 25, "range", "seated, knee bent"),
    Sided("straight_leg_raise", "Straight-leg raise", "deg", 0, 140, 3.0, 1.0, 30, "range",
          "lying, the other leg flat: thigh against the table"),
    Sided("knee_extension", "Knee, straightened", "deg", -30, 30, 2.0, 1.0, 12, "range",
          "standing upright; bent is positive, bending backwards negative"),
    Sided("knee_flexion", "Knee, bent", "deg", 60, 175, 3.0, 1.0, 25, "range", "lying, heel towards the seat"),
    Sided("ankle_dorsiflexion", "Ankle, toes up", "deg", -30, 65, 2.5, 1.0, 20, "range",
          "knee bent, heel down; 0° is the foot square to the shin"),
)  # fmt: skip
BY_NAME = {m.name(side): (m, side) for m in SIDED for side in ("left", "right")}
BY_STEM = {m.stem: m for m in SIDED}


def ratio(top: Measured, bottom: Measured, method: str) -> Measured:
    """top / bottom, independent: relative uncertainties in quadrature (JCGM 100, 5.1.6)."""
    value = top.value / bottom.value
    return Measured(value, abs(value) * combine(top.u / top.value, bottom.u / bottom.value), "1", method)
