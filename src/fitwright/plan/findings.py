"""Findings: each value against its band, with the probability of lying inside, possible causes and the next test.

Besides joint angles: where the axle runs under the foot against the chosen setting, the cleat's rotation against
the hanging foot, and the margin of the ridden yaw to the ends of the float. Knee travel is described, never acted
on.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from fitwright.plan import reading
from fitwright.plan.inputs import SIDES, PlanInputs
from fitwright.plan.targets import TARGETS, band_for, check_targets, for_use
from fitwright.plan.types import Finding, Target
from fitwright.quantity import Measured, combine, distinguishable, probability_within

LAMBDA_TOLERANCE = 0.06  # about 2.5 mm at the axle; our choice
ROTATION_TOLERANCE_DEG = 2.0  # our choice
FLOAT_MARGIN_DEG = 1.0  # our choice
RULE = "first setting of the cleat; common practice, no source"

CAUSES: Mapping[str, tuple[tuple[str, ...], tuple[str, ...], str]] = {
    "knee_flexion_deg": (
        ("saddle high for this leg", "heel carried low at the bottom", "cleat far back or shoe thin"),
        ("saddle low for this leg", "heel carried high at the bottom", "cleat far forward or shoe thick"),
        "look at the sole pitch at the bottom: a low heel with a bent knee, or a high heel with a straight one, "
        "speaks for a habit of the ankle rather than for the saddle",
    ),
    "axle_under_foot": (
        ("cleat far forward on the sole",), ("cleat far back on the sole",),
        "check M1 and M5 on the foot in the shoe, then photograph the sole again",
    ),
    "cleat_rotation_deg": (
        ("cleat turned so that the foot points in",), ("cleat turned so that the foot points out",),
        "repeat the hanging-foot test in the shoe; film from the front where the foot goes by itself",
    ),
    "float_margin_deg": (
        ("cleat rotation away from the foot's own yaw", "float range small for this foot"), (),
        "turn the cleat and film from the front again",
    ),
    "trunk_inclination_deg": (
        ("bar low or far", "saddle high"), ("bar high or near", "saddle low"),
        "ask about neck, hands and back; try 5 mm of spacers",
    ),
    "knee_path_mm": (
        (), ("foot held by the end of its float", "stance width", "a habit of the hip"),
        "compare left with right and with the rider's own repeat; it matters only together with pain",
    ),
}  # fmt: skip


def judge(target: Target, side: str, value: Measured, *, u_band: float = 0.0, note: str = "") -> Finding:
    """One value against one band of the same method.

    State "in", "low" or "high" when the whole 95 % interval lies there, else "unclear". `u_band` widens the value
    for the comparison only (a converted band).
    """
    wide = value.widened(u_band) if u_band else value
    low, high = wide.interval95
    if low >= target.low and high <= target.high:
        state = "in"
    elif high < target.low:
        state = "low"
    elif low > target.high:
        state = "high"
    else:
        state = "unclear"
    below, above, test = CAUSES.get(target.key.rsplit(".", 1)[0], ((), (), ""))
    middle = (target.low + target.high) / 2
    outside = not target.low <= value.value <= target.high
    causes = (below if value.value < middle else above) if outside else ()
    return Finding(
        target, side, value, state, probability_within(wide, target.low, target.high),
        causes + ((note,) if note else ()), test if outside or state == "unclear" else "",
    )  # fmt: skip


def find_all(inputs: PlanInputs) -> tuple[Finding, ...]:
    """Every finding that the inputs allow, angles first, then feet; by side."""
    targets = for_use(check_targets(inputs.targets if inputs.targets is not None else TARGETS), inputs.use)
    return tuple(_from_rides(inputs, targets)) + tuple(_from_feet(inputs))


def _from_rides(inputs: PlanInputs, targets: Sequence[Target]) -> list[Finding]:
    found: list[Finding] = []
    for key in dict.fromkeys(t.key for t in targets):
        for side in (*SIDES, "both"):
            value = reading.ride_value(inputs, side, key)
            if value is None:
                continue
            finding = _against(key, side, value, targets, method_of(inputs, side, key))
            if finding is not None:
                found.append(finding)
    return found


def method_of(inputs: PlanInputs, side: str, key: str) -> Mapping[str, str]:
    """The method of the ride that the value comes from."""
    quantity = key.rsplit(".", 1)[0]
    curve = quantity.removesuffix("_deg").removesuffix("_mm")
    for ride in (inputs.ride, inputs.front_ride):
        if ride is not None and (
            quantity in ride.quantities.get(side, {}) or curve in ride.curves.get(side, {})
        ):
            return ride.method
    return inputs.ride.method


def _against(
    key: str, side: str, value: Measured, targets: Sequence[Target], method: Mapping[str, str]
) -> Finding | None:
    """The value against the best band for its key; None when another band of the same joint fits it directly."""
    matched = band_for([t for t in targets if t.key == key], method)
    joint = key.rsplit(".", 1)[0]
    direct_elsewhere = any(
        t.key != key and t.key.rsplit(".", 1)[0] == joint and t.role == "target"
        and all(method.get(k) == v for k, v in t.method.items())
        for t in targets
    )  # fmt: skip
    if direct_elsewhere and (matched.note or matched.refused):
        return None
    if matched.refused:
        return Finding(matched.target, side, value, "unclear", 0.0, refused=matched.refused)
    return judge(matched.target, side, value, u_band=matched.u, note=matched.note)


def _from_feet(inputs: PlanInputs) -> list[Finding]:
    found: list[Finding] = []
    for side in SIDES:
        wish = inputs.wanted_lambda.get(side, 0.5)
        values = (
            (_lambda_target(wish), reading.axle_under_foot(inputs, side, reading.yaw_deg(inputs, side))),
            (ROTATION, reading.cleat_rotation(inputs, side)),
            (MARGIN, reading.float_margin(inputs, side)),
        )
        found += [judge(t, side, v) for t, v in values if v is not None]
    return found


def _lambda_target(wish: float) -> Target:
    return Target(
        "axle_under_foot.setting", "Axle under the foot (0 under M1, 1 under M5)", wish - LAMBDA_TOLERANCE,
        wish + LAMBDA_TOLERANCE, "1", f"chosen setting {wish:g}; {RULE}", "practice", {},
    )  # fmt: skip


ROTATION = Target(
    "cleat_rotation_deg.off_foot", "Cleat rotation against the foot's own yaw", -ROTATION_TOLERANCE_DEG,
    ROTATION_TOLERANCE_DEG, "deg", f"hanging-foot test, offered and not corrected; {RULE}", "practice", {},
)  # fmt: skip
MARGIN = Target(
    "float_margin_deg.min", "Ridden yaw: distance to the nearest end of the float", FLOAT_MARGIN_DEG, 45.0, "deg",
    "a foot at the end of its float passes torsion to the knee; margin our choice, no source", "practice", {},
)  # fmt: skip


def side_notes(inputs: PlanInputs) -> tuple[str, ...]:
    """Left against right in words: named only when distinguishable; pain beside wide knee travel."""
    notes = []
    for key, label in (
        ("knee_path_mm.range", "knee travel sideways"),
        ("knee_flexion_deg.min", "least knee flexion"),
    ):
        left, right = (reading.ride_value(inputs, s, key) for s in SIDES)
        if left is None or right is None:
            continue
        if distinguishable(left, right):
            notes.append(
                f"{label}: left {left}, right {right}; the difference is larger than its 95 % interval"
            )
        else:
            u = combine(left.u, right.u)
            notes.append(f"{label}: left {left}, right {right}; not distinguishable (± {1.96 * u:.1f})")
    for side in SIDES:
        travel = reading.ride_value(inputs, side, "knee_path_mm.range")
        pain = max((v for k, v in inputs.pain.items() if k.startswith(f"knee_{side}")), default=0.0)
        if travel is not None and travel.value > 14 and pain >= 1:
            notes.append(f"{side} knee: travel {travel} and pain {pain:g} of 10 occur together; this is no cause "
                         "by itself, follow it up after the change")  # fmt: skip
    return tuple(notes)
