"""Findings: each value against its band, with the probability of lying inside, possible causes and the next test.

Besides joint angles: where the axle runs under the foot against the chosen setting, the cleat's rotation against
the hanging foot, and the margin of the ridden yaw to the ends of the float. Knee travel is described, never acted
on.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

from fitwright.plan import reading
from fitwright.plan.adjustables import KINDS
from fitwright.plan.causes import CONFIRM, ESTIMATE, REFUSED_TEST, beside, causes_of
from fitwright.plan.inputs import SIDES, PlanInputs
from fitwright.plan.targets import TARGETS, band_for, check_targets, for_use
from fitwright.plan.types import Finding, Target
from fitwright.quantity import Measured, combine, distinguishable, probability_within

SETTING = ("axle_under_foot", "cleat_rotation_deg", "float_margin_deg")
"""Quantities of the cleat's setting: read from sole, marks and yaw, not from a ride alone."""


def judge(target: Target, side: str, value: Measured, *, u_band: float = 0.0, note: str = "") -> Finding:
    """One value against one band of the same method.

    State "in", "low" or "high" when the whole 95 % interval lies there, else "unclear". `u_band` widens the value
    for the comparison only (a converted band). An estimate is refused: it is described and never acted on.
    """
    if value.estimate:
        return Finding(target, side, value, "unclear", 0.0, refused=ESTIMATE, next_test=CONFIRM)
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
    known = causes_of(target.key)
    middle = (target.low + target.high) / 2
    causes = () if state == "in" else known.below if value.value < middle else known.above
    return Finding(
        target, side, value, state, probability_within(wide, target.low, target.high),
        causes + ((note,) if note else ()), "" if state == "in" else known.next_test,
    )  # fmt: skip


def find_all(inputs: PlanInputs) -> tuple[Finding, ...]:
    """Every finding that the inputs allow, angles first, then feet; by side."""
    targets = bands_of(inputs)
    found = (*_from_rides(inputs, targets), *_from_feet(inputs, targets))
    return tuple(
        f if f.state == "in" else replace(f, beside=beside(inputs, f.side, f.target.key)) for f in found
    )


def bands_of(inputs: PlanInputs) -> tuple[Target, ...]:
    """The bands that count for this rider's use: the studio's own, else those that are published.

    Raises:
        InputError: a band that is empty, or two that exclude each other.
    """
    return for_use(check_targets(TARGETS if inputs.targets is None else inputs.targets), inputs.use)


def _from_rides(inputs: PlanInputs, targets: Sequence[Target]) -> list[Finding]:
    found: list[Finding] = []
    for key in dict.fromkeys(t.key for t in targets if not t.key.startswith(SETTING)):
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
        return Finding(
            matched.target, side, value, "unclear", 0.0, refused=matched.refused, next_test=REFUSED_TEST
        )
    return judge(matched.target, side, value, u_band=matched.u, note=matched.note)


def _from_feet(inputs: PlanInputs, targets: Sequence[Target]) -> list[Finding]:
    """The cleat's setting; the band of the axle lies around the setting that was chosen for the foot."""
    found: list[Finding] = []
    for side in SIDES:
        wish = inputs.wanted_lambda.get(side, 0.5)
        values = {
            "axle_under_foot.setting": reading.axle_under_foot(inputs, side, reading.yaw_deg(inputs, side)),
            "cleat_rotation_deg.off_foot": reading.cleat_rotation(inputs, side),
            "float_margin_deg.min": reading.float_margin(inputs, side),
        }
        for key, value in values.items():
            bands = [t for t in targets if t.key == key]
            if value is not None and bands:
                band = min(bands, key=lambda t: not t.uses)
                found.append(judge(_around(band, wish) if key.startswith("axle") else band, side, value))
    return found


def _around(band: Target, wish: float) -> Target:
    """The band of the axle's place laid around the chosen setting (0 under M1, 1 under M5)."""
    return replace(
        band, label="Axle under the foot (0 under M1, 1 under M5)", low=wish + band.low, high=wish + band.high,
        source=f"chosen setting {wish:g}; {band.source}",
    )  # fmt: skip


SIDES_COMPARED = (
    ("knee_path_mm.range", "knee travel sideways"), ("knee_flexion_deg.min", "least knee flexion"),
    ("hip_flexion_deg.max", "greatest hip flexion"), ("ankle_plantarflexion_deg.range", "ankle range"),
    ("foot_yaw_deg.mean", "foot turned out while pedalling"),
)  # fmt: skip


def asymmetries(inputs: PlanInputs) -> tuple[str, ...]:
    """Left against right in words, told before anything is done about it: a difference only when distinguishable."""
    pairs = [(label, [reading.ride_value(inputs, s, key) for s in SIDES]) for key, label in SIDES_COMPARED]
    pairs.append(("hanging foot", [inputs.hanging_yaw_deg.get(s) for s in SIDES]))
    notes = []
    for label, (left, right) in pairs:
        if left is None or right is None:
            continue
        if left.estimate or right.estimate:
            notes.append(f"{label}: left {left}, right {right}; an estimate is not compared")
        elif distinguishable(left, right):
            notes.append(
                f"{label}: left {left}, right {right}; the difference is larger than its 95 % interval"
            )
        else:
            u = combine(left.u, right.u)
            notes.append(f"{label}: left {left}, right {right}; not distinguishable (± {1.96 * u:.1f})")
    if (legs := inputs.leg_length_difference_mm) is not None:
        notes.append(_legs(legs))
    return tuple(notes)


def _legs(difference: Measured) -> str:
    """The measured difference of leg length, and that it is not corrected by itself."""
    if abs(difference.value) <= 1.96 * difference.u:
        return f"leg length: right minus left {difference}; not distinguishable from none"
    longer, shorter = ("right", "left") if difference.value > 0 else ("left", "right")
    size = replace(difference, value=abs(difference.value))
    return (
        f"leg length: the {shorter} leg is shorter than the {longer} by {size}. It is told and not corrected: many "
        f"ride well with it. Measure it a second time; a shim is a trial of {KINDS['shim_mm'].cautious:g} mm at most "
        "in one visit, and a difference that is new or hurts is for a physiotherapist"
    )


def side_notes(inputs: PlanInputs) -> tuple[str, ...]:
    """Wide knee travel and pain that occur together, in words that name no cause."""
    notes = []
    for side in SIDES:
        travel = reading.ride_value(inputs, side, "knee_path_mm.range")
        pain = max((v for k, v in inputs.pain.items() if k.startswith(f"knee_{side}")), default=0.0)
        if travel is not None and travel.value > 14 and pain >= 1:
            notes.append(f"{side} knee: travel {travel} and pain {pain:g} of 10 occur together; this is no cause "
                         "by itself, follow it up after the change")  # fmt: skip
    return tuple(notes)
