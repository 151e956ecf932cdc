"""What is measured for clearance and stance: crank and stays beside the heel, the front wheel before the toe."""

from __future__ import annotations

from fitwright.foot.toe_overlap import LIMITS as FRONT_LIMITS
from fitwright.studio import bike
from fitwright.studio.bike import CALIPER, LASER, MARKED, RULER
from fitwright.studio.entry import Field, Method

GUESSED = Method("guessed", "estimated", 5.0)
LENGTHS = (RULER, CALIPER, LASER, GUESSED)
ANGLES = (
    Method("gauge", "angle gauge", 0.3),
    MARKED,
    Method("drawing", "frame drawing", 0.3),
    Method("guessed", "estimated", 1.5),
)


def _mm(name: str, label: str, hint: str, low: float, high: float, *, needed: bool = False) -> Field:
    return Field(name, label, unit="mm", low=low, high=high, methods=LENGTHS, hint=hint, needed=needed)


AT_BIKE = tuple(f for f in bike.FIELDS if f.name in ("crank_mm", "q_factor_mm", "pedal_offset_mm")) + tuple(
    f for f in bike.FIELDS if f.name.startswith("spacer_")
)
BESIDE_HEEL = (
    _mm("heel_breadth_mm", "Shoe’s heel, breadth", "wall to wall; used where no edge of the sole was found", 40, 120),
    _mm("arms_at_axle_mm", "Crank arms at the axle", "outer face to outer face at the bottom bracket", 60, 300),
    _mm("stay_length_mm", "Chainstay", "bottom-bracket axle to rear axle", 300, 600),
    _mm("stay_rise_mm", "Rear axle above the bottom bracket", "below is negative", -60, 140),
    _mm("stay_front_mm", "Stays at the front", "over both, just behind the bottom bracket", 30, 200),
    _mm("stay_middle_mm", "Stays half-way", "over both", 40, 260),
    _mm("stay_rear_mm", "Stays at the rear axle", "over everything that sticks out", 90, 320),
)  # fmt: skip
OTHER = (
    _mm("other_behind_mm", "Another part, behind", "its middle, from the bottom bracket; ahead negative", -300, 800),
    _mm("other_up_mm", "… up", "its middle above the bottom-bracket axle", -300, 700),
    _mm("other_half_mm", "… half its size", "as seen from the side", 3, 300),
    _mm("other_out_mm", "… outward", "its outer face from the bike’s middle", 5, 400),
)  # fmt: skip
_FRONT_WORDS = {
    "front_centre_mm": ("Bottom bracket to front axle", "straight line, axle to axle"),
    "axle_above_bb_mm": ("Front axle above the bottom bracket", "below is negative"),
    "radius_mm": ("Front wheel’s radius", "floor to axle, with the tyre"),
    "tyre_width_mm": ("Tyre", "its breadth"),
    "head_angle_deg": ("Steering axis", "from the horizontal"),
    "fork_offset_mm": ("Fork offset", "axle ahead of the steering axis, square to it"),
}
FRONT = tuple(
    Field(
        name, _FRONT_WORDS[name][0], unit=unit, low=low, high=high, hint=_FRONT_WORDS[name][1],
        methods=ANGLES if unit == "deg" else LENGTHS,
    )
    for name, (low, high, unit) in FRONT_LIMITS.items()
)  # fmt: skip
STEER = Field(
    "steer_deg",
    "Turn the wheel up to",
    unit="deg",
    low=0,
    high=60,
    hint="either way; 25 is usual at walking pace",
)
HERE = (*BESIDE_HEEL, *OTHER, *FRONT, STEER)
USUAL_STEER_DEG = 25.0  # common practice, no source
