"""What a plan is made from."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from fitwright.bike.contact import ContactPoints
from fitwright.errors import InputError, check_range
from fitwright.foot.sole import CleatPose, SolePoint
from fitwright.linkage.response import ResponseModel
from fitwright.linkage.twin import CalibratedTwin
from fitwright.linkage.upper_body import UpperBody
from fitwright.motion.ride import RideResult
from fitwright.plan.adjustables import KINDS, canonical
from fitwright.plan.bolting import Bolting
from fitwright.plan.solver import TASTES
from fitwright.plan.types import USES as USES
from fitwright.plan.types import Target
from fitwright.quantity import Measured

SIDES = ("left", "right")


@dataclass(frozen=True)
class PlanInputs:
    """Everything known when the plan is made; only the first four are needed.

    Attributes (mappings by side hold "left" and/or "right"):
        use: one of `USES`. ride: the ride seen from the side (or a marker recording).
        twins: side → twin calibrated on that ride, or the first guess. contact: the bike as it was ridden.
        front_ride: the same rider from the front, or None.
        cleats: side → cleat pose on the sole. marks: side → (M1, M5) on the same sole.
        hanging_yaw_deg: side → yaw of the hanging foot, carried over to the shoe's mid-line.
        float_window_deg: side → (float inward, float outward), both positive, deg from mid-float.
        wanted_lambda: side → where the axle should cross M1–M5 (0 under M1, 1 under M5); 0.5 where absent.
        red_flags: question id → yes (True) or no; see `plan.red_flags`.
        pins: adjustable → hardware value it must end at. forbids: adjustables that must not be touched.
        probability: how sure the plan must be that an acted-on quantity ends in its band (0.5 to 0.99).
        pain: body site → rating 0-10 ("knee_left", "knee_right", ...), used in words only.
        response: how this rider shares out a change; the published prior unless updated.
        targets: the studio's own bands; None takes `plan.targets.TARGETS`.
        act_on_opinion: let bands that rest on opinion alone lead to changes (off: they are only shown).
        ranges: adjustable → (least, greatest) hardware value of these parts, where the usual range is not theirs.
        taste: what the plan spares first, a key of `solver.TASTES`.
        upper: trunk and arm lengths; without them the bars' effect on the trunk is not predicted.
        felt: kind of adjustable ("hood_x_mm", ...) → how much this rider feels it, 0 (not) to 1 (a new bike), where
            it is not what is usual.
        done: adjustable → change made since `ride`; it is not asked for again, the rest is planned around it.
        turned: adjustable → change made in this visit that `ride` already shows; it counts towards the cautious step.
        leg_length_difference_mm: right minus left (positive: right longer).
    """

    use: str
    ride: RideResult
    twins: Mapping[str, CalibratedTwin]
    contact: ContactPoints
    front_ride: RideResult | None = None
    cleats: Mapping[str, CleatPose] = field(default_factory=dict)
    marks: Mapping[str, tuple[SolePoint, SolePoint]] = field(default_factory=dict)
    hanging_yaw_deg: Mapping[str, Measured] = field(default_factory=dict)
    float_window_deg: Mapping[str, tuple[float, float]] = field(default_factory=dict)
    wanted_lambda: Mapping[str, float] = field(default_factory=dict)
    red_flags: Mapping[str, bool] = field(default_factory=dict)
    pins: Mapping[str, float] = field(default_factory=dict)
    forbids: frozenset[str] = frozenset()
    probability: float = 0.8
    pain: Mapping[str, float] = field(default_factory=dict)
    response: ResponseModel = field(default_factory=ResponseModel)
    targets: tuple[Target, ...] | None = None
    act_on_opinion: bool = False
    upper: UpperBody | None = None
    ranges: Mapping[str, tuple[float, float]] = field(default_factory=dict)
    taste: str = "fewest"
    felt: Mapping[str, float] = field(default_factory=dict)
    done: Mapping[str, float] = field(default_factory=dict)
    turned: Mapping[str, float] = field(default_factory=dict)
    leg_length_difference_mm: Measured | None = None
    bolting: Mapping[str, Bolting] = field(default_factory=dict)

    def __post_init__(self) -> None:
        if self.use not in USES:
            raise InputError("use", "unknown use", value=self.use, allowed=", ".join(USES))
        if self.taste not in (keys := [t.key for t in TASTES]):
            raise InputError("taste", "unknown", value=self.taste, allowed=", ".join(keys))
        check_range("probability", self.probability, 0.5, 0.99, "")
        for side, wish in self.wanted_lambda.items():
            check_range(f"wanted_lambda {side}", wish, 0.0, 1.0, "(0 under M1, 1 under M5)")
        for name in ("twins", "cleats", "marks", "hanging_yaw_deg", "float_window_deg", "wanted_lambda"):
            for side in getattr(self, name):
                if side not in SIDES:
                    raise InputError(name, "unknown side", value=side, allowed="left, right")
        for side, (inward, outward) in self.float_window_deg.items():
            check_range(f"float_window_deg {side} inward", inward, 0, 30, "deg")
            check_range(f"float_window_deg {side} outward", outward, 0, 30, "deg")
        both = {canonical(n) for n in self.pins} & {canonical(n) for n in self.forbids}
        if both:
            raise InputError("pins", "a part is both to be set and not to be touched", value=", ".join(sorted(both)),
                             hint="Keep one of the two wishes")  # fmt: skip
        for kind, weight in self.felt.items():
            if kind not in KINDS:
                raise InputError("felt", "unknown part", value=kind, allowed=", ".join(KINDS))
            check_range(f"felt {kind}", weight, 0.0, 1.0, "")
