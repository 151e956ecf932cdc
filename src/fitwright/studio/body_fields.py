"""The fields of the Body station, in the order in which a fitter needs them."""

from __future__ import annotations

from fitwright.body.measures import LIMITS, U_LANDMARK_MM, U_TAPE_MM
from fitwright.body.sided import SIDED, Sided
from fitwright.studio.entry import Field

SIDES = ("left", "right")
HANGING = tuple(
    Field(
        f"hanging_foot_{side}", f"Hanging foot, {side}", "readings", unit="deg", low=-30, high=50, needed=True,
        key="hanging_foot_deg", side=side,
        hint="three readings, toes out is positive; set the foot down between them",
    )
    for side in SIDES
)  # fmt: skip
LINE = Field(
    "hanging_line", "The line that was read", "choice",
    choices=(("shoe", "middle of the shoe’s sole"), ("bare", "bare foot, heel to second toe")),
    hint="on the bare foot the angle to the shoe is less certain",
)  # fmt: skip
MEASURED_BY = Field(
    "measured_by", "Measured by", "text",
    hint="name or initials, for what is kept though it is unusual",
)  # fmt: skip
# name: label, where from and where to, standard uncertainty, needed
TAPE = {
    "height_mm": ("Height", "without shoes", U_TAPE_MM, True),
    "inseam_mm": ("Inseam", "floor to crotch, a book pressed up firmly", U_TAPE_MM, True),
    "mass_kg": ("Mass", "", 0.5, False),
    "trochanter_height_mm": ("Hip height", "floor to the bony point at the side of the hip", U_LANDMARK_MM, False),
    "thigh_mm": ("Thigh", "hip point to the outer knee", U_LANDMARK_MM, False),
    "shank_mm": ("Shank", "outer knee to the outer ankle bone", U_LANDMARK_MM, False),
    "malleolus_height_mm": ("Ankle height", "floor to the outer ankle bone, barefoot", 3.0, False),
    "torso_mm": ("Trunk", "hip point to the tip of the shoulder", U_LANDMARK_MM, False),
    "upper_arm_mm": ("Upper arm", "tip of the shoulder to the elbow", U_LANDMARK_MM, False),
    "forearm_mm": ("Forearm", "elbow to the grip of the hand", U_LANDMARK_MM, False),
    "shoulder_width_mm": ("Shoulder width", "tip to tip", U_LANDMARK_MM, False),
    "leg_length_difference_mm": (
        "Leg length, right minus left", "by blocks under the foot; positive: right is longer", 5.0, False,
    ),
}  # fmt: skip
MEASURES = tuple(
    Field(n, label, unit=LIMITS[n][2], low=LIMITS[n][0], high=LIMITS[n][1], u=u, hint=hint, needed=needed)
    for n, (label, hint, u, needed) in TAPE.items()
)


def _of_side(m: Sided, side: str) -> Field:
    """Foot length is on record under the name of its side, as it was before the others came."""
    name = m.name(side)
    key, on = (name, "") if m.stem == "foot_length" else (m.key, side)
    return Field(
        name, f"{m.label}, {side}", "readings", unit=m.unit, low=m.low, high=m.high, u=m.u_hand, hint=m.hint,
        key=key, side=on,
    )  # fmt: skip


BOTH_SIDES = {m.name(side): _of_side(m, side) for m in SIDED for side in SIDES}
FIELDS = (LINE, *HANGING, *MEASURES, MEASURED_BY, *BOTH_SIDES.values())

BEGIN = tuple(f for f in MEASURES if f.name in ("height_mm", "inseam_mm"))
LENGTHS = tuple(f for f in MEASURES if f not in BEGIN and f.name != "leg_length_difference_mm")
DIFFERENCE = next(f for f in MEASURES if f.name == "leg_length_difference_mm")


def sided(*stems: str, part: str = "") -> tuple[Field, ...]:
    """Fields of both sides, by name of the measure or by part of the body without those named."""
    chosen = [m for m in SIDED if (m.part == part and m.stem not in stems if part else m.stem in stems)]
    return tuple(BOTH_SIDES[m.name(side)] for m in chosen for side in SIDES)
